"""Parts that were used before they came into the records, and removals that are corrected or taken back."""

import pytest

from maintenance.models import Fitting, Part, PriorUse, StockEntry, WearEntry
from maintenance.parts.corrections import correct_removal, withdraw_removal
from maintenance.parts.fitting import fit_existing, fit_used, record_prior_use, remove_part, replace_part
from maintenance.parts.life import load_kind_lives, load_part_wear
from maintenance.parts.stock import add_stock
from maintenance.parts.wear_entries import in_stock, rebuild_wear
from spools.facts import withdraw
from tests.maintenance.conftest import as_stored, life_left
from tests.maintenance.parts.test_life import nozzle, printing  # noqa: F401  a fixture
from tests.refusals import refuses
from tests.spools.conftest import hours_ago


def lives(kind):
    return load_kind_lives([kind])[kind.pk]


def derived(kind) -> tuple:
    """All that follows from the fittings of a kind."""
    parts = load_part_wear(Part.objects.filter(kind=kind, fittings__withdrawn_at=None).distinct())
    return (
        in_stock()[kind.pk],
        lives(kind).expected(),
        {row.part.pk: (row.age, row.sound_at, row.life_left().median_left) for row in parts},
        sorted(WearEntry.objects.values_list("part", "use", "dose_km")),
    )


@pytest.fixture
def old_gears(shop, printing):  # noqa: F811
    """The gears of north came with the machine; a kilogram went through them."""
    shop.gears.life, shop.gears.life_low, shop.gears.life_high = 100, 30, 300
    shop.gears.save()
    withdraw(shop.north.fittings.get(role="gears"), reason="they were on it already")
    fitting = fit_used(shop.north, shop.gears, "unknown", at=hours_ago(299))
    printing(1000, 200)
    return fitting


def test_a_worn_part_of_unknown_age_does_not_shorten_the_life_of_its_kind(shop, old_gears):
    stated = lives(shop.gears).expected().median
    replace_part(shop.north, "gears", shop.gears, at=hours_ago(190), removal="worn")
    after = lives(shop.gears)
    assert after.expected().median == pytest.approx(stated, rel=0.02)
    assert after.count_records() == {"worn": 0, "removed": 1, "in_use": 0}
    # Recorded as new it would have made a life of 100 km one of a few.
    withdraw(old_gears.part.prior_uses.get(), reason="not so")
    assert lives(shop.gears).expected().median < stated / 10


def test_a_part_of_unknown_age_may_fail_soon_and_may_last(shop, old_gears):
    [row] = load_part_wear(Part.objects.filter(pk=old_gears.part_id))
    new = lives(shop.gears).expected()
    left = as_stored(row)
    assert left.low_left < new.low / 2 and left.median_left < 0.6 * new.median < left.high_left < new.high
    assert row.expected.used_up_by(0) == 0
    assert 0 < left.probability_used_up < 0.1


def test_known_use_counts_in_age_and_in_what_the_part_teaches(shop, printing):  # noqa: F811
    remove_part(nozzle(shop.north), removal="sound", at=hours_ago(280))
    used = fit_used(shop.north, shop.brass, "dose_km", 0.1, at=hours_ago(270))
    printing(100, 200)
    [row] = load_part_wear(Part.objects.filter(pk=used.part_id))
    assert row.age == pytest.approx(0.1675, abs=0.001) and row.sound_at == 0.1
    remove_part(used, removal="worn", at=hours_ago(190))
    record = lives(shop.brass).records[used.part_id]
    assert (record.worn, record.age) == (True, row.age)
    assert lives(shop.brass).count_records()["worn"] == 1


@pytest.mark.parametrize(("unit", "amount", "km"), [("kg", 2, 0.026), ("months", 3, 0.05)])
def test_kilograms_and_months_become_the_unit_of_its_life(shop, printing, unit, amount, km):  # noqa: F811
    remove_part(nozzle(shop.north), removal="sound", at=hours_ago(280))
    used = fit_used(shop.north, shop.brass, unit, amount, at=hours_ago(270))
    left = life_left([used.part])[used.part_id]
    assert left.age == pytest.approx(km, rel=0.05)
    printing(100, 200)
    remove_part(used, removal="worn", at=hours_ago(190))
    # Worn out at a rough age: a record with an error, not an exact life.
    record = lives(shop.brass).records[used.part_id]
    assert not record.worn and record.readings[0].share == 1
    assert lives(shop.brass).expected().median < 0.17


