"""The life learnt from the shop's own parts, and the evidence of a single part."""

from datetime import timedelta

import pytest
from django.core.management import call_command
from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st

from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.models import BoreReading, Fitting, Part, WearEntry
from maintenance.parts.fitting import fit_existing, fit_part, record_bore, remove_part, replace_part
from maintenance.parts.life import load_fitted_parts, load_kind_lives, load_part_wear
from maintenance.parts.stock import add_stock, save_kind
from maintenance.parts.wear_entries import rebuild_wear
from maintenance.wear.abrasion import heat_weight, in_hand
from spools.facts import withdraw
from tests.maintenance.conftest import LONG_AGO, PRINT, as_stored, kind, life_left
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive


def nozzle(toolhead) -> Fitting:
    return toolhead.fittings.get(role="nozzle", end=None)


@pytest.fixture
def printing(shop):
    """Loads a filled spool on north and returns a function that prints grams of it so many hours ago."""
    spool = receive(shop.carbon, shop.box, at=hours_ago(310), card="dry", net_mass_g=5000)
    load_spool(shop.north, spool, at=hours_ago(300), override_reason="a test")

    def wear(mass_g: float, at_h: float, **values):
        given = PRINT | {"mass_g": mass_g, "start": hours_ago(at_h), "override_reason": "a test"}
        return record_job(toolhead=shop.north, spool=spool, **(given | {"name": f"at {at_h}"} | values))

    return wear


def expected_km(shop) -> float:
    return load_kind_lives([shop.brass])[shop.brass.pk].expected().median


def test_worn_parts_teach_the_life_of_their_kind(shop, printing):
    # 100 g of it are 0.065 km. Three nozzles come off worn after that, where 0.17 was stated.
    for n in range(3):
        printing(100, 200 - 20 * n)
        replace_part(shop.north, "nozzle", shop.brass, at=hours_ago(190 - 20 * n))
    known = load_kind_lives([shop.brass])[shop.brass.pk]
    assert known.count_records() == {"worn": 3, "removed": 0, "in_use": 0}
    assert 0.06 < known.expected().median < 0.11
    low, middle, high = known.expected().typical
    assert 0.04 < low < middle < high < 0.16
    new = life_left([nozzle(shop.north).part])[nozzle(shop.north).part_id]
    assert new.median_left == pytest.approx(known.expected().median)
    reasons = {reason.code: reason.values for reason in new.why}
    assert reasons["life_reason.own_parts"]["records"]["worn"] == 3
    assert reasons["life_reason.stated"]["life"][1] == pytest.approx(0.17 * in_hand("dose_km", 0.4)[0])
    assert reasons["life_reason.stated"]["source"] == "invented for tests"


@pytest.mark.parametrize("removal", ["sound", "upgraded", "lost"])
def test_a_part_removed_for_another_reason_would_have_lasted_longer(shop, printing, removal):
    stated = expected_km(shop)
    printing(400, 200)
    replace_part(shop.north, "nozzle", shop.brass, removal=removal, at=hours_ago(190))
    assert expected_km(shop) > stated
    counts = load_kind_lives([shop.brass])[shop.brass.pk].count_records()
    assert counts == {"worn": 0, "removed": 1, "in_use": 0}


def test_a_part_in_use_teaches_the_others_and_nothing_about_itself(shop, printing):
    printing(400, 200)
    here = nozzle(shop.north).part
    stated = load_kind_lives([shop.brass])[shop.brass.pk].stated
    [own_row] = load_part_wear(Part.objects.filter(pk=here.pk))
    assert own_row.expected.median == pytest.approx(stated.median, rel=5e-3)
    assert expected_km(shop) > stated.median * 1.1


def test_a_removal_without_recorded_use_teaches_nothing(shop):
    stated = expected_km(shop)
    replace_part(shop.north, "nozzle", shop.brass, at=hours_ago(5))
    assert expected_km(shop) == stated
    assert not any(load_kind_lives([shop.brass])[shop.brass.pk].count_records().values())


def test_a_withdrawn_job_is_unlearnt(shop, printing):
    printing(100, 200)
    replace_part(shop.north, "nozzle", shop.brass, at=hours_ago(190))
    before = expected_km(shop)
    more = printing(100, 195)
    assert expected_km(shop) > before
    withdraw(more, reason="a mistake")
    assert expected_km(shop) == before


