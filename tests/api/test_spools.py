import pytest

from background.running import run_due
from spools.models import MassEntry, Spool, Stay

from .conftest import V1, ago


def facts() -> tuple[int, int, int]:
    return Spool.objects.count(), Stay.objects.count(), MassEntry.objects.count()


def test_a_received_spool_is_found_by_its_code_however_it_is_typed(api, shop, receive):
    code = receive(batch="B-17")
    spool = api.get(f"spools/{code}")
    assert (spool["code"], spool["batch"], spool["feedstock"]) == (code, "B-17", shop.nylon)
    assert spool["stay"]["place"] == shop.dry_box
    assert spool["remaining"]["low_g"] <= spool["remaining"]["mass_g"] == 1000
    assert spool["loading"] is None
    for typed in (code.lower(), f"{code[:3]}-{code[3:]}", f"{code[:3]} {code[3:].lower()}"):
        assert api.get(f"spools/{typed}")["code"] == code


def test_the_check_character_catches_a_mistyped_code(api, client, receive):
    code = receive()
    for position in range(len(code)):
        for other in "34K7":
            if other != code[position]:
                mistyped = code[:position] + other + code[position + 1 :]
                response = client.get(f"{V1}spools/{mistyped}")
                assert response.status_code == 400, mistyped
                assert response.json()["errors"][0]["message"]


def test_a_right_code_that_no_spool_has(api, receive):
    from spools.codes import new_code

    code = receive()
    unknown = next(new for new in iter(new_code, None) if new != code)
    assert api.refused(f"spools/{unknown}", method="get", status=404)
    for path in ("move", "weigh", "empty", "load", "unload", "excursion"):
        assert api.refused(f"spools/{unknown}/{path}", status=404)


@pytest.mark.parametrize("typed", ["x", "%00", "K7M%0A4QX", "🎈", "K" * 500, "..%5c"])
def test_an_invalid_code(client, shop, typed):
    assert client.get(f"{V1}spools/{typed}").status_code in (400, 404)


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"net_mass_g": -5}, "net_mass_g"),
        ({"net_mass_g": 1e8}, "net_mass_g"),
        ({"net_mass_g": "NaN"}, "net_mass_g"),
        ({"net_mass_g": None}, "net_mass_g"),
        ({"gross_g": 50}, "gross_g"),
        ({"core_mass_g": -1}, "core_mass_g"),
        ({"core_radius_mm": 0}, "core_radius_mm"),
        ({"width_mm": 5, "net_mass_g": 9000}, "width_mm"),
        ({"at": ago(days=-1)}, "at"),
        ({"core_material": "gold"}, "core_material"),
        ({"card": "blue"}, "card"),
        ({"place": 99999}, "place"),
        ({"feedstock": None}, "feedstock"),
        ({"batch": "x" * 61}, "batch"),
    ],
)
def test_a_spool_that_cannot_be_is_refused_and_nothing_is_stored(api, shop, wrong, field):
    spool = {"feedstock": shop.nylon, "place": shop.shelf, "core_radius_mm": 50, "width_mm": 60}
    assert field in api.refused("spools", **spool | {"net_mass_g": 1000} | wrong)
    assert facts() == (0, 0, 0)


def test_several_alike_spools_are_received_or_none(api, shop):
    spool = {"feedstock": shop.nylon, "place": shop.shelf, "core_radius_mm": 50, "width_mm": 60}
    spool |= {"net_mass_g": 1000, "batch": "B 9", "count": 3}
    spools = api.post("spools/receive", **spool)["spools"]
    assert len({row["code"] for row in spools}) == 3 == api.get("spools")["count"]
    assert {row["batch"] for row in spools} == {"B 9"}
    assert "gross_g" in api.refused("spools/receive", **spool | {"gross_g": 1200})
    assert "count" in api.refused("spools/receive", **spool | {"count": 101})
    assert facts() == (3, 3, 3)


def test_lists_are_narrowed_and_cut_into_pages(api, shop, receive, django_assert_max_num_queries):
    first, second = receive(), receive(feedstock=shop.pla, place=shop.shelf)
    third = receive()
    api.post(f"spools/{third}/end", status=200)

    def codes(**query):
        return {row["code"] for row in api.get("spools", **query)["results"]}

    assert codes() == {first, second, third}
    assert codes(in_use=True) == {first, second}
    assert codes(place=shop.shelf) == {second}
    assert codes(feedstock=shop.nylon, in_use=True) == {first}
    assert codes(polymer=shop.polyamide) == {first, third}
    page = api.get("spools", limit=2)
    assert (page["count"], len(page["results"])) == (3, 2) and "offset=2" in page["next"]
    with django_assert_max_num_queries(10):
        api.get("spools")


