from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spools.inventory import endings, ledger
from spools.models import DryingRun, Ensemble, Feedstock, MassEntry, Polymer, Spool
from spools.moisture import cache as moisture_cache
from spools.statements import Statement
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
    assert amount.why == [
        Statement("amount_reason.label", {"mass_g": 1000, "error_pct": 2}),
        Statement("amount_reason.printed", {"printed_g": 200}),
    ]


def test_a_weighing_starts_afresh_and_takes_off_reel_and_water(spool):
    ledger.take(spool, 150, at=hours_ago(9))
    ledger.weigh(spool, 1000, at=hours_ago(8), resolution_g=2)
    ledger.take(spool, 100, at=hours_ago(7))
    amount = ledger.remaining(spool)
    # 800 g with between none and 2.8 % of water (nylon at 50 % RH), scale 2 g, reel known.
    assert amount.mass_g == pytest.approx(800 / 1.014 - 100)
    assert amount.low_g == pytest.approx(798 / 1.028 - 100)
    assert amount.high_g == pytest.approx(802 - 100)
    assert "amount_reason.water_unknown" in [reason.code for reason in amount.why]


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


def test_more_than_the_spool_can_hold_is_refused(spool):
    ledger.take(spool, 1019, at=hours_ago(9))
    with refuses("not_enough_filament", "mass_g", names=[" 1 g", " 2 g"]):
        ledger.take(spool, 2, at=hours_ago(8))
    assert spool.mass_entries.count() == 2
    assert ledger.remaining(spool).mass_g == 0


def test_a_late_job_must_fit_between_the_weighings_around_it(spool):
    ledger.take(spool, 600, at=hours_ago(5))
    with refuses("not_enough_filament", "mass_g", names=["420 g"]):
        ledger.take(spool, 500, at=hours_ago(9))
    ledger.weigh(spool, 700, at=hours_ago(4))
    ledger.take(spool, 400, at=hours_ago(9))
    assert ledger.remaining(spool).mass_g == pytest.approx(500 / 1.014)


@pytest.mark.parametrize("mass_g", [0, -5, 10_001, float("nan"), float("inf"), "much", None])
def test_absurd_masses_are_refused(spool, mass_g):
    with refuses("out_of_range", "mass_g"):
        ledger.take(spool, mass_g, at=hours_ago(1))
    # With its reel a spool may weigh 200 g more; without any filament it weighs that.
    gross_g = 10_300 if mass_g == 10_001 else mass_g
    with refuses("below_reel_mass" if gross_g == 0 else "out_of_range", "gross_g"):
        ledger.weigh(spool, gross_g)
    assert spool.mass_entries.count() == 1


def test_less_than_the_empty_reel_is_refused(spool):
    with refuses("below_reel_mass"):
        ledger.weigh(spool, 198)
    ledger.weigh(spool, 199)
    assert ledger.remaining(spool).mass_g == 0


def test_facts_before_the_spool_came_or_in_the_future_are_refused(spool):
    before = (spool.received_at - timedelta(seconds=1), "before_receipt")
    for at, code in (before, (hours_ago(-1), "in_the_future")):
        for attempt in (
            lambda at=at: ledger.take(spool, 5, at=at),
            lambda at=at: ledger.weigh(spool, 900, at=at),
        ):
            with refuses(code, "at"):
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
    endings.end_spool(spool)
    amount = ledger.remaining(spool)
    assert (amount.low_g, amount.high_g) == (0, 0)
    with refuses("spool_ended"):
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


def entry(pk: int, kind: str, value: float, hours: float) -> MassEntry:
    changed = weight(kind, value, pk)
    changed.at = hours_ago(hours)
    return changed


def test_the_mass_of_the_winding_after_each_entry():
    spool = Spool(core_mass_g=200, received_at=hours_ago(99))
    entries = [
        entry(1, "received", 1000, 99),
        entry(2, "printed", -100, 80),
        entry(3, "weighed", 1090, 60),
        entry(4, "removed", -40, 40),
    ]
    masses = [1000, 900, 890, 850]
    assert ledger.winding_masses(spool, entries) == [
        (row.at, mass_g) for row, mass_g in zip(entries, masses, strict=True)
    ]
    # Received by its weighing: that is the mass at receipt, and nothing is counted back.
    first = entry(1, "weighed", 1210, 99)
    assert ledger.winding_masses(spool, [first, entries[1]]) == [(first.at, 1010), (entries[1].at, 910)]
    assert ledger.winding_masses(spool, []) == []


