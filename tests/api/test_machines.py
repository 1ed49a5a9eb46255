import pytest

from maintenance.models import Fitting, Loading, Part, StockEntry

from .conftest import ago

JOB = {"mass_g": 100, "hours": 4, "nozzle_c": 265, "bed_c": 80}


def test_a_printer_needs_a_place_of_its_kind(api, shop):
    assert "place" in api.refused("printers", name="Lark", place=shop.shelf)
    assert "place" in api.refused("printers", name="Lark", place=shop.printer_place)
    assert "bed_max_c" in api.refused("printers", name="Lark", place=shop.printer_place, bed_max_c=-1)
    printer = api.patch(f"printers/{shop.printer}", bed_max_c=110)
    assert (printer["bed_max_c"], printer["toolheads"]) == (110, [shop.toolhead])


def test_a_printer_and_its_place_have_one_name_and_go_together(api, shop):
    assert api.patch(f"printers/{shop.printer}", name="Lark")["name"] == "Lark"
    assert api.get(f"places/{shop.printer_place}")["name"] == "Lark"
    assert api.refusals(f"places/{shop.printer_place}", method="patch", name="Wren") == {
        "name": "name_of_printer"
    }
    assert api.post(f"printers/{shop.printer}/retire", status=200)["retired_at"]
    assert api.get(f"places/{shop.printer_place}")["retired_at"]
    assert api.post(f"printers/{shop.printer}/bring-back", status=200)["retired_at"] is None
    assert api.get(f"places/{shop.printer_place}")["retired_at"] is None
    assert api.refused(f"places/{shop.printer_place}/retire")
    assert api.post(f"feedstocks/{shop.nylon}/retire", status=200)["retired_at"]
    assert api.patch(f"toolheads/{shop.toolhead}", hot_end_max_c=250)["hot_end_max_c"] == 250


def test_a_toolhead_out_of_use_is_loaded_no_more(api, shop, receive):
    code = receive()
    assert api.post(f"toolheads/{shop.toolhead}/retire", status=200)["retired_at"]
    values = {"toolhead": shop.toolhead, "override_reason": "urgent"}
    assert api.refusals(f"spools/{code}/load", **values) == {"toolhead": "toolhead_out_of_use"}
    assert api.get(f"spools/{code}")["verdicts"] == []
    assert api.post(f"toolheads/{shop.toolhead}/bring-back", status=200)["retired_at"] is None
    api.post(f"spools/{code}/load", **values)


def test_a_toolhead_is_once_on_its_printer(api, shop):
    assert api.refused("toolheads", printer=shop.printer, name="T0")
    second = api.post("toolheads", printer=shop.printer, name="T1", ptfe_lined=True, hot_end_max_c=240)
    assert api.get("toolheads", printer=shop.printer)["count"] == 2
    assert second["loading"] is None and second["fittings"] == []


def test_a_part_kind_has_its_life_within_its_range(api, shop):
    kind = api.get(f"part-kinds/{shop.brass}")
    assert kind["in_stock"] == 0
    assert api.refused(f"part-kinds/{shop.brass}", method="patch", life_low=9)
    assert api.refused(f"part-kinds/{shop.brass}", method="patch", bore_mm=None)
    assert api.get(f"part-kinds/{shop.brass}") == kind


def test_parts_go_from_the_drawer_to_the_machine_and_off(api, shop):
    api.post("stock", kind=shop.brass, count=2, note="a bag of two")
    fitting = api.post("fittings", toolhead=shop.toolhead, kind=shop.brass, at=ago(days=3))
    assert (fitting["role"], fitting["kind"]) == ("nozzle", shop.brass)
    assert api.get(f"part-kinds/{shop.brass}")["in_stock"] == 1
    assert [row["id"] for row in api.get(f"toolheads/{shop.toolhead}")["fittings"]] == [fitting["id"]]
    part = api.get(f"parts/{fitting['part']}")
    assert part["fitting"]["id"] == fitting["id"]
    life = part["life_left"]
    assert life["unit"] == "filled_kg" and life["age"] == 0
    assert life["low_left"] <= life["median_left"] <= life["high_left"]

    new = api.post("fittings/replace", toolhead=shop.toolhead, role="nozzle", kind=shop.brass, at=ago(days=2))
    assert new["part"] != fitting["part"]
    assert api.get(f"fittings/{fitting['id']}")["removal"] == "worn"
    off = api.post(f"fittings/{new['id']}/remove", status=200, removal="sound", at=ago(days=1))
    assert off["removal"] == "sound" and off["end"]
    again = api.post("fittings", toolhead=shop.toolhead, part=new["part"])
    assert again["part"] == new["part"]
    assert api.get("parts", toolhead=shop.toolhead)["count"] == 1
    assert api.get("fittings", toolhead=shop.toolhead, open=True)["count"] == 1
    assert api.get("stock", kind=shop.brass)["count"] >= 1