def test_withdrawing_a_fitting_leaves_everything_as_before(shop, printing):  # noqa: F811
    printing(100, 200)
    remove_part(nozzle(shop.north), removal="worn", at=hours_ago(150))
    before = derived(shop.brass)
    new = shop.north.fittings.create(
        part=Part.objects.create(kind=shop.brass), role="nozzle", start=hours_ago(250)
    )
    withdraw(new, reason="a slip")
    assert derived(shop.brass) == before
    fitted = replace_part(shop.south, "nozzle", shop.brass, at=hours_ago(100), removal="sound")
    assert in_stock()[shop.brass.pk] == before[0] - 1
    withdraw(fitted, reason="it was not fitted", by=shop.user)
    assert derived(shop.brass) == before
    assert not rebuild_wear()


def test_a_removal_is_taken_back(shop, printing):  # noqa: F811
    printing(100, 200)
    before = derived(shop.brass)
    off = remove_part(nozzle(shop.north), removal="worn", at=hours_ago(150), by=shop.user)
    assert off.removed_by == shop.user
    assert derived(shop.brass) != before
    again = withdraw_removal(off, reason="only looked at", by=shop.user)
    assert derived(shop.brass) == before
    assert nozzle(shop.north) == again and again.part == off.part
    off.refresh_from_db()
    assert (off.removal, off.withdrawn_reason, off.withdrawn_by) == ("worn", "only looked at", shop.user)
    assert StockEntry.objects.valid().get(fitting=again).change == -1
    printing(100, 100)
    assert not rebuild_wear()


def test_the_reason_and_the_time_of_a_removal_are_corrected(shop, printing):  # noqa: F811
    printing(100, 200)
    printing(100, 120)
    wrong = remove_part(nozzle(shop.north), removal="worn", at=hours_ago(150))
    right = correct_removal(wrong, "upgraded", at=hours_ago(100), reason="it was not worn")
    assert lives(shop.brass).count_records() == {"worn": 0, "removed": 1, "in_use": 0}
    assert life_left([right.part])[right.part_id].age == pytest.approx(0.135, abs=0.001)
    stock = in_stock()[shop.brass.pk]
    fit_existing(right.part, shop.north, at=hours_ago(50))
    withdraw(right, reason="and never there")
    assert in_stock()[shop.brass.pk] == stock


REFUSED = {
    "a removal with a successor": (
        lambda s, off: withdraw_removal(off, reason="no"),
        "role_taken_since",
        "at",
    ),
    "removed after its successor came": (
        lambda s, off: correct_removal(off, "sound", at=hours_ago(1), reason="no"),
        "role_taken_since",
        "at",
    ),
    "a removal that was none": (
        lambda s, off: withdraw_removal(nozzle(s.north), reason="no"),
        "still_fitted",
        "",
    ),
    "an age without an amount": (
        lambda s, off: record_prior_use(off.part, "kg"),
        "amount_missing",
        "prior_amount",
    ),
    "an unknown age of so much": (
        lambda s, off: record_prior_use(off.part, "unknown", 3),
        "amount_of_unknown_age",
        "prior_amount",
    ),
    "the unit of another life": (
        lambda s, off: record_prior_use(off.part, "prints", 3),
        "unknown_unit",
        "prior_unit",
    ),
    "what was taken for a fitting": (
        lambda s, off: withdraw(StockEntry.objects.get(fitting=off), reason="no"),
        "taken_for_a_fitting",
        "",
    ),
    "what is used up": (
        lambda s, off: withdraw(StockEntry.objects.get(kind=s.brass, change=6), reason="no"),
        "stock_used_since",
        "",
    ),
}


@pytest.mark.parametrize(("act", "code", "field"), REFUSED.values(), ids=REFUSED)
def test_refuses(shop, act, code, field):
    off = nozzle(shop.north)
    replace_part(shop.north, "nozzle", shop.brass, at=hours_ago(5))
    off.refresh_from_db()
    counts = Fitting.objects.count(), PriorUse.objects.count()
    with refuses(code, field):
        act(shop, off)
    assert (Fitting.objects.count(), PriorUse.objects.count()) == counts


def test_received_parts_are_withdrawn(shop):
    entry = add_stock(shop.brass, 3)
    stock = in_stock()[shop.brass.pk]
    withdraw(entry, reason="counted twice")
    assert in_stock()[shop.brass.pk] == stock - 3
