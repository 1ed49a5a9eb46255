from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from hypothesis import given
from hypothesis import strategies as st

from spools.inventory import ledger, moves
from spools.models import DryingRun, Feedstock, MassEntry, Polymer, Spool
from spools.moisture import cache as moisture_cache
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, polymer_values, receive

pytestmark = pytest.mark.django_db


def weight(kind: str, value: float, pk: int = 0) -> MassEntry:
    field = "gross_g" if kind == "weighed" else "net_change_g"
    return MassEntry(pk=pk, kind=kind, at=hours_ago(1), **{field: value})


def test_a_nominal_mass_is_believed_within_two_percent_less_what_was_printed(spool):
    ledger.take(spool, 150, at=hours_ago(9))
    ledger.take(spool, 50, at=hours_ago(8), kind="removed")
    amount = ledger.remaining(spool)
    assert (amount.mass_g, amount.low_g, amount.high_g) == pytest.approx((800, 780, 820))
    assert "no source" in amount.why[0]
    assert "200 g printed or cut off" in amount.why[1]


def test_a_weighing_starts_afresh_and_takes_off_reel_and_water(spool):
    ledger.take(spool, 150, at=hours_ago(9))
    ledger.weigh(spool, 1000, at=hours_ago(8), resolution_g=2)
    ledger.take(spool, 100, at=hours_ago(7))
    amount = ledger.remaining(spool)
    # 800 g with between none and 2.8 % of water (nylon at 50 % RH), scale 2 g, reel known.
    assert amount.mass_g == pytest.approx(800 / 1.014 - 100)
    assert amount.low_g == pytest.approx(798 / 1.028 - 100)
    assert amount.high_g == pytest.approx(802 - 100)
    assert any("Water not known" in line for line in amount.why)


def test_a_weighing_that_closes_a_drying_run_knows_its_water(spool, dryer):
    entry = ledger.weigh(spool, 1000, at=hours_ago(2))
    DryingRun.objects.create(
        spool=spool,
        dryer=dryer,
        set_point_c=75,
        start_cap_c=80,
        cap_c=80,
        planned_hours=12,
        target_pct=0.5,
        start=hours_ago(20),
        end=hours_ago(2),
        after=entry,
    )
    assert ledger.remaining(spool).mass_g == pytest.approx(800 / 1.0025)


def test_an_unweighed_reel_widens_the_band(pla, shelf):
    known = receive(pla, shelf, net_mass_g=None, gross_g=1200)
    assumed = receive(pla, shelf, net_mass_g=None, gross_g=1200, core_mass_known=False)
    unknown = receive(pla, shelf, net_mass_g=None, gross_g=1200, core_mass_g=None)
    amounts = ledger.remaining_by_spool([known, assumed, unknown])
    widths = [amounts[spool.pk].high_g - amounts[spool.pk].low_g for spool in (known, assumed, unknown)]
    assert widths == pytest.approx([1000 + 1 - 999 / 1.0038, 1021 - 979 / 1.0038, 1061 - 939 / 1.0038])


def test_what_the_spool_surely_does_not_hold_is_refused(spool):
    ledger.take(spool, 1019, at=hours_ago(9))
    with pytest.raises(ValidationError, match="holds at most 1 g"):
        ledger.take(spool, 2, at=hours_ago(8))
    assert spool.mass_entries.count() == 2
    assert ledger.remaining(spool).mass_g == 0


def test_a_late_job_must_fit_between_the_weighings_around_it(spool):
    ledger.take(spool, 600, at=hours_ago(5))
    with pytest.raises(ValidationError, match="holds at most 420 g"):
        ledger.take(spool, 500, at=hours_ago(9))
    ledger.weigh(spool, 700, at=hours_ago(4))
    ledger.take(spool, 400, at=hours_ago(9))
    assert ledger.remaining(spool).mass_g == pytest.approx(500 / 1.014)