def test_impossible_stock_and_fittings_are_refused(api, shop):
    def counts():
        return StockEntry.objects.count(), Part.objects.count(), Fitting.objects.count()

    fit = {"toolhead": shop.toolhead, "kind": shop.brass}
    assert api.refused("fittings", **fit)  # the drawer is empty
    assert "" in api.refused("fittings", toolhead=shop.toolhead)
    assert "count" in api.refused("stock", kind=shop.brass, count=10**12)
    assert "count" in api.refused("stock", kind=shop.brass, count=1.5)
    assert api.refused("stock", kind=shop.brass, count=0)
    assert api.refused("stock", kind=shop.brass, count=-3)
    assert api.refused("stock", kind=shop.brass, count=1, at=ago(hours=-3))
    assert counts() == (0, 0, 0)
    api.post("stock", kind=shop.brass, count=3)
    fitting = api.post("fittings", **fit)
    before = counts()
    assert api.refused("fittings", **fit)  # the role is taken
    assert api.refused("fittings", toolhead=shop.toolhead, part=fitting["part"])
    assert "role" in api.refused("fittings/replace", **fit, role="belt")
    assert api.refused("fittings/replace", **fit, role="gears")
    assert "removal" in api.refused(f"fittings/{fitting['id']}/remove")
    assert api.refused(f"fittings/{fitting['id']}/remove", removal="worn", at=ago(days=9))
    assert counts() == before


def test_a_bore_is_measured_and_withdrawn(api, shop):
    api.post("stock", kind=shop.brass, count=1)
    part = api.post("fittings", toolhead=shop.toolhead, kind=shop.brass, at=ago(days=3))["part"]
    bore = api.get(f"parts/{part}")["bore"]
    assert (bore["new_mm"], bore["worn_mm"]) == (0.4, pytest.approx(0.45))
    reading = api.post("bore-readings", part=part, bore_mm=0.41, error_mm=0.01, method="pin")
    assert api.get("bore-readings", part=part)["count"] == 1
    assert api.get(f"parts/{part}")["bore"]["new_mm"] == 0.41
    for field, values in {"bore_mm": {"bore_mm": 41}, "method": {"method": "by eye"}}.items():
        request_data = {"part": part, "bore_mm": 0.4, "error_mm": 0.01, "method": "pin"} | values
        refused = api.post("bore-readings", status=400, **request_data)
        assert [error["field"] for error in refused["errors"]] == [field]
    assert "reason" in api.refused(f"bore-readings/{reading['id']}/withdraw")
    api.post(f"bore-readings/{reading['id']}/withdraw", status=200, reason="the wrong pin")
    assert api.get(f"parts/{part}")["bore"]["new_mm"] == 0.4


def test_parts_of_the_whole_printer_and_what_their_kind_is_learnt_to_last(api, shop):
    belts = {"role": "belts", "name": "belt set", "material": "rubber", "life": 4000, "life_low": 1500}
    belts |= {"life_high": 9000, "source": "invented for a test", "how": "memory"}
    assert api.refused("part-kinds", **belts, life_unit="dose_km")
    kind = api.post("part-kinds", **belts, life_unit="hours")
    assert kind["learnt"]["median"] == pytest.approx(4000, rel=0.01)
    assert kind["learnt"]["own_parts"] == {"worn": 0, "removed": 0, "in_use": 0}
    api.post("stock", kind=kind["id"], count=2)
    assert api.refused("fittings", toolhead=shop.toolhead, kind=kind["id"])
    assert api.refused("fittings", toolhead=shop.toolhead, printer=shop.printer, kind=kind["id"])
    fitting = api.post("fittings", printer=shop.printer, kind=kind["id"])
    assert (fitting["toolhead"], fitting["fitted_to"]) == (None, "Wren")
    assert api.get("fittings", printer=shop.printer)["count"] == 1
    new = api.post("fittings/replace", printer=shop.printer, role="belts", kind=kind["id"], removal="sound")
    assert api.get(f"parts/{new['part']}")["life_left"]["used_up_at"] is None


