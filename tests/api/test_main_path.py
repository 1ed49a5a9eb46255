"""A shop's main job through the interface alone: a new nylon spool, until a worn nozzle is replaced."""

from .conftest import ago


def test_from_a_new_spool_to_a_replaced_nozzle(api, shop):
    code = api.post(
        "spools",
        feedstock=shop.nylon_carbon,
        place=shop.dry_box,
        at=ago(days=6),
        net_mass_g=1000,
        core_mass_g=220,
        core_mass_known=True,
        core_material="pc",
        core_radius_mm=50,
        width_mm=60,
        sealed=False,
    )["code"]
    api.post("stock", kind=shop.brass, count=2, at=ago(days=6))
    nozzle = api.post("fittings", toolhead=shop.toolhead, kind=shop.brass, at=ago(days=5))
    api.post(f"spools/{code}/move", place=shop.shelf, at=ago(days=4))
    small = {"mass_g": 150, "hours": 6, "nozzle_c": 265, "bed_c": 80}

    def readiness():
        verdict = api.get("readiness", toolhead=shop.toolhead, spool=code, **small)
        return verdict["state"], {check["name"]: check for check in verdict["checks"]}

    state, checks = readiness()
    assert state == "hold"
    assert checks["moisture"]["state"] == "hold" and checks["moisture"]["remedy"]

    plan = api.get(f"spools/{code}/drying-plan", dryer=shop.dryer)
    assert plan["reachable"] and plan["set_point_c"] <= plan["cap"]["cap_c"]
    too_hot = plan["cap"]["cap_c"] + 1
    run = {"spools": [{"spool": code}], "dryer": shop.dryer}
    assert "set_point_c" in api.refused("drying-runs", **run, set_point_c=too_hot)
    [started] = api.post(
        "drying-runs",
        **run,
        set_point_c=plan["set_point_c"],
        planned_hours=plan["hours"],
        at=ago(hours=max(60, plan["hours"])),
    )
    assert readiness()[0] == "hold"  # it is in the dryer
    api.post(f"drying-runs/{started['id']}/finish", status=200, place=shop.dry_box, at=ago(hours=20))
    state, checks = readiness()
    assert checks["moisture"]["state"] == "caution"  # it would drink while it prints in the room's air
    api.patch(f"places/{shop.printer_place}", assumed_rh_pct=12)  # a cabinet with desiccant
    state, checks = readiness()
    assert checks["moisture"]["state"] == "clear"

    loading = api.post(
        f"spools/{code}/load",
        toolhead=shop.toolhead,
        at=ago(hours=19),
        override_reason="the hardened nozzle is in the post",
    )
    assert loading["spool"] == code
    job = {"toolhead": shop.toolhead, "spool": code, "override_reason": "as above"}
    first = api.post("jobs", **job, **small, name="bracket", start=ago(hours=18))
    assert {"abrasion"} <= {check["name"] for check in first["reasons"] if check["state"] != "clear"}
    assert api.get(f"spools/{code}")["remaining"]["mass_g"] < 900
    life = api.get(f"parts/{nozzle['part']}")["life_left"]
    assert life["age"] > 0

    new = api.post("fittings/replace", toolhead=shop.toolhead, role="nozzle", kind=shop.brass)
    assert api.get(f"parts/{new['part']}")["life_left"]["age"] == 0
    assert api.get(f"part-kinds/{shop.brass}")["in_stock"] == 0
    assert api.get(f"parts/{nozzle['part']}")["fitting"] is None
