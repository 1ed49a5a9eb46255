from datetime import timedelta
from io import StringIO

import pytest
from django.core.exceptions import ValidationError
from django.core.management import call_command
from hypothesis import given, settings
from hypothesis import strategies as st

from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.models import Job, Loading, WearEntry
from maintenance.parts.fitting import replace_part
from maintenance.parts.wear_entries import rebuild_wear
from spools.facts import withdraw
from spools.invalidation import save_assumptions
from spools.inventory.ledger import remaining
from spools.inventory.moves import move_spool
from spools.inventory.receipts import correct_receipt
from spools.models import Feedstock, MassEntry
from spools.moisture.state import moisture_now
from spools.statements import Statement
from tests.maintenance.conftest import PRINT, life_left
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive


@pytest.fixture
def loaded(shop, plain):
    load_spool(shop.north, plain, at=hours_ago(30), override_reason="a test")
    return plain


def record(shop, spool, **values) -> Job:
    given = {"toolhead": shop.north, "spool": spool, "start": hours_ago(12), "override_reason": "a test"}
    return record_job(**(given | PRINT | values))


def wear() -> dict:
    return {
        (row.part_id, row.use_id): (row.dose_km, row.feed_km, row.hot_h, row.mass_g)
        for row in WearEntry.objects.all()
    }


def test_a_job_takes_grams_and_wears_every_fitted_part(shop, loaded):
    created = record(shop, loaded, by=shop.user)
    assert remaining(loaded).mass_g == pytest.approx(950)
    assert created.printer == shop.north.printer and created.recorded_by == shop.user
    assert {row.part.kind.role for row in WearEntry.objects.all()} == {"nozzle", "gears", "liner"}
    assert {check["name"] for check in created.reasons} >= {"moisture", "quantity", "abrasion"}
    entry = MassEntry.objects.get(kind="printed")
    assert (entry.at, entry.net_change_g, entry.cause) == (
        created.start,
        -50,
        Statement("cause.job", {"job": created.pk, "name": "bracket"}),
    )


def test_a_hard_filler_on_brass_needs_a_reason_and_wears_faster(shop, loaded, filled):
    plain_job = record(shop, loaded)
    unload_spool(loaded.loadings.get(), shop.box, at=hours_ago(10))
    with refuses("on_hold", "override_reason", names=["340 HV", "126 HV", "105 HV"]):
        load_spool(shop.north, filled, at=hours_ago(9))
    load_spool(shop.north, filled, at=hours_ago(9), override_reason="the steel one is in the post")
    job = record(shop, filled, start=hours_ago(8), override_reason=" ")
    assert (job.state, job.override_reason) == ("hold", "")
    doses = [
        WearEntry.objects.get(part__kind=shop.brass, use__job=created).dose_km for created in (plain_job, job)
    ]
    assert doses[1] > 40 * doses[0]


def test_a_withdrawn_job_was_never_recorded(shop, loaded):
    record(shop, loaded, start=hours_ago(20))
    before = wear(), remaining(loaded), moisture_now(loaded).mean_pct
    parts = [fitting.part for fitting in shop.north.fittings.all()]
    ages = {pk: (left.age, left.median_left) for pk, left in life_left(parts).items()}
    created = record(shop, loaded, mass_g=300)
    assert wear() != before[0] and remaining(loaded) != before[1]
    withdrawn = withdraw(created, reason="wrong spool", by=shop.user)
    assert wear() == before[0]
    amount = remaining(loaded)
    assert (amount.mass_g, amount.low_g, amount.high_g) == (
        before[1].mass_g,
        before[1].low_g,
        before[1].high_g,
    )
    assert {pk: (left.age, left.median_left) for pk, left in life_left(parts).items()} == ages
    assert moisture_now(loaded).mean_pct == pytest.approx(before[2], rel=1e-3)
    entry = withdrawn.uses.get().entry
    for fact in (withdrawn, entry):
        assert (fact.withdrawn_by, fact.withdrawn_reason) == (shop.user, "wrong spool")
    with refuses("not_a_weighing"):
        withdraw(record(shop, loaded).uses.get().entry, reason="a mistake")


def test_a_job_is_withdrawn_once_and_with_a_reason(shop, loaded):
    created = record(shop, loaded)
    with refuses("text_length", "reason", names=["1", "300"]):
        withdraw(created, reason="  ")
    withdraw(created, reason="a mistake")
    with refuses("withdrawn_already"):
        withdraw(created, reason="again")
    assert remaining(loaded).mass_g == pytest.approx(1000)


def test_wear_is_counted_again_when_a_material_is_edited(shop, loaded, filled):
    unload_spool(loaded.loadings.get(), shop.box, at=hours_ago(10))
    load_spool(shop.north, filled, at=hours_ago(9), override_reason="a test")
    record(shop, filled, start=hours_ago(8))
    nozzle = WearEntry.objects.filter(part__kind__role="nozzle")
    before = nozzle.get().dose_km
    filler = filled.feedstock.filler
    filler.hardness_hv, filler.hardness_low_hv, filler.hardness_high_hv = 60, 50, 70
    save_assumptions(filler)
    softer = nozzle.get().dose_km
    assert softer < before / 5
    feedstock = Feedstock.objects.get(pk=filled.feedstock_id)
    feedstock.filler_mass_fraction /= 2
    save_assumptions(feedstock)
    assert nozzle.get().dose_km < softer
    assert rebuild_wear() == []