def test_moves_with_past_times_and_back(api, shop, receive):
    code = receive()
    stay = api.post(f"spools/{code}/move", place=shop.shelf, at=ago(days=4))
    assert (stay["place"], stay["end"]) == (shop.shelf, None)
    api.post(f"spools/{code}/move", place=shop.dry_box, at=ago(days=2))
    stays = api.get(f"spools/{code}/history")["stays"]
    assert [row["place"] for row in stays] == [shop.dry_box, shop.shelf, shop.dry_box]
    assert stays[1]["end"] == stays[2]["start"]


def test_an_excursion_is_a_stay_between_two(api, shop, receive):
    code = receive()
    api.post(f"spools/{code}/excursion", place=shop.shelf, start=ago(days=3), end=ago(days=2))
    stays = api.get(f"spools/{code}/history")["stays"]
    assert [row["place"] for row in stays] == [shop.dry_box, shop.shelf, shop.dry_box]


def test_times_out_of_order_and_overlaps_are_refused(api, shop, receive):
    code = receive()
    api.post(f"spools/{code}/move", place=shop.shelf, at=ago(days=4))
    before = facts()
    move, excursion = f"spools/{code}/move", f"spools/{code}/excursion"
    assert "at" in api.refused(move, place=shop.dryer, at=ago(days=5))
    assert "at" in api.refused(move, place=shop.dryer, at=ago(days=40))
    assert "future" in api.refused(move, place=shop.dryer, at=ago(hours=-2))["at"]
    assert api.refused(excursion, place=shop.dry_box, start=ago(days=6), end=ago(days=3))
    assert api.refused(excursion, place=shop.dry_box, start=ago(days=2), end=ago(days=3))
    assert api.refused(excursion, place=shop.shelf, start=ago(days=3), end=ago(days=2))
    assert "place" in api.refused(move)
    assert "place" in api.refused(move, place="shelf")
    assert facts() == before


def test_weighing_sets_what_remains(api, receive):
    code = receive()
    entry = api.post(f"spools/{code}/weigh", gross_g=720, resolution_g=1)
    assert (entry["kind"], entry["gross_g"]) == ("weighed", 720)
    remaining = api.get(f"spools/{code}")["remaining"]
    # Some of the 500 g are the water of the nylon.
    assert 450 < remaining["low_g"] < remaining["mass_g"] < remaining["high_g"] < 500


@pytest.mark.parametrize(
    "wrong", [{"gross_g": -1}, {"gross_g": 1e6}, {"gross_g": 100}, {"gross_g": 700, "resolution_g": -1}, {}]
)
def test_absurd_weighings_are_refused(api, receive, wrong):
    code = receive()
    before = facts()
    assert api.refused(f"spools/{code}/weigh", **wrong)
    assert facts() == before


def test_an_empty_spool_takes_no_more_facts(api, shop, receive):
    code = receive()
    emptied = api.post(f"spools/{code}/end", status=200)
    assert emptied["ended_at"] and emptied["stay"] is None
    assert api.refused(f"spools/{code}/move", place=shop.shelf)
    assert api.refused(f"spools/{code}/weigh", gross_g=700)
    assert api.refused(f"spools/{code}/end")
    (ending,) = api.get(f"spools/{code}/history")["endings"]
    assert (ending["kind"], ending["recorded_by"] is not None) == ("empty", True)
    api.post(f"spools/{code}/endings/{ending['id']}/withdraw", reason="the wrong spool", status=200)
    assert api.get(f"spools/{code}")["stay"]["place"] == shop.dry_box
    api.post(f"spools/{code}/end", kind="given_away", note="to the school", status=200)


def test_moisture_layer_by_layer(api, shop, receive):
    code = receive(place=shop.shelf)
    moisture = api.get(f"spools/{code}/moisture")
    mean = moisture["mean_pct"]
    assert 0 <= mean["p10"] <= mean["p50"] <= mean["p90"]
    assert moisture["shells"][0]["inner_mm"] < moisture["shells"][-1]["outer_mm"]
    assert moisture["exposure_hours"] == pytest.approx(240, abs=1)
    assert moisture["why"]