def test_a_past_time_uses_only_facts_known_then(shop, printing):
    printing(100, 200)
    replace_part(shop.north, "nozzle", shop.brass, at=hours_ago(190))
    then = load_kind_lives([shop.brass], hours_ago(195))[shop.brass.pk]
    assert then.count_records() == {"worn": 0, "removed": 0, "in_use": 1}
    assert shop.brass in [of.kind for of in load_fitted_parts([shop.north.pk], hours_ago(195))]


def test_the_date_follows_from_what_is_left_and_the_rate_of_use(shop, printing):
    printing(100, 48)
    [of] = [of for of in load_fitted_parts([shop.north.pk]) if of.kind == shop.brass]
    left = as_stored(of)
    # Fitted twenty days ago: that is what the rate is taken over, not thirty.
    assert of.per_day == pytest.approx(left.age / (LONG_AGO / 24), rel=1e-3)
    days = (left.used_up_at - of.at) / timedelta(days=1)
    assert days == pytest.approx(left.median_left / of.per_day)
    assert left.early_at < left.used_up_at
    unused = life_left([nozzle(shop.south).part])[nozzle(shop.south).part_id]
    assert unused.used_up_at is None


# Bores


def test_a_measured_bore_changes_the_life_of_its_nozzle_and_of_its_kind(shop, printing):
    part = nozzle(shop.north).part
    printing(100, 200)
    stated = load_part_wear(Part.objects.filter(pk=part.pk))[0]
    # After 0.065 km it is 0.02 mm wider, some 38 % of the way to 0.45 mm: worn out at about 0.17 km. Since
    # nobody measured it when new, that is 0.02 mm give or take 0.011.
    record_bore(part, 0.42, 0.004, "microscope", at=hours_ago(150), by=shop.user)
    measured = load_part_wear(Part.objects.filter(pk=part.pk))[0]
    assert measured.expected.median == pytest.approx(0.065 / 0.38, rel=0.25)
    assert measured.expected.high / measured.expected.low < stated.expected.high / stated.expected.low / 2
    bore, before = measured.bore(), stated.bore()
    assert bore.new_mm == 0.4 and bore.worn_mm == pytest.approx(0.45)
    assert bore.now_mm[0] < bore.now_mm[1] < bore.now_mm[2]
    assert bore.now_mm[1] == pytest.approx(0.42, abs=0.004)
    assert bore.now_mm[2] - bore.now_mm[0] < before.now_mm[2] - before.now_mm[0]
    # d - d0 = 2 kappa W for little wear.
    assert 2 * bore.kappa_um_km[1] * measured.age / 1000 == pytest.approx(0.02, abs=0.006)
    [reason] = [reason.values for reason in measured.life_left().why if reason.code == "life_reason.bore"]
    assert (reason["bore_mm"], reason["error_mm"]) == (0.42, 0.004)


def test_bores_of_others_teach_the_kind(shop, printing):
    part = nozzle(shop.north).part
    printing(100, 200)
    before = expected_km(shop)
    record_bore(part, 0.44, 0.004, "pin", at=hours_ago(150))
    assert expected_km(shop) < before


def test_a_bore_measured_before_the_first_job_is_the_new_one(shop, printing):
    part = nozzle(shop.north).part
    record_bore(part, 0.41, 0.004, "pin", at=hours_ago(250))
    printing(100, 200)
    record_bore(part, 0.42, 0.004, "pin", at=hours_ago(150))
    [of] = load_part_wear(Part.objects.filter(pk=part.pk))
    assert of.bore().new_mm == 0.41
    # 0.01 mm of 0.05 mm, so it lasts longer than one that came with 0.40 mm.
    assert of.expected.median > 0.2


def test_a_withdrawn_reading_changes_no_life(shop, printing):
    part = nozzle(shop.north).part
    printing(100, 200)
    before = life_left([part])[part.pk].median_left
    reading = record_bore(part, 0.44, 0.004, "pin", at=hours_ago(150))
    assert life_left([part])[part.pk].median_left < before
    withdraw(reading, reason="read the wrong pin")
    assert life_left([part])[part.pk].median_left == before
    for reason, code in (("again", "withdrawn_already"), (" ", "text_length")):
        with refuses(code):
            withdraw(reading, reason=reason)