def test_wear_is_rebuilt_from_jobs_and_fittings_to_the_same(shop, loaded):
    record(shop, loaded, start=hours_ago(20))
    replace_part(shop.north, "nozzle", shop.steel, at=hours_ago(15))
    withdraw(record(shop, loaded, start=hours_ago(14)), reason="a mistake")
    record(shop, loaded)
    stored = wear()
    assert rebuild_wear() == []
    assert wear() == stored
    WearEntry.objects.filter(part__kind=shop.gears).delete()
    WearEntry.objects.filter(part__kind=shop.steel).update(dose_km=9)
    text = StringIO()
    call_command("rebuild", stdout=text)
    assert "1 spools rebuilt, 0 changed." in text.getvalue()
    assert "Wear counted again, 3 changed." in text.getvalue()
    assert wear() == stored


REFUSED = {
    "more than it holds": ({"mass_g": 1500}, "mass_g"),
    "negative grams": ({"mass_g": -1}, "mass_g"),
    "no number": ({"mass_g": float("nan")}, "mass_g"),
    "negative hours": ({"hours": -2}, "hours"),
    "a year of printing": ({"hours": 8760}, "hours"),
    "as hot as the sun": ({"nozzle_c": 5500}, "nozzle_c"),
    "a frozen bed": ({"bed_c": -20}, "bed_c"),
    "tomorrow": ({"start": hours_ago(-24)}, "start"),
    "before it was loaded": ({"start": hours_ago(40)}, "spool"),
    "before the spool came": ({"start": hours_ago(24 * 40)}, "start"),
    "without a name": ({"name": " "}, "name"),
    "a name that is too long": ({"name": "x" * 121}, "name"),
    "an endless reason": ({"override_reason": "x" * 301}, "override_reason"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_a_job_that_cannot_be_is_refused_and_nothing_is_stored(shop, loaded, what):
    values, field = REFUSED[what]
    with pytest.raises(ValidationError) as refused:
        record(shop, loaded, **values)
    assert field in refused.value.message_dict
    assert not Job.objects.exists() and not WearEntry.objects.exists()
    assert remaining(loaded).mass_g == pytest.approx(1000)


def test_a_job_needs_its_spool_on_that_toolhead_then(shop, loaded):
    other = receive(shop.pla, shop.box)
    for spool, values in [(other, {}), (loaded, {"toolhead": shop.south})]:
        with refuses("not_loaded_then"):
            record(shop, spool, **values)


def test_a_spool_that_was_carried_away_printed_nothing_since(shop, loaded):
    move_spool(loaded, shop.shelf, at=hours_ago(6))
    record(shop, loaded, start=hours_ago(7))
    with refuses("not_loaded_then"):
        record(shop, loaded, start=hours_ago(5))


def test_a_job_of_a_spool_that_came_off_since_is_recorded_late(shop, loaded):
    unload_spool(loaded.loadings.get(), shop.box, at=hours_ago(5))
    assert record(shop, loaded, start=hours_ago(8)).start == hours_ago(8)
    with refuses("not_loaded_then"):
        record(shop, loaded, start=hours_ago(4))


@settings(max_examples=5)
@given(st.lists(st.tuples(st.floats(1, 60), st.floats(0.1, 4), st.booleans()), max_size=5))
def test_the_use_of_parts_is_the_sum_of_valid_jobs(shop, loaded, jobs):
    for job in Job.objects.filter(withdrawn_at=None):
        withdraw(job, reason="another turn")
    for n, (mass_g, hours, withdrawn) in enumerate(jobs):
        created = record(
            shop, loaded, mass_g=mass_g, hours=hours, start=hours_ago(29) + n * timedelta(hours=5)
        )
        if withdrawn:
            withdraw(created, reason="a mistake")
    standing = [(mass_g, hours) for mass_g, hours, withdrawn in jobs if not withdrawn]
    left = {of.part.kind.role: life_left([of.part])[of.part_id] for of in shop.north.fittings.all()}
    assert left["liner"].age == pytest.approx(sum(hours for _, hours in standing))
    assert left["gears"].age == pytest.approx(sum(mass_g for mass_g, _ in standing) * 0.335e-3, rel=0.01)
    assert remaining(loaded).mass_g == pytest.approx(1000 - sum(mass_g for mass_g, _ in standing))
    assert rebuild_wear() == []


def test_a_spool_that_was_carried_away_is_on_no_toolhead(shop, loaded):
    assert Loading.objects.present().count() == 1
    move_spool(loaded, shop.shelf)
    assert not Loading.objects.present()


def test_another_feedstock_of_a_spool_wears_the_parts_otherwise(shop, loaded):
    record(shop, loaded)
    before = wear()
    correct_receipt(loaded, feedstock=shop.carbon, reason="the wrong row")
    assert {key: row[3] for key, row in wear().items()} == {key: row[3] for key, row in before.items()}
    assert wear() != before and rebuild_wear() == []
    correct_receipt(loaded, feedstock=shop.pla, reason="it was right")
    assert wear() == before
