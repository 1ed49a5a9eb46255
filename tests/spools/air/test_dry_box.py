"""Charges of desiccant, the outlook of a box, and its hygrometer."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from spools.air import dry_box_cache
from spools.air.climate import record_readings
from spools.air.dry_box import box_now, put_desiccant
from spools.facts import withdraw
from spools.inventory import moves
from spools.models import DesiccantCharge, Place
from spools.moisture import cache as moisture_cache
from spools.moisture import state as moisture_state
from tests.refusals import refuses
from tests.spools.air.conftest import NOW_H, SILICA, START, at, rh_by_hour
from tests.spools.conftest import feedstock, receive

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("clock")]


def test_a_charge_is_stored_as_it_was_put_in(computed_box):
    charge = put_desiccant(computed_box, "silica_gel", 250, condition="new", note="bag of beads")
    assert (charge.at, charge.dry_mass_g, str(charge)) == (timezone.now(), 250, "250 g of silica gel, new")
    assert str(put_desiccant(computed_box, dry_mass_g=250, at=at(5), **SILICA)) == (
        "250 g of silica gel, regenerated at 120 °C"
    )


@pytest.mark.parametrize(
    ("changes", "field", "code"),
    [
        ({"kind": "rice"}, "kind", "unknown_kind"),
        ({"condition": "dryish"}, "condition", "unknown_condition"),
        ({"dry_mass_g": -1}, "dry_mass_g", "out_of_range"),
        ({"dry_mass_g": float("nan")}, "dry_mass_g", "out_of_range"),
        ({"regenerated_c": None}, "regenerated_c", "temperature_missing"),
        ({"regenerated_c": 20}, "regenerated_c", "out_of_range"),
        ({"condition": "new"}, "regenerated_c", "not_regenerated"),
        ({"at": START + timedelta(hours=NOW_H + 5)}, "at", "in_the_future"),
        ({"at": START}, "at", "recorded_already"),
    ],
)
def test_an_impossible_charge_is_refused(charged, changes, field, code):
    given_ = {"dry_mass_g": 100, "at": at(10), **SILICA} | changes
    with refuses(code, field):
        put_desiccant(charged, **given_)
    assert DesiccantCharge.objects.count() == 1


def test_a_withdrawn_charge_is_as_if_it_had_never_been(charged, nylon, clock):
    spool = receive(nylon, charged, at=at(1))
    whole, result = rh_by_hour(charged, at(NOW_H)), moisture_state.moisture_now(spool).mean_pct
    slip = put_desiccant(charged, "clay", 80, condition="new", at=at(60))
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    assert rh_by_hour(charged, at(NOW_H)) != whole
    assert withdraw(slip, reason="a mistake").withdrawn_at == at(NOW_H)
    assert rh_by_hour(charged, at(NOW_H)) == whole
    assert moisture_state.moisture_now(spool).mean_pct == result
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    assert (moisture_cache.rebuild([spool]), dry_box_cache.rebuild()) == ([], [])
    with refuses("withdrawn_already"):
        withdraw(slip, reason="a mistake")
    put_desiccant(charged, "clay", 90, condition="new", at=at(60))


def test_desiccant_and_half_times_are_of_dry_boxes(shelf, computed_box):
    with refuses("not_a_dry_box"):
        put_desiccant(shelf, dry_mass_g=100, **SILICA)
    shelf.half_time_h = 5
    with refuses("not_a_dry_box"):
        shelf.full_clean()
    with pytest.raises(IntegrityError), transaction.atomic():
        shelf.save()
    charge = put_desiccant(computed_box, dry_mass_g=100, **SILICA)
    charge.regenerated_c = None
    with pytest.raises(IntegrityError), transaction.atomic():
        charge.save()


def test_days_until_the_limit_and_what_regenerating_does(charged, dryer):
    box = box_now(charged)
    soonest, likely, latest = box.days
    assert 0 < soonest < likely
    assert latest is None or likely < latest
    assert 0 < box.held_g < box.limit_g < 15
    assert [row.celsius for row in box.regenerated] == [120, 90]
    oven, warm = box.regenerated
    assert oven.left_pct < warm.left_pct < 3
    assert likely < warm.days <= oven.days
    assert box.air_changes_day == pytest.approx(0.504, abs=0.001)
    # 30 L x 0.5/day x 365 days x 19.4 g/m³ x (0.5 - 0.1) = 42 g a year over 0.11 kg/kg.
    assert box.needed_g == pytest.approx(380, rel=0.1)


def test_openings_shorten_the_days(charged, nylon, shelf):
    quiet = box_now(charged).days.likely
    spool = receive(feedstock("PLA"), shelf, at=at(0), net_mass_g=10)
    for hour in range(0, 140, 7):
        moves.record_excursion(spool, charged, at(hour + 1), at(hour + 2))
    assert box_now(charged).openings_day == pytest.approx(40 / (NOW_H / 24), rel=0.02)
    assert box_now(charged).days.likely < 0.7 * quiet


def test_a_box_over_its_limit_has_no_days_left(charged):
    put_desiccant(charged, "silica_gel", 100, condition="unknown", at=at(NOW_H - 3))
    box = box_now(charged)
    assert box.over_limit and box.days == (0, 0, 0)
    assert box.regenerated[0].days > 20


def test_a_leak_so_large_that_no_amount_would_do(charged, shelf):
    charged.limit_rh_pct = 1
    charged.save()
    put_desiccant(charged, "molecular_sieve", 100, condition="new", at=at(NOW_H - 3))
    assert box_now(charged).needed_g is not None
    put_desiccant(charged, "clay", 100, condition="new", at=at(NOW_H - 2))
    assert box_now(charged).needed_g is None or box_now(charged).needed_g > 3000


def measured(box: Place, rh_pct: float, hours: int = 8) -> None:
    record_readings(box, [(at(NOW_H - h), 22, rh_pct) for h in range(hours)], origin="api")


def test_the_hygrometer_overrides_the_model(charged):
    computed = box_now(charged)
    measured(charged, 7)
    box = box_now(charged)
    assert (box.rh_pct, box.measured_rh_pct) == (7, 7)
    assert box.computed_rh_pct == computed.computed_rh_pct
    assert box.held_g == pytest.approx(100 * 0.050, abs=0.3)
    assert box.days.likely < computed.days.likely
    assert box.findings == []


@pytest.mark.parametrize(("rh_pct", "kind"), [(30, "leak"), (48, "spent"), (5, None)])
def test_likely_reason_of_a_disagreement(charged, rh_pct, kind):
    measured(charged, rh_pct)
    codes = [finding.code for finding in box_now(charged).findings]
    assert codes == ([f"dry_box.{kind}"] if kind else [])


def test_a_model_near_its_limit_and_a_wetter_hygrometer_mean_spent_desiccant(charged):
    Place.objects.filter(pk=charged.pk).update(half_time_h=4, limit_rh_pct=13)
    charged.refresh_from_db()
    computed = box_now(charged).computed_rh_pct
    assert computed > 0.8 * 13
    measured(charged, computed + 12)
    (finding,) = box_now(charged).findings
    assert finding.code == "dry_box.spent"


def test_a_drier_box_than_computed(charged):
    put_desiccant(charged, "silica_gel", 100, condition="unknown", at=at(10))
    measured(charged, 8)
    (finding,) = box_now(charged).findings
    assert finding.code == "dry_box.drier"


def test_readings_from_before_a_charge_do_not_blame_it(charged):
    measured(charged, 48)
    assert box_now(charged).findings != []
    put_desiccant(charged, dry_mass_g=100, at=at(NOW_H - 2), **SILICA)
    assert box_now(charged).charge.at == at(NOW_H - 2)
    assert box_now(charged).findings == []


def test_a_charge_that_waits_for_its_hour_is_shown_at_once(charged, clock):
    measured(charged, 48)
    charge = put_desiccant(charged, "clay", 80, condition="new")
    box = box_now(charged)
    assert (box.waiting, box.findings) == (charge, [])
    clock.move_to(at(NOW_H + 1))
    box = box_now(charged)
    assert (box.charge, box.waiting) == (charge, None)


def test_a_few_hours_are_no_evidence(charged):
    measured(charged, 48, hours=4)
    assert box_now(charged).findings == []
