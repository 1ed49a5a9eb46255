"""An API request with an Idempotency-Key is carried out once."""


def send(client, address, body, key):
    return client.post(address, body, format="json", headers={"Idempotency-Key": key})


def test_the_first_answer_is_replayed(api, client, receive):
    code = receive()
    address = f"/api/v1/spools/{code}/weigh"
    first, second = (send(client, address, {"gross_g": 1150}, "a") for _ in range(2))
    assert (first.status_code, first.content) == (201, second.content)
    assert second.status_code == 201
    assert send(client, address, {"gross_g": 1149}, "a").status_code == 422
    assert send(client, address, {"gross_g": 1150}, "b").json()["id"] != first.json()["id"]
    entries = api.get(f"spools/{code}/history")["mass_entries"]
    assert [entry["gross_g"] for entry in entries] == [None, 1150, 1150]


def test_a_refused_request_may_be_sent_again_with_its_key(client, receive):
    address = f"/api/v1/spools/{receive()}/weigh"
    assert send(client, address, {"gross_g": -1}, "a").status_code == 400
    assert send(client, address, {"gross_g": 1150}, "a").status_code == 201


def test_a_key_has_1_to_100_characters(client, receive):
    address = f"/api/v1/spools/{receive()}/weigh"
    for key in ("", "x" * 101):
        refused = send(client, address, {"gross_g": 1150}, key)
        assert refused.status_code == 400 and refused.json()["errors"][0]["code"] == "key_length"


def test_a_page_without_post_is_refused_with_a_key_too(client):
    assert send(client, "/api/v1/polymers", {}, "a").status_code == 405