@pytest.mark.parametrize("mass_g", [0, -5, 10_001, float("nan"), float("inf"), "much", None])
def test_absurd_masses_are_refused(spool, mass_g):
    for attempt in (lambda: ledger.take(spool, mass_g, at=hours_ago(1)), lambda: ledger.weigh(spool, mass_g)):
        with pytest.raises(ValidationError, match=r"Give a number between|less than the empty reel"):
            attempt() if mass_g != 10_001 else ledger.weigh(spool, 10_300)
    assert spool.mass_entries.count() == 1


def test_less_than_the_empty_reel_is_refused(spool):
    with refuses("below_reel_mass"):
        ledger.weigh(spool, 198)
    ledger.weigh(spool, 199)
    assert ledger.remaining(spool).mass_g == 0


def test_facts_before_the_spool_came_or_in_the_future_are_refused(spool):
    for at in (spool.received_at - timedelta(seconds=1), hours_ago(-1)):
        for attempt in (
            lambda at=at: ledger.take(spool, 5, at=at),
            lambda at=at: ledger.weigh(spool, 900, at=at),
        ):
            with pytest.raises(ValidationError, match="Give a"):
                attempt()
    assert spool.mass_entries.count() == 1


def cancel(printed):
    """Withdraws printed grams as their job does."""
    ledger.withdraw_printed(printed, MassEntry(withdrawn_reason="never started"))


def test_grams_of_a_withdrawn_job_come_back_even_across_a_weighing(spool):
    printed = ledger.take(spool, 100, at=hours_ago(9))
    ledger.weigh(spool, 1000, at=hours_ago(5))
    cancel(printed)
    assert ledger.remaining(spool).mass_g == pytest.approx(800 / 1.014)


def test_grams_that_came_back_are_not_counted_twice_by_a_weighing_of_the_same_minute(spool):
    when = hours_ago(9)
    printed = ledger.take(spool, 100, at=when)
    ledger.weigh(spool, 1000, at=when)
    weighed = ledger.remaining(spool).mass_g
    cancel(printed)
    assert ledger.remaining(spool).mass_g == weighed
    moisture_cache.advance([spool])
    assert ledger.remaining(spool).mass_g == pytest.approx(weighed, abs=15)


def test_an_empty_spool_holds_nothing(spool):
    moves.mark_empty(spool)
    amount = ledger.remaining(spool)
    assert (amount.low_g, amount.high_g) == (0, 0)
    with refuses("spool_empty"):
        ledger.take(spool, 1)


def test_thirty_spools_take_as_few_queries_as_one(pla, shelf, django_assert_num_queries):
    spools = [receive(pla, shelf) for _ in range(30)]
    with django_assert_num_queries(4):
        assert len(ledger.remaining_by_spool(spools)) == 30


@given(
    core_g=st.floats(0, 500),
    core_known=st.booleans(),
    received_g=st.floats(1, 3000),
    facts=st.lists(st.tuples(st.sampled_from(["printed", "weighed"]), st.floats(1, 3000))),
)
def test_bounds_enclose_the_likely_mass_and_a_return_undoes_a_print(core_g, core_known, received_g, facts):
    feedstock = Feedstock(polymer=Polymer(**polymer_values("PA6")))
    spool = Spool(feedstock=feedstock, core_mass_g=core_g, core_mass_known=core_known)
    entries = [weight("received", received_g)]
    entries += [weight(kind, mass_g if kind == "weighed" else -mass_g) for kind, mass_g in facts]
    amount = ledger.amount(spool, entries, {})
    assert 0 <= amount.low_g <= amount.mass_g <= amount.high_g
    printed = ledger.amount(spool, [*entries, weight("printed", -1)], {})
    assert printed.mass_g <= amount.mass_g <= printed.mass_g + 1 + 1e-9
    undone = ledger.amount(spool, [*entries, weight("printed", -1), weight("returned", 1)], {})
    assert undone.mass_g == pytest.approx(amount.mass_g)


def test_a_digit_too_many_on_the_scale_is_refused(spool):
    with refuses("above_received_mass"):
        ledger.weigh(spool, 9000)
    assert not spool.mass_entries.filter(kind="weighed")