def test_readiness_of_one_pair_and_of_several(api, shop, receive):
    dry, wet = receive(), receive(place=shop.shelf)
    item = api.get("readiness", toolhead=shop.toolhead, spool=wet, **JOB)
    assert (item["toolhead"], item["spool"]) == (shop.toolhead, wet)
    assert item["state"] in ("clear", "caution", "hold")
    moisture = next(check for check in item["checks"] if check["name"] == "moisture")
    assert moisture["code"].startswith("readiness.moisture_over") and moisture["values"]["mass_g"] == 50
    assert "50 g" in moisture["sentence"] and moisture["remedy"]["action"] == "dry"
    assert {"code", "values", "sentence"} < set(moisture["remedy"])
    assert all(check["sentence"] for check in item["checks"])
    pairs = [{"toolhead": shop.toolhead, "spool": code} for code in (dry, wet)]
    several = api.post("readiness", status=200, pairs=pairs, job=JOB)
    assert [row["spool"] for row in several] == [dry, wet]
    # The moisture goes on between the two requests, by less than the sentences show.
    answers = [[(check["code"], check["sentence"]) for check in row["checks"]] for row in (several[1], item)]
    assert answers[0] == answers[1] and several[1]["state"] == item["state"]
    assert api.get("readiness", toolhead=shop.toolhead, spool=dry)["checks"]


def test_readiness_of_a_spool_that_would_be_fed_from_a_box(api, shop, receive):
    pair = {"toolhead": shop.toolhead, "spool": receive(), "fed_from": shop.dry_box}
    assert api.refused("readiness", method="get", **pair)
    api.patch(f"places/{shop.dry_box}", feeds=True)
    [planned] = api.post("readiness", status=200, pairs=[pair], job=JOB)
    for judged in (api.get("readiness", **pair), api.get("readiness", **pair, **JOB), planned):
        moisture = next(check for check in judged["checks"] if check["name"] == "moisture")
        assert moisture["values"]["fed_from"] == api.get(f"places/{shop.dry_box}")["name"]


@pytest.mark.parametrize(
    "wrong",
    [
        {"toolhead": 99999},
        {"spool": "AAAAAA"},
        {"mass_g": 10},
        JOB | {"mass_g": -1},
        JOB | {"hours": "inf"},
        JOB | {"nozzle_c": 6000},
    ],
)
def test_readiness_of_what_cannot_be(api, shop, receive, wrong):
    request_data = {"toolhead": shop.toolhead, "spool": receive()} | wrong
    assert api.refused("readiness", method="get", **request_data)


def test_readiness_needs_pairs(api, shop):
    assert "pairs" in api.refused("readiness", pairs=[])
    assert "pairs.0.spool" in api.refused("readiness", pairs=[{"toolhead": shop.toolhead}])


def test_loading_and_unloading(api, shop, receive):
    code = receive(feedstock=shop.pla, sealed=True)
    reason = "test print; a hold would be overridden"
    loading = api.post(f"spools/{code}/load", toolhead=shop.toolhead, override_reason=reason)
    assert (loading["spool"], loading["end"]) == (code, None)
    assert loading["reasons"]
    spool = api.get(f"spools/{code}")
    assert spool["loading"]["id"] == loading["id"]
    assert spool["stay"]["place"] == shop.printer_place
    assert api.get(f"toolheads/{shop.toolhead}")["loading"]["spool"] == code
    assert api.get("loadings", open=True)["count"] == 1
    second = receive(feedstock=shop.pla)
    taken = api.refused(f"spools/{second}/load", toolhead=shop.toolhead, override_reason=reason)
    assert "Say where it goes" in taken["unload_to"]
    unloaded = api.post(f"spools/{code}/unload", status=200, place=shop.dry_box)
    assert unloaded["end"]
    assert api.get(f"spools/{code}")["stay"]["place"] == shop.dry_box
    assert api.refused(f"spools/{code}/unload", place=shop.dry_box)
    assert Loading.objects.count() == 1


def test_a_spool_that_was_moved_away_came_off(api, shop, receive):
    code = receive(feedstock=shop.pla)
    loading = api.post(
        f"spools/{code}/load", toolhead=shop.toolhead, override_reason="a test", at=ago(hours=2)
    )
    stay = api.post(f"spools/{code}/move", place=shop.dry_box)
    assert api.get(f"loadings/{loading['id']}")["end"] == stay["start"]
    assert api.get("loadings", open=True)["count"] == 0
    assert api.get("loadings", open=False)["count"] == 1


