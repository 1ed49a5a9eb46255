"""ETag and If-Match: an edit that rests on an older version is answered with the present state."""


def test_an_older_version_is_refused_with_the_present_state(client, shop):
    address = f"/api/v1/places/{shop.shelf}"
    tag = client.get(address).headers["ETag"]
    first = client.patch(address, {"assumed_rh_pct": 61}, format="json", headers={"If-Match": tag})
    assert first.status_code == 200 and first.headers["ETag"] != tag
    late = client.patch(address, {"assumed_rh_pct": 44}, format="json", headers={"If-Match": tag})
    assert late.status_code == 412 and late.headers["ETag"] == first.headers["ETag"]
    assert late.json()["present"] == first.json() and late.json()["errors"][0]["message"]
    assert client.get(address).json()["assumed_rh_pct"] == 61
    both = {"If-Match": f"{tag}, {late.headers['ETag']}"}
    assert client.patch(address, {"assumed_rh_pct": 44}, format="json", headers=both).status_code == 200


def test_without_a_condition_or_with_a_star_the_present_version_is_changed(client, shop):
    address = f"/api/v1/printers/{shop.printer}"
    for headers in ({}, {"If-Match": "*"}, {}):
        assert client.patch(address, {"bed_max_c": 110}, format="json", headers=headers).status_code == 200
    assert client.get(address).json()["version"] == 4


def test_the_version_itself_is_not_set(api, shop):
    assert api.patch(f"places/{shop.shelf}", version=77)["version"] == 2
