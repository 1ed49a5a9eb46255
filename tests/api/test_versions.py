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


def test_a_reel_is_corrected_by_the_version_that_was_read(client, shop, receive):
    address = f"/api/v1/spools/{receive()}"
    tag, before = client.get(address).headers["ETag"], client.get(address).json()
    lighter = {"core_mass_g": before["core_mass_g"] - 20}
    first = client.patch(address, lighter, format="json", headers={"If-Match": tag})
    assert first.status_code == 200 and first.headers["ETag"] != tag
    assert first.json()["core_mass_g"] == lighter["core_mass_g"]
    assert first.json()["width_mm"] == before["width_mm"]
    late = client.patch(address, {"width_mm": 55}, format="json", headers={"If-Match": tag})
    assert late.status_code == 412 and late.headers["ETag"] == first.headers["ETag"]
    assert late.json()["errors"][0]["code"] == "edited_meanwhile"
    assert late.json()["present"] == first.json()
    assert client.patch(address, {"width_mm": 55}, format="json").json()["width_mm"] == 55
    heavy = client.patch(address, {"core_mass_g": 4000}, format="json").json()["errors"]
    assert [error["field"] for error in heavy] == ["core_mass_g"]


def test_the_version_itself_is_not_set(api, shop):
    assert api.patch(f"places/{shop.shelf}", version=77)["version"] == 2