def test_a_hold_without_a_reason_is_refused(api, shop, receive):
    code = receive(place=shop.shelf)
    assert api.get("readiness", toolhead=shop.toolhead, spool=code)["state"] == "hold"
    assert api.refused(f"spools/{code}/load", toolhead=shop.toolhead)
    assert not Loading.objects.exists()
    loading = api.post(f"spools/{code}/load", toolhead=shop.toolhead, override_reason="only a jig")
    assert (loading["state"], loading["override_reason"]) == ("hold", "only a jig")


def test_a_spool_is_fed_from_a_dry_box(api, shop, receive):
    code = receive(feedstock=shop.pla)
    given = {"toolhead": shop.toolhead, "override_reason": "a test", "fed_from": shop.dry_box}
    assert api.refused(f"spools/{code}/load", **given)["fed_from"]
    assert api.patch(f"places/{shop.dry_box}", feeds=True)["feeds"]
    loading = api.post(f"spools/{code}/load", **given)
    assert loading["fed_from"] == shop.dry_box
    spool = api.get(f"spools/{code}")
    assert (spool["stay"]["place"], spool["loading"]["id"]) == (shop.dry_box, loading["id"])
    assert api.post(f"spools/{code}/unload", status=200, place=shop.dry_box)["end"]


def test_a_consumable_is_counted_in_its_unit(api, shop):
    glue = api.post("part-kinds", role="adhesive", name="bed glue", stock_unit="ml")
    assert (glue["learnt"], glue["in_stock"], glue["stock_unit"]) == (None, 0, "ml")
    assert api.refused("part-kinds", role="gears", name="no life", stock_unit="ml")
    entry = api.post("stock", kind=glue["id"], count=12.5)
    assert api.get(f"part-kinds/{glue['id']}")["in_stock"] == 12.5
    assert api.refused("stock", kind=glue["id"], count=-20)
    api.post(f"stock/{entry['id']}/withdraw", status=200, reason="a slip")
    assert api.get(f"part-kinds/{glue['id']}")["in_stock"] == 0


def test_used_parts_come_with_their_use_before_and_removals_are_corrected(api, shop):
    fit = {"toolhead": shop.toolhead, "kind": shop.brass, "at": ago(days=3)}
    assert "prior_amount" in api.refused("fittings", **fit, prior_unit="kg")
    assert "prior_unit" in api.refused("fittings", **fit, prior_amount=2)
    fitting = api.post("fittings", **fit, prior_unit="unknown")
    part = fitting["part"]
    assert api.get(f"part-kinds/{shop.brass}")["in_stock"] == 0
    assert api.get(f"parts/{part}")["bore"] is None
    prior = api.post("prior-uses", part=part, unit="kg", amount=1.5)
    assert api.get(f"parts/{part}")["life_left"]["age"] > 0
    api.post(f"prior-uses/{prior['id']}/withdraw", status=200, reason="it was not mine")
    assert api.get("prior-uses", part=part)["count"] == 2
    api.post(f"fittings/{fitting['id']}/remove", status=200, removal="worn", at=ago(days=2))
    right = api.post(
        f"fittings/{fitting['id']}/correct-removal", status=200, removal="sound", reason="it is sound"
    )
    assert (right["removal"], right["end"][:16]) == ("sound", ago(days=2)[:16])
    assert api.refused(f"fittings/{fitting['id']}/withdraw-removal", reason="again")
    on = api.post(f"fittings/{right['id']}/withdraw-removal", status=200, reason="it stayed on")
    assert on["end"] is None
    assert [row["id"] for row in api.get("fittings", open=True)["results"]] == [on["id"]]
    api.post(f"fittings/{on['id']}/withdraw", status=200, reason="another machine")
    assert api.get("fittings", open=True)["count"] == 0
    assert api.get(f"toolheads/{shop.toolhead}")["fittings"] == []
    entry = api.post("stock", kind=shop.brass, count=2)
    api.post(f"stock/{entry['id']}/withdraw", status=200, reason="counted twice")
    assert api.get(f"part-kinds/{shop.brass}")["in_stock"] == 0


def test_where_no_printer_is_in_use_a_toolhead_is_still_judged(api, shop, receive):
    code = receive()
    api.post(f"printers/{shop.printer}/retire", 200)
    assert api.get("readiness", spool=code, toolhead=shop.toolhead)["spool"] == code