def test_the_grams_printed_before_a_weighing_leave_out_the_receipt_and_later_prints():
    entries = [
        entry(1, "received", 1000, 99),
        entry(2, "printed", -100, 80),
        entry(3, "removed", -30, 70),
        entry(4, "weighed", 1060, 60),
        entry(5, "printed", -200, 40),
        entry(6, "weighed", 850, 30),
    ]
    assert ledger.printed_before(entries[3], entries) == 130
    assert ledger.printed_before(entries[5], entries) == 330


ROW = {
    "weighings": 1,
    "filament": [0.7804, 0.8006, 0.8207],
    "water": [-0.001, 0.0102, 0.0203],
    "core": [0.1904, 0.2006, 0.2107],
    "surely": [0.7508, 0.8509],
    "printed_share": [0.853, 0.957, 1.061],
}


def assimilated(at: datetime, **values) -> Spool:
    spool = Spool(pk=1, core_mass_g=200, received_at=hours_ago(99))
    spool.feedstock = Feedstock(polymer=Polymer(**polymer_values("PA6")))
    spool.ensemble = Ensemble(spool=spool, last_at=at, divided=ROW | values)
    return spool


def test_an_assimilated_spool_has_the_amount_of_its_ensemble():
    weighed = entry(3, "weighed", 1010.4, 60)
    weighed.resolution_g = 0.5
    entries = [entry(1, "received", 1000, 99), entry(2, "printed", -130, 80), weighed]
    amount = ledger.amount(assimilated(weighed.at), entries, {})
    assert (amount.mass_g, amount.low_g, amount.high_g) == pytest.approx((800.6, 750.8, 850.9))
    together, real = (reason.values for reason in amount.why)
    assert (together["gross_g"], together["step_g"], together["weighings"]) == (1010.4, 0.5, 1)
    assert together["filament_g"] == pytest.approx([780.4, 800.6, 820.7])
    assert together["water_g"] == pytest.approx([0, 10.2, 20.3])
    assert together["core_g"] == pytest.approx([190.4, 200.6, 210.7])
    assert real == {
        "recorded_g": 130,
        "real_pct": pytest.approx(95.7),
        "real_low_pct": pytest.approx(85.3),
        "real_high_pct": pytest.approx(106.1),
    }
    later = ledger.amount(assimilated(weighed.at), [*entries, entry(4, "removed", -40, 40)], {})
    assert (later.mass_g, later.low_g, later.high_g) == pytest.approx((760.6, 710.8, 810.9))
    assert later.why == [*amount.why, Statement("amount_reason.printed", {"printed_g": 40})]
    unprinted = ledger.amount(assimilated(weighed.at), [entries[0], weighed], {})
    assert unprinted.why == amount.why[:1]


def test_no_amount_is_below_zero():
    weighed = entry(3, "weighed", 190, 60)
    nothing = [-0.002, -0.001, -0.0005]
    empty = assimilated(weighed.at, filament=nothing, surely=[nothing[0], nothing[2]])
    amount = ledger.amount(empty, [weighed], {})
    assert (amount.mass_g, amount.low_g, amount.high_g) == (0, 0, 0)
    by_weighing = ledger.amount(assimilated(hours_ago(61)), [weighed], {})
    assert (by_weighing.mass_g, by_weighing.low_g) == (0, 0)


@pytest.mark.parametrize(
    ("off_h", "weighings", "by_ensemble"),
    [(0, 2, True), (1, 2, False), (-1, 2, False), (0, 1, False), (0, 3, False), (1, 1, False)],
)
def test_an_ensemble_counts_once_it_has_assimilated_all_weighings(off_h, weighings, by_ensemble):
    entries = [entry(1, "received", 1000, 99), entry(2, "weighed", 1100, 80), entry(3, "weighed", 1010, 60)]
    spool = assimilated(entries[-1].at + timedelta(hours=off_h), weighings=weighings)
    amount = ledger.amount(spool, entries, {})
    assert (amount.mass_g == pytest.approx(800.6)) is by_ensemble
    assert (amount.why[0].values.get("weighings") == 2) is by_ensemble


