import pytest

from maintenance.models import FlowBlob, FlowCheck
from spools.models import MassEntry

from .conftest import ago

RATES = [
    {"flow_mm3_s": 1, "masses_g": [0.60, 0.60]},
    {"flow_mm3_s": 3, "masses_g": [0.57]},
    {"flow_mm3_s": 5, "masses_g": [0.55]},
    {"flow_mm3_s": 10, "masses_g": [0.51]},
]


@pytest.fixture
def asked(api, shop, receive) -> dict:
    """A check of plain PLA on the toolhead that it is loaded on since yesterday."""
    code = receive(feedstock=shop.pla)
    api.post(f"spools/{code}/load", toolhead=shop.toolhead, at=ago(days=1), override_reason="a test")
    asked = {"toolhead": shop.toolhead, "spool": code, "rates": RATES, "nozzle_c": 210}
    return asked | {"length_mm": 200, "resolution_g": 0.01, "at": ago(hours=5)}


def test_a_check_is_recorded_worked_out_and_withdrawn(api, shop, asked):
    created = api.post("flow-checks", **asked)
    losses = [rate["loss_pct"] for rate in created["result"]["rates"]]
    assert losses == pytest.approx([0, 5.0, 8.33, 15.0], abs=0.05)
    at_5, at_10 = created["result"]["usable"]
    assert at_5["low_mm3_s"] < at_5["likely_mm3_s"] < at_5["high_mm3_s"] < at_10["high_mm3_s"]
    assert created["withdrawn_at"] is None and len(created["blobs"]) == 5
    assert api.get(f"flow-checks/{created['id']}") == created
    assert api.get("flow-checks", toolhead=shop.toolhead, valid=True)["results"] == [created]
    withdrawn = api.post(f"flow-checks/{created['id']}/withdraw", status=200, reason="the other spool")
    assert withdrawn["withdrawn_reason"] == "the other spool"
    assert api.get("flow-checks", valid=True)["count"] == 0
    assert api.get("flow-checks", spool=asked["spool"])["count"] == 1
    assert api.refused(f"flow-checks/{created['id']}/withdraw", reason="again")


def heavier(rate: int, mass_g) -> list:
    return [item | ({"masses_g": [mass_g]} if n == rate else {}) for n, item in enumerate(RATES)]


WRONG = [
    ({"rates": heavier(2, 0.9)}, "masses"),
    ({"rates": heavier(0, 0)}, "masses"),
    ({"rates": heavier(2, -0.1)}, "masses"),
    ({"rates": heavier(2, "much")}, "rates.2.masses_g.0"),
    ({"rates": RATES[::-1]}, "rates"),
    ({"rates": [*RATES, RATES[-1]]}, "rates"),
    ({"rates": RATES[:2]}, "rates"),
    ({"rates": "fast"}, "rates"),
    ({"resolution_g": 0.1}, "resolution_g"),
    ({"length_mm": 1e7}, "length_mm"),
    ({"diameter_mm": 0}, "diameter_mm"),
    ({"at": ago(hours=-5)}, "at"),
    ({"spool": "AAAAAA"}, "spool"),
]


def test_checks_that_cannot_be_are_refused_and_nothing_is_stored(api, asked):
    grams = MassEntry.objects.count()
    for wrong, field in WRONG:
        [name] = api.refused("flow-checks", **(asked | wrong))
        assert name == field or name.startswith(f"{field}."), wrong
    assert (FlowCheck.objects.count(), FlowBlob.objects.count(), MassEntry.objects.count()) == (0, 0, grams)


def test_readiness_for_a_job_that_states_its_flow(api, shop, asked):
    pair = {"toolhead": shop.toolhead, "spool": asked["spool"]}
    job = {"mass_g": 20, "hours": 1, "nozzle_c": 210, "bed_c": 50}

    def flow(**more) -> list[str]:
        checks = api.get("readiness", **pair, **job, **more)["checks"]
        return [check["state"] for check in checks if check["name"] == "flow"]

    assert flow() == [] and flow(max_flow_mm3_s=9) == ["caution"]
    api.post("flow-checks", **asked)
    assert flow(max_flow_mm3_s=9) == ["hold"] and flow(max_flow_mm3_s=2) == ["clear"]
    assert api.client.get("/api/v1/readiness", pair | {"max_flow_mm3_s": 9}).status_code == 400
