"""Scripts add facts late, correct and withdraw them."""

from tests.api.conftest import ago


def test_moves_are_corrected_and_withdrawn(api, shop, receive):
    code = receive()
    stay = api.post(f"spools/{code}/move", place=shop.shelf, at=ago(days=2))
    moves = f"spools/{code}/moves"
    right = api.post(f"{moves}/{stay['move']}/correct", place=shop.shelf, at=ago(days=3))
    assert "until" in api.refused(
        f"{moves}/{right['id']}/correct", place=shop.shelf, at=ago(days=3), until=ago()
    )
    gone = api.post(f"{moves}/{right['id']}/withdraw", status=200, reason="another spool")
    assert gone["withdrawn_reason"] == "another spool"
    history = api.get(f"spools/{code}/history")
    assert [row["place"] for row in history["stays"]] == [shop.dry_box]
    assert [bool(row["withdrawn_at"]) for row in history["moves"]] == [False, True, True]
    assert api.refusals(f"spools/{code}/move", place=shop.dryer, from_place=shop.shelf) == {
        "": "moved_meanwhile"
    }


def test_a_past_drying_run_is_added_corrected_and_withdrawn(api, shop, receive):
    code = receive()
    times = {"start": ago(days=3), "end": ago(days=2)}
    run = api.post("drying-runs/past", spool=code, dryer=shop.dryer, set_point_c=45, **times)
    assert (run["entered_late"], run["hold"]) == (True, None)
    assert api.refusals("drying-runs/past", spool=code, dryer=shop.dryer, set_point_c=45, **times)
    right = api.post(f"drying-runs/{run['id']}/correct", start=ago(days=4), end=ago(days=3))
    api.post(f"drying-runs/{right['id']}/withdraw", status=200, reason="another spool")
    assert api.get("drying-runs", valid=True)["count"] == 0
    assert len(api.get(f"spools/{code}/history")["drying_runs"]) == 2


def test_a_past_loading_is_added(api, shop, receive):
    code = receive()
    times = {"start": ago(days=3), "end": ago(days=2)}
    loading = api.post(f"spools/{code}/past-loading", toolhead=shop.toolhead, **times)
    assert loading["end"] is not None and loading["withdrawn_at"] is None
    assert api.get(f"spools/{code}")["stay"]["place"] == shop.dry_box
    again = api.refusals(f"spools/{code}/past-loading", toolhead=shop.toolhead, **times)
    assert again == {"start": "loaded_elsewhere"}


def test_spools_come_to_printers_by_loading_and_to_places_in_use(api, shop, receive):
    code = receive()
    move = f"spools/{code}/move"
    assert api.refusals(move, place=shop.printer_place) == {"place": "place_of_printer"}
    old = api.post("places", name="old shelf", kind="shelf", assumed_rh_pct=55)["id"]
    api.post(f"places/{old}/retire", status=200)
    assert api.refusals(move, place=old) == {"place": "place_out_of_use"}
    assert api.get(f"spools/{code}")["stay"]["place"] == shop.dry_box