BORES = {
    "no bore": (lambda s: record_bore(gears(s), 0.4, 0.01, "pin"), "no_bore", "part"),
    "far too wide": (lambda s: record_bore(nozzle(s.north).part, 4, 0.01, "pin"), "out_of_range", "bore_mm"),
    "no number": (
        lambda s: record_bore(nozzle(s.north).part, float("nan"), 0.01, "pin"),
        "out_of_range",
        "bore_mm",
    ),
    "surer than any gauge": (
        lambda s: record_bore(nozzle(s.north).part, 0.4, 0, "pin"),
        "out_of_range",
        "error_mm",
    ),
    "an unknown way": (
        lambda s: record_bore(nozzle(s.north).part, 0.4, 0.01, "by eye"),
        "unknown_method",
        "method",
    ),
    "before it was fitted": (
        lambda s: record_bore(nozzle(s.north).part, 0.4, 0.01, "pin", at=hours_ago(24 * 30)),
        "before_fitting",
        "at",
    ),
    "in the future": (
        lambda s: record_bore(nozzle(s.north).part, 0.4, 0.01, "pin", at=hours_ago(-9)),
        "in_the_future",
        "at",
    ),
}


def gears(shop) -> Part:
    return shop.north.fittings.get(role="gears").part


@pytest.mark.parametrize("what", BORES)
def test_a_bore_that_cannot_be_is_refused_and_nothing_is_stored(shop, what):
    act, code, field = BORES[what]
    with refuses(code, field), transaction.atomic():
        act(shop)
    assert not BoreReading.objects.exists()


# Units


def printers_part(shop, unit: str, role: str = "belts", **values) -> Fitting:
    created = kind(role, f"{role} by {unit}", life_unit=unit, life=100, life_low=30, life_high=300, **values)
    add_stock(created, 3, at=hours_ago(LONG_AGO))
    return fit_part(shop.north.printer, created, at=hours_ago(240))


@pytest.mark.parametrize(
    ("unit", "age"), [("hours", 6 + 4), ("prints", 2), ("days", 10)], ids=["hours", "prints", "days"]
)
def test_a_part_of_the_whole_printer_counts_its_hours_prints_and_days(shop, printing, unit, age):
    fitting = printers_part(shop, unit)
    printing(50, 200, hours=6)
    printing(50, 100, hours=4)
    left = life_left([fitting.part])[fitting.part_id]
    assert left.age == pytest.approx(age, abs=0.01)
    assert left.used_up_at is not None
    assert rebuild_wear() == []
    [of] = [of for of in load_fitted_parts([shop.north.pk]) if of.kind.role == "belts"]
    assert of.fitting.site == shop.north.printer


def test_days_pass_only_while_it_is_fitted(shop):
    fitting = printers_part(shop, "days")
    remove_part(fitting, removal="sound", at=hours_ago(120))
    assert life_left([fitting.part])[fitting.part_id].age == pytest.approx(5, abs=0.01)
    fit_existing(fitting.part, shop.south.printer, at=hours_ago(48))
    left = life_left([fitting.part])[fitting.part_id]
    assert left.age == pytest.approx(7, abs=0.01)
    [sound] = [reason.values for reason in left.why if reason.code == "life_reason.sound"]
    assert sound == {"age": pytest.approx(5, abs=0.01), "unit": "days"}


def test_a_job_of_two_spools_counts_once_for_what_both_wear(shop, printing):
    belts = printers_part(shop, "prints")
    job = printing(60, 200, hours=6)
    use = job.uses.get()
    job.uses.create(
        toolhead=shop.north,
        spool=receive(shop.pla, shop.box),
        mass_g=20,
        entry=use.entry.__class__.objects.create(
            spool=use.spool, at=job.start, kind="printed", net_change_g=-20, note="second spool"
        ),
    )
    assert rebuild_wear() != []
    for part, age in ((belts.part, 1), (shop.north.fittings.get(role="liner").part, 6)):
        assert life_left([part])[part.pk].age == pytest.approx(age)
    shares = WearEntry.objects.filter(part=belts.part).order_by("mass_g").values_list("prints", flat=True)
    assert list(shares) == pytest.approx([0.25, 0.75])


def test_a_liner_ages_faster_in_a_hotter_hot_end(shop, printing):
    created = kind("liner", "PTFE", hardness_hv=None, life_unit="hot_h", heat_reference_c=230, life=400)
    add_stock(created, 1, at=hours_ago(LONG_AGO))
    new = replace_part(shop.north, "liner", created, removal="upgraded", at=hours_ago(250))
    printing(50, 200, hours=10, nozzle_c=245)
    assert life_left([new.part])[new.part_id].age == pytest.approx(10 * heat_weight(245, 230))
    assert 20 < life_left([new.part])[new.part_id].age < 25


