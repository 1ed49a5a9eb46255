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
