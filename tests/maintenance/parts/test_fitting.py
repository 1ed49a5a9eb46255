import pytest
from django.db import IntegrityError, transaction

from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.models import Fitting, Part, Reminder, StockEntry, WearEntry
from maintenance.parts.fitting import fit_existing, fit_part, remove_part, replace_part
from maintenance.parts.stock import add_stock
from maintenance.parts.wear_entries import in_stock
from tests.maintenance.conftest import PRINT, life_left
from tests.refusals import refuses
from tests.spools.conftest import hours_ago


def fitted(toolhead, role: str = "nozzle") -> Fitting:
    return toolhead.fittings.get(role=role, end=None)


def everything() -> list:
    return [model.objects.count() for model in (StockEntry, Part, Fitting, WearEntry, Reminder)]


@pytest.fixture
def printed(shop, plain):
    """A job of 50 g on north, twelve hours ago."""
    load_spool(shop.north, plain, at=hours_ago(20), override_reason="a test")
    return record_job(
        toolhead=shop.north, spool=plain, start=hours_ago(12), override_reason="a test", **PRINT
    )


def test_a_part_comes_from_the_drawer(shop):
    before = in_stock()[shop.brass.pk]
    off = remove_part(fitted(shop.north), removal="worn")
    fitting = fit_part(shop.north, shop.brass, by=shop.user)
    assert in_stock([shop.brass]) == {shop.brass.pk: before - 1}
    assert fitting.part_id != off.part_id and fitting.recorded_by == shop.user
    assert life_left([fitting.part])[fitting.part_id].age == 0


def test_parts_that_were_never_in_the_drawer_are_not_counted(shop):
    StockEntry.objects.all().delete()
    assert in_stock() == {}


def test_counters_survive_moving_a_part(shop, printed):
    nozzle = fitted(shop.north).part
    age = life_left([nozzle])[nozzle.pk].age
    assert age > 0
    remove_part(fitted(shop.north), removal="sound", at=hours_ago(3))
    remove_part(fitted(shop.south), removal="upgraded", at=hours_ago(3))
    moved = fit_existing(nozzle, shop.south, at=hours_ago(2))
    assert (moved.part, moved.role) == (nozzle, "nozzle")
    left = life_left([nozzle])[nozzle.pk]
    assert left.age == age
    assert "life_reason.sound" in [reason.code for reason in left.why]
    assert left.probability_used_up < 1e-6


def test_life_left_is_a_band_in_the_unit_of_its_kind(shop, printed):
    parts = [fitting.part for fitting in shop.north.fittings.all()]
    left = {part.kind.role: life_left(parts)[part.pk] for part in parts}
    # 50 g of PLA: 16.7 m of filament, 0.321 km through 0.4 mm (checks.md: 335 m and 6.42 km a kilogram).
    assert left["gears"].age == pytest.approx(0.0168, abs=0.0001)
    assert left["nozzle"].age == pytest.approx(0.321 * 0.002, rel=0.01)
    assert left["liner"].age == 2
    assert left["nozzle"].unit == "dose_km"
    assert left["nozzle"].low_left < left["nozzle"].median_left < left["nozzle"].high_left


def test_life_left_takes_three_queries_however_many(shop, printed, django_assert_num_queries):
    parts = list(Part.objects.all())
    with django_assert_num_queries(3):
        assert len(life_left(parts)) == 6


def test_a_part_recorded_late_bears_the_jobs_since(shop, printed):
    old = fitted(shop.north).part
    new = replace_part(shop.north, "nozzle", shop.steel, at=hours_ago(15))
    left = life_left([old, new.part])
    assert left[old.pk].age == 0 and left[new.part_id].age > 0


def test_replacing_takes_the_old_one_off(shop):
    old = fitted(shop.north)
    new = replace_part(shop.north, "nozzle", shop.steel, at=hours_ago(1), by=shop.user)
    old.refresh_from_db()
    assert (old.removal, old.end) == ("worn", new.start)
    assert fitted(shop.north).part.kind == shop.steel


REFUSED = {
    "in two places": (lambda s: fit_existing(fitted(s.north).part, s.south), "fitted_elsewhere", "part"),
    "a role that is taken": (lambda s: fit_part(s.north, s.brass), "role_taken", ""),
    "a worn one again": (
        lambda s: fit_existing(remove_part(fitted(s.north), removal="worn").part, s.north),
        "part_spent",
        "part",
    ),
    "removed before it was fitted": (
        lambda s: remove_part(fitted(s.north), removal="worn", at=hours_ago(24 * 30)),
        "before_fitting",
        "at",
    ),
    "replaced before it was fitted": (
        lambda s: replace_part(s.north, "nozzle", s.brass, at=hours_ago(24 * 30)),
        "before_fitting",
        "at",
    ),
    "a removal that is none": (
        lambda s: remove_part(fitted(s.north), removal="tired"),
        "unknown_removal",
        "removal",
    ),
    "in the future": (
        lambda s: remove_part(fitted(s.north), removal="worn", at=hours_ago(-2)),
        "in_the_future",
        "at",
    ),
    "the wrong role": (lambda s: replace_part(s.north, "nozzle", s.gears), "wrong_role", "kind"),
    "replacing nothing": (
        lambda s: (remove_part(fitted(s.north), removal="sound"), replace_part(s.north, "nozzle", s.brass)),
        "nothing_fitted",
        "role",
    ),
    "fitted where one was until later": (
        lambda s: (
            remove_part(fitted(s.north), removal="sound"),
            fit_part(s.north, s.brass, at=hours_ago(9)),
        ),
        "role_taken_then",
        "at",
    ),
    "no part": (lambda s: add_stock(s.brass, 0), "part_count", "count"),
    "far too many": (lambda s: add_stock(s.brass, 10**12), "part_count", "count"),
    "more than there are": (lambda s: add_stock(s.brass, -50), "not_in_stock", "count"),
    "stock of tomorrow": (lambda s: add_stock(s.brass, 1, at=hours_ago(-24)), "in_the_future", "at"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_impossible_input_is_refused_and_nothing_is_stored(shop, what):
    act, code, field = REFUSED[what]
    before = everything()
    with refuses(code, field), transaction.atomic():
        act(shop)
    assert everything() == before
    assert fitted(shop.north).part.kind == shop.brass


def test_an_empty_drawer_gives_nothing(shop):
    add_stock(shop.brass, -in_stock()[shop.brass.pk])
    with refuses("not_in_stock"):
        replace_part(shop.north, "nozzle", shop.brass)
    assert fitted(shop.north).end is None


def test_a_part_that_is_off_is_not_taken_off_again(shop):
    fitting = remove_part(fitted(shop.north), removal="sound")
    with refuses("removed_already"):
        remove_part(fitting, removal="worn")
    assert Fitting.objects.get(pk=fitting.pk).removal == "sound"


def test_the_database_itself_lets_no_part_be_in_two_places(shop):
    there = fitted(shop.north)
    with pytest.raises(IntegrityError), transaction.atomic():
        Fitting.objects.create(part=there.part, toolhead=shop.south, role="liner", start=there.start)


def test_a_part_is_replaced_once_by_two_who_press_at_once(shop):
    old = shop.north.fittings.get(role="nozzle", end=None)
    replace_part(shop.north, "nozzle", shop.steel, old=old)
    with refuses("removed_already", names=["North T0"]):
        replace_part(shop.north, "nozzle", shop.steel, old=old)
    assert shop.north.fittings.filter(role="nozzle").count() == 2