def test_retractions_wear_the_gears(shop, printing):
    printing(50, 200)
    part = gears(shop)
    plain = life_left([part])[part.pk].age
    printing(50, 100, retracted_m=4)
    # 4 m back and 4 m forth; carbon fibre is too soft to cut these gears, so it weighs little.
    assert life_left([part])[part.pk].age - 2 * plain == pytest.approx(0.008, rel=0.15)
    with refuses("out_of_range"):
        printing(50, 90, retracted_m=-1)


def test_a_corrected_kind_is_counted_again(shop, printing):
    printing(100, 200)
    part = nozzle(shop.north).part
    before = life_left([part])[part.pk].age
    shop.brass.bore_mm = 0.8
    save_kind(shop.brass)
    assert life_left([part])[part.pk].age == pytest.approx(before / 4)
    assert rebuild_wear() == []
    shop.brass.role = "gears"
    shop.brass.life_unit = "feed_km"
    with refuses("role_in_use"):
        save_kind(shop.brass)


WRONG_SITES = {
    "belts on a toolhead": ("belts", "north", "fits_printer"),
    "gears on a printer": ("gears", "printer", "fits_toolhead"),
    "desiccant on a printer": ("desiccant", "printer", "fits_no_machine"),
}


@pytest.mark.parametrize("what", WRONG_SITES)
def test_a_part_goes_where_it_belongs(shop, what):
    role, where, code = WRONG_SITES[what]
    lives = {"life_unit": "days" if role != "gears" else "feed_km"}
    if role == "desiccant":
        lives = {"life_unit": "", "life": None, "life_low": None, "life_high": None}
    created = kind(role, f"a {role}", **lives)
    add_stock(created, 1)
    site = shop.north if where == "north" else shop.north.printer
    with refuses(code, "kind"):
        fit_part(site, created)


# Counters


@settings(max_examples=4)
@given(
    st.lists(
        st.tuples(st.floats(5, 60), st.floats(0.5, 5), st.sampled_from(["keep", "withdraw", "correct"])),
        min_size=1,
        max_size=4,
    )
)
def test_withdrawing_and_correcting_jobs_leaves_what_was_right_from_the_start(shop, printing, jobs):
    part = nozzle(shop.north).part
    with transaction.atomic():
        ages = []
        for right_away in (True, False):
            mark = transaction.savepoint()
            for n, (mass_g, hours, what) in enumerate(jobs):
                at_h = 200 - 10 * n
                if right_away:
                    if what != "withdraw":
                        printing(mass_g, at_h, hours=hours, name=f"job {n}")
                    continue
                wrong = mass_g * 2 if what == "correct" else mass_g
                job = printing(wrong, at_h, hours=hours, name=f"job {n}")
                if what != "keep":
                    withdraw(job, reason="a slip")
                if what == "correct":
                    printing(mass_g, at_h, hours=hours, name=f"job {n}")
            assert rebuild_wear() == []
            ages.append([of.age for of in load_fitted_parts([shop.north.pk])])
            transaction.savepoint_rollback(mark)
        assert ages[0] == pytest.approx(ages[1], rel=1e-12)
    assert life_left([part])[part.pk].age == 0


def test_counters_survive_wandering_between_machines(shop, printing):
    part = nozzle(shop.north).part
    printing(100, 200)
    age = life_left([part])[part.pk].age
    remove_part(nozzle(shop.north), removal="sound", at=hours_ago(150))
    remove_part(nozzle(shop.south), removal="sound", at=hours_ago(150))
    fit_existing(part, shop.south, at=hours_ago(140))
    spool = receive(shop.carbon, shop.box, card="dry")
    load_spool(shop.south, spool, at=hours_ago(130), override_reason="a test")
    values = PRINT | {"mass_g": 100}
    record_job(toolhead=shop.south, spool=spool, start=hours_ago(120), override_reason="a test", **values)
    assert life_left([part])[part.pk].age == pytest.approx(2 * age)
    unload_spool(spool.loadings.get(), shop.box, at=hours_ago(110))
    call_command("rebuild", verbosity=0)
    assert life_left([part])[part.pk].age == pytest.approx(2 * age)


def test_learning_takes_as_many_queries_however_many_parts(shop, printing, django_assert_num_queries):
    with django_assert_num_queries(3):
        load_fitted_parts()
    printing(50, 200)
    for n in range(3):
        replace_part(shop.north, "nozzle", shop.brass, at=hours_ago(190 - n))
    with django_assert_num_queries(3):
        assert len(load_fitted_parts()) == 6