@pytest.mark.parametrize("known", [True, False])
def test_the_reasons_of_a_weighing_name_mass_step_reel_and_water(known):
    spool = assimilated(hours_ago(1), weighings=0)
    spool.core_mass_known, spool.core_mass_band_g = known, 7
    weighed = entry(3, "weighed", 1010, 60)
    why = ledger.amount(spool, [weighed], {}).why
    assert (why[0].values["gross_g"], why[0].values["step_g"]) == (1010, 1)
    assert why[1].values == {"core_g": 200, "band_g": 7, "known": known}
    assert why[2] == Statement("amount_reason.water_unknown", {"most_pct": 2.8})
    dried = ledger.amount(spool, [weighed], {3: 0.25}).why
    assert dried[2] == Statement("amount_reason.dried", {"most_pct": 0.25})


def test_the_mass_at_receipt_is_counted_back_from_a_later_first_weighing():
    spool = Spool(core_mass_g=200, received_at=hours_ago(99))
    printed, weighed = entry(1, "printed", -100, 80), entry(2, "weighed", 1090, 60)
    masses = [mass_g for _, mass_g in ledger.winding_masses(spool, [printed, weighed])]
    assert masses == [990, 890, 890]


def test_the_uncertainty_of_a_reel():
    assert ledger.core_band_g(Spool(core_mass_g=200, core_mass_known=True, core_mass_band_g=0)) == 0
    assert ledger.core_band_g(Spool(core_mass_g=200, core_mass_known=True, core_mass_band_g=3)) == 3
    assert ledger.core_band_g(Spool(core_mass_g=200, core_mass_known=False, core_mass_band_g=30)) == 30
    assert ledger.core_band_g(Spool(core_mass_g=200, core_mass_known=False, core_mass_band_g=0)) == 20


def test_a_gross_mass_lies_between_the_lightest_reel_and_half_as_much_again_as_was_received(pla, shelf):
    spool = receive(pla, shelf, core_mass_known=False)
    assert ledger.core_band_g(spool) == 20
    # 200 ± 20 g of reel, on a scale with steps of 2 g.
    assert ledger.require_gross_mass(spool, 178, 2) == (178, 2)
    with refuses("below_reel_mass"):
        ledger.require_gross_mass(spool, 177.9, 2)
    # 1.5 times 1000 g on the heaviest reel.
    with refuses("above_received_mass"):
        ledger.weigh(spool, 1720.1, at=hours_ago(2))
    assert ledger.weigh(spool, 1720, at=hours_ago(1)).gross_g == 1720


def test_a_gross_mass_lies_within_the_limits_whatever_the_reel(pla, shelf):
    light = receive(pla, shelf, core_mass_g=0)
    assert ledger.require_gross_mass(light, 0, 1) == (0, 1)
    for gross_g in (0.5, 10_000):
        assert ledger.require_gross_mass(light, gross_g, 1) == (gross_g, 1)
    reel = receive(pla, shelf, core_mass_g=300, core_mass_known=False, core_mass_band_g=20)
    assert ledger.require_gross_mass(reel, 10_320, 1) == (10_320, 1)
    for spool, gross_g in ((light, -0.5), (light, 10_000.1), (reel, 10_320.1)):
        with refuses("out_of_range"):
            ledger.require_gross_mass(spool, gross_g, 1)


def test_a_print_may_use_all_that_a_spool_may_hold_and_no_more(spool):
    with refuses("not_enough_filament"):
        ledger.take(spool, 1020.1, at=hours_ago(5))
    assert ledger.take(spool, 1020, at=hours_ago(5)).net_change_g == -1020
    with refuses("unknown_kind"):
        ledger.take(spool, 1, kind="weighed")


def test_a_print_at_the_time_of_a_weighing_comes_out_of_what_that_weighing_left(spool):
    at = hours_ago(5)
    ledger.weigh(spool, 700, at=at)
    with refuses("not_enough_filament"):
        ledger.take(spool, 600, at=at)
    assert ledger.take(spool, 600, at=at - timedelta(minutes=1)).net_change_g == -600