def test_a_wrong_weighing_is_corrected_and_the_right_one_withdrawn(api, receive):
    code = receive()
    slip = api.post(f"spools/{code}/weigh", gross_g=520)
    path = f"spools/{code}/mass-entries/{slip['id']}"
    right = api.post(f"{path}/correct", gross_g=920)
    assert (right["gross_g"], right["at"], right["withdrawn_at"]) == (920, slip["at"], None)
    amount = api.get(f"spools/{code}")["remaining"]
    assert 680 < amount["mass_g"] <= 700
    # The worker's turn changes nothing of what was computed at once.
    run_due()
    assert api.get(f"spools/{code}")["remaining"] == amount
    entries = api.get(f"spools/{code}/history")["mass_entries"]
    assert [entry["gross_g"] for entry in entries if not entry["withdrawn_at"]] == [None, 920]
    assert "already" in api.refused(f"{path}/withdraw", reason="again")[""]
    assert "already" in api.refused(f"{path}/correct", gross_g=930)[""]
    withdrawn = api.post(
        f"spools/{code}/mass-entries/{right['id']}/withdraw", status=200, reason="the other spool"
    )
    assert (withdrawn["withdrawn_reason"], bool(withdrawn["withdrawn_by"])) == ("the other spool", True)
    assert api.get(f"spools/{code}")["remaining"]["mass_g"] == 1000
    api.post(f"spools/{receive()}/mass-entries/{slip['id']}/withdraw", status=404, reason="not of this one")


def test_the_bag_is_opened_and_that_is_withdrawn(api, receive):
    code = receive(sealed=True, card="dry")
    assert api.get(f"spools/{code}/moisture")["opened"] is None
    opening = api.post(f"spools/{code}/open", at=ago(days=2), card="wet")
    assert opening["card"] == "wet"
    assert api.get(f"spools/{code}/moisture")["opened"] == {"at": opening["at"], "by": "stated"}
    assert api.get(f"spools/{code}")["card"] == "wet"
    assert api.refused(f"spools/{code}/open", at=ago(days=1))["at"]
    api.post(f"spools/{code}/openings/{opening['id']}/withdraw", status=200, reason="another spool")
    assert api.get(f"spools/{code}/moisture")["opened"] is None
    assert [bool(fact["withdrawn_at"]) for fact in api.get(f"spools/{code}/history")["openings"]] == [True]
    assert api.get(f"spools/{receive(sealed=True, opened=True)}/moisture")["opened"]["by"] == "stated"
    assert api.get(f"spools/{receive()}/moisture")["opened"]["by"] == "received"


def test_a_wrong_receipt_is_corrected(api, shop, receive):
    code = receive()
    address = f"spools/{code}/correct-receipt"
    assert api.refused(address, net_mass_g=900)
    corrected = api.post(address, net_mass_g=900, feedstock=shop.pla, reason="the wrong row", status=200)
    assert (corrected["remaining"]["mass_g"], corrected["feedstock"]) == (900, shop.pla)
    assert api.refusals(address, net_mass_g=None, reason="x") == {"net_mass_g": "mass_missing"}


def test_a_spool_is_wound_onto_another_reel(api, shop, receive):
    code = receive()
    assert api.refused(f"spools/{code}/respool", core_mass_g=115)
    fact = api.post(f"spools/{code}/respool", core_mass_g=115, core_radius_mm=45, width_mm=55)
    assert api.get(f"spools/{code}")["core_mass_g"] == 115
    assert api.get(f"spools/{code}/history")["respoolings"][0]["before"] == fact["before"]
    api.post(f"spools/{code}/respoolings/{fact['id']}/withdraw", reason="a slip", status=200)
    assert api.get(f"spools/{code}")["core_mass_g"] == fact["before"]["core_mass_g"]


def test_a_leftover_is_joined_onto_a_spool(api, shop, receive):
    source, target = receive(place=shop.shelf), receive(place=shop.shelf)
    joining = api.post(f"spools/{target}/join", source=source, mass_g=100)
    assert (joining["source"], joining["mass_g"]) == (source, 100)
    assert api.refused(f"spools/{target}/join", source=target)
    api.post(f"spools/{target}/joinings/{joining['id']}/withdraw", reason="a slip", status=200)
    kinds = [row["kind"] for row in api.get(f"spools/{target}/history")["mass_entries"]]
    assert kinds.count("joined") == 1


def test_a_price_is_a_number_or_null(api, receive):
    code = receive()
    assert api.post(f"spools/{code}/price", 200, price="19.90")["price"] == "19.90"
    assert set(api.refused(f"spools/{code}/price", price="\x85")) == {"price"}
    assert api.post(f"spools/{code}/price", 200, price=None)["price"] is None
