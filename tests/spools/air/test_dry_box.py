"""Dry boxes from facts: computed air and what it rests on, rebuilt to the bit, the hygrometer's word."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.core.management import call_command
from django.db import IntegrityError, transaction
from django.utils import timezone
from hypothesis import given, settings
from hypothesis import strategies as st

from background.running import run_due
from spools import tasks
from spools.air import climate, dry_box, dry_box_cache
from spools.air.climate import record_readings
from spools.air.dry_box import box_now, put_desiccant
from spools.air.dry_box_cache import simulate_airs
from spools.drying import runs as drying_runs
from spools.drying.runs import DryingSettings
from spools.facts import withdraw
from spools.invalidation import save_assumptions
from spools.inventory import ledger, moves
from spools.inventory.corrections import save_place
from spools.models import BoxState, DesiccantCharge, Place, Polymer, Spool
from spools.moisture import cache as moisture_cache
from spools.moisture import history as moisture_history
from spools.moisture import state as moisture_state
from spools.physics import drybox
from spools.physics.air import ZERO_C, saturation_density
from tests.spools.conftest import feedstock, receive

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)
NOW_H = 150
SILICA = {"kind": "silica_gel", "condition": "regenerated", "regenerated_c": 120}


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(at(NOW_H), tick=False) as traveller:
        yield traveller


@pytest.fixture
def box(shelf):
    """30 L on the shelf at 22 °C and 50 % RH, half an air change a day, no desiccant yet."""
    return Place.objects.create(
        name="Dry box", kind="dry_box", assumed_rh_pct=15, room=shelf, volume_l=30, half_time_h=33
    )


@pytest.fixture
def charged(box):
    put_desiccant(box, dry_mass_g=100, at=at(0), **SILICA)
    return box


def rh_by_hour(place: Place, until: datetime, since: datetime = START) -> dict[datetime, float]:
    return {
        hour: rh_pct for hour, (_, rh_pct) in simulate_airs([place], since, until)[place.pk].hours.items()
    }


# Charges


def test_a_charge_is_kept_as_it_was_put_in(box):
    charge = put_desiccant(box, "silica_gel", 250, condition="new", note="bag of beads")
    assert (charge.at, charge.dry_mass_g, str(charge)) == (timezone.now(), 250, "250 g of silica gel, new")
    assert str(put_desiccant(box, dry_mass_g=250, at=at(5), **SILICA)) == (
        "250 g of silica gel, regenerated at 120 °C"
    )


@pytest.mark.parametrize(
    ("changes", "field", "says"),
    [
        ({"kind": "rice"}, "kind", "Give one of silica_gel"),
        ({"condition": "dryish"}, "condition", "Give one of new"),
        ({"dry_mass_g": -1}, "dry_mass_g", "between 0 and"),
        ({"dry_mass_g": float("nan")}, "dry_mass_g", "between 0 and"),
        ({"regenerated_c": None}, "regenerated_c", "Give the temperature"),
        ({"regenerated_c": 20}, "regenerated_c", "between 40 and 500"),
        ({"condition": "new"}, "regenerated_c", "Leave it empty"),
        ({"at": START + timedelta(hours=NOW_H + 5)}, "at", "in the future"),
        ({"at": START}, "at", "recorded already"),
    ],
)
def test_an_impossible_charge_is_refused(charged, changes, field, says):
    given_ = {"dry_mass_g": 100, "at": at(10), **SILICA} | changes
    with pytest.raises(ValidationError, match=says) as refused:
        put_desiccant(charged, **given_)
    assert field in refused.value.error_dict
    assert DesiccantCharge.objects.count() == 1


def test_a_withdrawn_charge_is_as_if_it_had_never_been(charged, nylon, clock):
    spool = receive(nylon, charged, at=at(1))
    whole, told = rh_by_hour(charged, at(NOW_H)), moisture_state.moisture_now(spool).mean_pct
    slip = put_desiccant(charged, "clay", 80, condition="new", at=at(60))
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    assert rh_by_hour(charged, at(NOW_H)) != whole
    assert withdraw(slip, reason="a mistake").withdrawn_at == at(NOW_H)
    assert rh_by_hour(charged, at(NOW_H)) == whole
    assert moisture_state.moisture_now(spool).mean_pct == told
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    assert (moisture_cache.rebuild([spool]), dry_box_cache.rebuild()) == ([], [])
    with pytest.raises(ValidationError, match="already"):
        withdraw(slip, reason="a mistake")
    put_desiccant(charged, "clay", 90, condition="new", at=at(60))


def test_desiccant_and_half_times_are_of_dry_boxes(shelf, box):
    with pytest.raises(ValidationError, match="recorded for dry boxes"):
        put_desiccant(shelf, dry_mass_g=100, **SILICA)
    shelf.half_time_h = 5
    with pytest.raises(ValidationError, match="are of dry boxes"):
        shelf.full_clean()
    with pytest.raises(IntegrityError), transaction.atomic():
        shelf.save()
    charge = put_desiccant(box, dry_mass_g=100, **SILICA)
    charge.regenerated_c = None
    with pytest.raises(IntegrityError), transaction.atomic():
        charge.save()


# The course


def test_nothing_is_computed_before_all_is_known(box):
    assert box_now(box) is None
    put_desiccant(box, dry_mass_g=100, at=at(0), **SILICA)
    assert box_now(box) is not None
    for name in ("volume_l", "half_time_h", "room"):
        incomplete = Place.objects.get(pk=box.pk)
        setattr(incomplete, name, None)
        assert box_now(incomplete) is None
        assert len(dry_box.missing(incomplete)) == 1
    put_desiccant(box, "silica_gel", 0, condition="unknown", at=at(NOW_H - 5))
    assert box_now(box) is None, "the desiccant was taken out"


def test_without_desiccant_its_air_follows_the_room(charged, shelf, nylon):
    spool = receive(nylon, charged, at=at(1), net_mass_g=1)
    put_desiccant(charged, "silica_gel", 0, condition="unknown", at=at(50))
    record_readings(shelf, [(at(60), 22, 80)], origin="hand")
    air = rh_by_hour(charged, at(NOW_H))
    assert air[at(49).replace(minute=0)] < 10
    # Half-time 33 h: the room of 80 % for 6 h, else of 50 %; what it had itself is assumed at no time.
    assert air[at(51).replace(minute=0)] == pytest.approx(50, abs=0.5)
    assert 52 < air[at(66).replace(minute=0)] < 54
    assert air[at(NOW_H).replace(minute=0)] == pytest.approx(50, abs=1)
    now = climate.climate_at(charged)
    assert now.origin == "computed" and "without desiccant since 4 Mar 2026" in now.text
    assert now.rh_pct == air[at(NOW_H).replace(minute=0)]
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    assert dry_box_cache.rebuild() == []
    assert moisture_cache.rebuild([spool]) == []


def test_the_hours_follow_the_balance_done_by_hand(charged):
    """An empty box in constant air: what leaks in is what the desiccant and the air gain, hour by hour."""
    course = simulate_airs([charged], START, at(100))[charged.pk]
    first = START.replace(hour=11, minute=0)
    assert min(course.hours) == first and len(course.hours) == 100
    vessel = course.facts.box(course.last.period.charge)
    kelvin = 22 + ZERO_C
    saturated = float(saturation_density(kelvin))
    water_kg = 0.1 * vessel.desiccant.residual(120 + ZERO_C, 0.5 * 2644.8) + 0.030 * 0.5 * saturated
    for hour in range(len(course.hours)):
        rh = vessel.rh(water_kg, kelvin)
        assert course.hours[first + timedelta(hours=hour)][1] == pytest.approx(100 * rh, rel=2e-3)
        water_kg += 0.030 * saturated * (0.5 - rh) * 0.693147 / 33


def test_readings_of_the_room_count_and_so_do_openings(charged, shelf, nylon):
    quiet = rh_by_hour(charged, at(48))
    record_readings(shelf, [(at(h), 22, 90) for h in range(10, 20)], origin="api")
    damp = rh_by_hour(charged, at(48))
    assert damp[max(damp)] > quiet[max(quiet)]
    assert damp[START.replace(hour=19, minute=0)] == quiet[START.replace(hour=19, minute=0)]
    spool = receive(feedstock("PLA"), shelf, at=at(0), net_mass_g=1, card="dry")
    for hour in range(30, 40):
        moves.record_excursion(spool, charged, at(hour), at(hour + 0.5))
    opened = rh_by_hour(charged, at(48))
    # Each of the 20 openings lets in at most half of 30 L of room air: 0.26 g of water.
    gained = simulate_airs([charged], at(40), at(48))[charged.pk].last.water_kg
    assert opened[max(opened)] > damp[max(damp)]
    record = drybox.OPENING_SHARE * 0.030 * float(saturation_density(22 + ZERO_C)) * 0.9 * 20
    assert gained < 0.1 * 0.005 + record + 0.003


def test_an_opening_counts_from_the_next_hour_on(charged, nylon, shelf):
    spool = receive(nylon, shelf, at=at(0))
    before = rh_by_hour(charged, at(60))
    moves.move_spool(spool, charged, at=at(40.1))
    after = rh_by_hour(charged, at(60))
    hour = at(40.1).replace(minute=0)
    assert after[hour] == before[hour]
    assert after[hour + timedelta(hours=1)] > before[hour + timedelta(hours=1)]


def test_a_wet_spool_wets_the_box_and_a_dried_one_does_not(charged, nylon, shelf, dryer):
    wet, dried = receive(nylon, shelf, at=at(0), sealed=False), receive(nylon, shelf, at=at(0), sealed=False)
    (run,) = drying_runs.start_drying([dried], dryer, DryingSettings(75), at=at(5))
    drying_runs.finish_drying(run, place=charged, at=at(29))
    with_dried = rh_by_hour(charged, at(NOW_H))
    moves.move_spool(wet, charged, at=at(30))
    with_both = rh_by_hour(charged, at(NOW_H))
    last = max(with_dried)
    assert with_dried[last] < 6
    assert with_both[last] > with_dried[last] + 2


def test_regenerating_starts_the_course_anew(charged):
    put_desiccant(charged, "silica_gel", 100, condition="unknown", at=at(50))
    put_desiccant(charged, dry_mass_g=100, at=at(100), **SILICA)
    course = rh_by_hour(charged, at(NOW_H))
    by_age = [course[at(h).replace(minute=0)] for h in (1, 49, 52, 99, 102)]
    assert by_age[0] < by_age[1] < by_age[2]
    assert by_age[2] == pytest.approx(50, abs=2), "how dry it was is not known: taken as spent"
    assert by_age[4] == pytest.approx(by_age[0], abs=0.3)


# Caches


def events(box: Place, shelf: Place, dryer: Place, nylon) -> None:
    spool = receive(nylon, shelf, at=at(2), card="wet")
    other = receive(nylon, box, at=at(3))
    moves.move_spool(spool, box, at=at(26.5))
    record_readings(shelf, [(at(h / 2), 21 + h / 100, 40 + h / 9) for h in range(100, 200)], origin="api")
    (run,) = drying_runs.start_drying([spool], dryer, DryingSettings(75), at=at(60))
    drying_runs.finish_drying(run, place=box, at=at(74))
    put_desiccant(box, "silica_gel", 150, condition="new", at=at(90))
    moves.record_excursion(other, shelf, at(100), at(105))


def test_continued_or_in_one_go_the_hours_are_the_same_to_the_bit(charged, shelf, dryer, nylon):
    events(charged, shelf, dryer, nylon)
    whole = rh_by_hour(charged, at(NOW_H))
    for hour in (20, 49.9, 90.5, 91, 122):
        dry_box_cache.advance(at(hour))
    assert BoxState.objects.count() == 5
    for since in (0, 70, 89, 90.9, 130):
        continued = rh_by_hour(charged, at(NOW_H), at(since))
        assert continued == {hour: rh_pct for hour, rh_pct in whole.items() if hour >= min(continued)}
        assert min(continued) <= at(since + 1)
    before = {row.at: row.memory for row in BoxState.objects.all()}
    assert dry_box_cache.rebuild() == []
    for row in BoxState.objects.all():
        assert before.get(row.at, row.memory) == row.memory


LATE_FACTS = {
    "a reading of the room": lambda p, s: record_readings(p["shelf"], [(at(60), 25, 85)], origin="file"),
    "a charge": lambda p, s: put_desiccant(p["box"], "clay", 80, condition="new", at=at(60)),
    "a spool came in": lambda p, s: moves.record_excursion(s[2], p["box"], at(60), at(65)),
    "a spool was weighed before it came in": lambda p, s: ledger.weigh(s[1], 700, at=at(1.5)),
    "a spool was received into it": lambda p, s: receive(s[1].feedstock, p["box"], at=at(60), card="wet"),
}


@pytest.mark.parametrize("fact", LATE_FACTS)
def test_a_late_fact_about_a_box_counts_for_all_spools_in_it(charged, shelf, nylon, fact):
    spools = [receive(nylon, charged, at=at(1)), *(receive(nylon, shelf, at=at(1)) for _ in range(2))]
    moves.move_spool(spools[1], charged, at=at(2))
    dry_box_cache.advance()
    moisture_cache.advance(spools)
    LATE_FACTS[fact]({"shelf": shelf, "box": charged}, spools)
    late = at(1.5) if "weighed" in fact else at(60)
    assert not BoxState.objects.filter(at__gt=late).exists()
    assert not spools[0].moisture_states.filter(at__gt=late).exists()
    dry_box_cache.advance()
    moisture_cache.advance(spools)
    assert moisture_cache.rebuild(spools) == []
    assert dry_box_cache.rebuild() == []


@pytest.mark.parametrize("corrected", ["half-time", "assumed room", "the other spool's material"])
def test_a_corrected_assumption_makes_what_was_stored_useless(charged, shelf, corrected):
    spool = receive(feedstock("PA6"), charged, at=at(1))
    receive(feedstock("PLA"), charged, at=at(2), card="wet")
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    told = moisture_state.moisture_now(spool).mean_pct
    if corrected == "half-time":
        charged.half_time_h = 2
        save_place(charged)
    elif corrected == "assumed room":
        shelf.assumed_rh_pct = 85
        save_place(shelf)
    else:
        polymer = Polymer.objects.get(name="PLA")
        polymer.w50_pct, polymer.w50_high = 3.0, 4.0
        save_assumptions(polymer)
    assert not BoxState.objects.exists() and not spool.moisture_states.exists()
    assert moisture_state.moisture_now(spool).mean_pct != told
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    assert moisture_cache.rebuild([spool]) == []
    assert dry_box_cache.rebuild() == []


@settings(max_examples=3)
@given(
    moved=st.lists(st.tuples(st.integers(2, 140), st.booleans()), max_size=3, unique_by=lambda m: m[0]),
    stops=st.lists(st.integers(1, 149), max_size=2),
)
def test_however_it_is_advanced_box_and_spool_end_the_same(charged, shelf, nylon, moved, stops):
    spool = receive(nylon, charged, at=at(1))
    guest = receive(nylon, shelf, at=at(1))
    for n, (hour, inside) in enumerate(sorted(moved)):
        moves.move_spool(guest, charged if inside else shelf, at=at(hour))
        for stop in stops[n : n + 1]:
            dry_box_cache.advance(at(stop))
            moisture_cache.advance([spool, guest], at(stop))
    dry_box_cache.advance()
    moisture_cache.advance([spool, guest])
    assert moisture_cache.rebuild([spool, guest]) == []
    assert dry_box_cache.rebuild() == []


def test_the_rebuild_command_tells_of_boxes(charged, capsys):
    dry_box_cache.advance()
    call_command("rebuild")
    assert "The air of dry boxes computed again, 0 changed" in capsys.readouterr().out
    row = BoxState.objects.last()
    row.memory = row.memory | {"water_kg": 1.0}
    row.save()
    call_command("rebuild")
    assert "Dry box: other air on" in capsys.readouterr().out


def test_the_background_work_stores_it(charged):
    tasks.queue_advances()
    run_due()
    assert BoxState.objects.filter(place=charged).count() == 6


def test_a_fact_added_while_computing_keeps_the_states_from_being_stored(charged, shelf, nylon):
    computed = dry_box_cache.compute_advance(at(NOW_H))
    receive(nylon, charged, at=at(100))
    assert dry_box_cache.store_advance(computed) == 0
    computed = dry_box_cache.compute_advance(at(NOW_H))
    record_readings(shelf, [(at(90), 22, 70)], origin="file")
    assert dry_box_cache.store_advance(computed) == 0
    assert dry_box_cache.advance() == 6


# Samples


def stored_samples(box: Place) -> dict[datetime, tuple]:
    rows = box.airs.values_list("at", "temperature_c", "rh_pct")
    return {when: tuple(row) for when, *row in rows}


def test_spools_take_the_stored_air_and_it_is_what_is_computed(charged, shelf, dryer, nylon, monkeypatch):
    events(charged, shelf, dryer, nylon)
    spools = list(Spool.objects.all())
    computed = {spool.pk: moisture_state.moisture_now(spool).mean_pct for spool in spools}
    for hour in (20, 49.9, 90.5, 91, 122):
        dry_box_cache.advance(at(hour))
    dry_box_cache.advance()
    continued = stored_samples(charged)
    hours = rh_by_hour(charged, at(NOW_H))
    assert {when: row[1] for when, row in continued.items()} == {when: hours[when] for when in continued}
    # Every quarter of a day, and the hour after each charge.
    assert len(continued) == 2 + NOW_H // 6 and at(91).replace(minute=0) in continued
    monkeypatch.setattr(dry_box_cache, "load_facts", lambda *_: pytest.fail("the box was loaded"))
    assert {spool.pk: moisture_state.moisture_now(spool).mean_pct for spool in spools} == computed
    monkeypatch.undo()
    assert dry_box_cache.rebuild() == []
    assert stored_samples(charged) == continued


def test_the_air_of_an_hour_that_is_not_over_is_not_stored(charged, shelf, clock):
    clock.move_to(datetime(2026, 3, 8, 12, 30, tzinfo=UTC))
    dry_box_cache.advance()
    assert max(stored_samples(charged)) == datetime(2026, 3, 8, 6, tzinfo=UTC)
    clock.shift(timedelta(hours=1))
    dry_box_cache.advance()
    noon = datetime(2026, 3, 8, 12, tzinfo=UTC)
    assert max(stored_samples(charged)) == noon
    record_readings(shelf, [(noon + timedelta(minutes=50), 27, 70)], origin="file")
    assert max(stored_samples(charged)) < noon
    dry_box_cache.advance()
    assert stored_samples(charged)[noon][0] == 27
    assert dry_box_cache.rebuild() == []


def test_an_assumption_that_does_not_concern_a_box_leaves_what_is_stored(charged, nylon):
    receive(nylon, charged, at=at(1))
    dry_box_cache.advance()
    rows = set(charged.airs.values_list("pk", flat=True))
    far = save_place(Place(name="Far shelf", kind="shelf"))
    far.assumed_rh_pct = 70
    save_place(far)
    assert set(charged.airs.values_list("pk", flat=True)) == rows


def test_a_correction_does_not_undo_that_a_box_was_cut_back(charged, nylon):
    read_before = Place.objects.get(pk=charged.pk)
    computed = dry_box_cache.compute_advance(at(NOW_H))
    receive(nylon, charged, at=at(100))
    read_before.limit_rh_pct = 25
    save_place(read_before)
    assert dry_box_cache.store_advance(computed) == 0


# Spools in it


def test_its_air_is_computed_where_nothing_is_read(charged, nylon):
    spool = receive(nylon, charged, at=at(1), sealed=False)
    now = climate.climate_at(charged)
    assert now.origin == "computed" and "100 g of silica gel" in now.text
    assert now.rh_pct == pytest.approx(box_now(charged).computed_rh_pct)
    told = moisture_state.moisture_now(spool)
    assert "computed from its room and desiccant" in told.why[0]
    (past,) = moisture_history.load([spool.pk], at(50), since=lambda _: at(1)).values()
    segments = list(past.segments(at(1), at(50)))
    assert {s.air.origin for s in segments} == {"computed"}
    hours = rh_by_hour(charged, at(50))
    assert all(s.air.rh_pct == hours[s.start.replace(minute=0)] for s in segments)
    # Storage is dry only when measured dry.
    assert told.exposure_hours == pytest.approx(NOW_H - 1)
    record_readings(charged, [(at(NOW_H - 1), 22, 33)], origin="hand")
    assert climate.climate_at(charged).rh_pct == 33


def test_spools_in_one_box_take_as_few_queries_as_one(charged, nylon, django_assert_max_num_queries):
    spools = [receive(nylon, charged, at=at(h)) for h in range(1, 9)]
    dry_box_cache.advance()
    moisture_cache.advance(spools)
    for some in (spools[:1], spools):
        with django_assert_max_num_queries(15):
            moisture_state.moisture_of(some)


# The outlook


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


# The hygrometer


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
def test_what_a_disagreement_points_to(charged, rh_pct, kind):
    measured(charged, rh_pct)
    assert [finding.kind for finding in box_now(charged).findings] == ([kind] if kind else [])


def test_a_model_near_its_limit_and_a_wetter_hygrometer_mean_spent_desiccant(charged):
    Place.objects.filter(pk=charged.pk).update(half_time_h=4, limit_rh_pct=13)
    charged.refresh_from_db()
    computed = box_now(charged).computed_rh_pct
    assert computed > 0.8 * 13
    measured(charged, computed + 12)
    (finding,) = box_now(charged).findings
    assert finding.kind == "spent" and "Regenerate" in finding.sentence


def test_a_drier_box_than_computed(charged):
    put_desiccant(charged, "silica_gel", 100, condition="unknown", at=at(10))
    measured(charged, 8)
    (finding,) = box_now(charged).findings
    assert finding.kind == "drier"


def test_readings_from_before_a_charge_do_not_blame_it(charged):
    measured(charged, 48)
    assert box_now(charged).findings != []
    put_desiccant(charged, dry_mass_g=100, at=at(NOW_H - 2), **SILICA)
    assert box_now(charged).charge.at == at(NOW_H - 2)
    assert box_now(charged).findings == []


def test_a_charge_that_waits_for_its_hour_is_told_at_once(charged, clock):
    measured(charged, 48)
    charge = put_desiccant(charged, "clay", 80, condition="new")
    box = box_now(charged)
    assert (box.waiting, box.findings) == (charge, [])
    clock.move_to(at(NOW_H + 1))
    box = box_now(charged)
    assert (box.charge, box.waiting) == (charge, None)


def test_a_few_hours_say_nothing(charged):
    measured(charged, 48, hours=4)
    assert box_now(charged).findings == []
