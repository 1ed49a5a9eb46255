"""Coupon tests outrank the table of the winding, and nothing else."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spools.catalogue import coupons
from spools.catalogue.coupons import record_coupon_test
from spools.drying import runs as drying_runs
from spools.drying.caps import compute_cap
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings
from spools.facts import withdraw
from spools.models import CouponTest, Feedstock, Place
from spools.statements import Statement
from tests.refusals import refuses
from tests.spools.conftest import feedstock, hours_ago, receive

pytestmark = pytest.mark.django_db


@pytest.fixture
def hot_box(shelf) -> Place:
    return Place.objects.create(name="Hot box", kind="dryer", max_set_point_c=110, room=shelf)


def cap_of(spool, dryer):
    """As the next page sees it: nothing of an earlier look is kept."""
    spool = type(spool).objects.select_related("feedstock__polymer").get(pk=spool.pk)
    return compute_cap(spool, dryer)


def coupon(of: Feedstock, celsius: float, passed: bool, hours: float = 1) -> CouponTest:
    return record_coupon_test(of, temperature_c=celsius, passed=passed, at=hours_ago(hours))


def test_a_pass_raises_the_cap_to_its_temperature_and_is_its_reason(pla, shelf, hot_box):
    spool = receive(pla, shelf, core_material="pc")
    assert cap_of(spool, hot_box).cap_c == 50
    coupon(pla, 58, True)
    raised = cap_of(spool, hot_box)
    assert (raised.cap_c, raised.start_c) == (58, 58)
    passed = Statement("cap.coupon_passed", {"polymer": "PLA", "passed_c": 58})
    assert raised.reason == Statement("cap.most", {"limit_c": 58, "part": passed.as_data()})
    coupon(pla, 70, True)
    assert cap_of(spool, hot_box).cap_c == 70
    (run,) = drying_runs.start_drying([spool], hot_box, DryingSettings(70))
    assert run.cap_c == 70


def test_one_that_passed_below_the_table_lowers_nothing(pla, shelf, hot_box):
    spool = receive(pla, shelf)
    coupon(pla, 40, True)
    assert cap_of(spool, hot_box).cap_c == 50


@pytest.mark.parametrize(("reel", "most_c", "cap_c"), [("abs", 110, 80), ("pla", 110, 45), ("pc", 62, 62)])
def test_reel_and_dryer_keep_their_limits(shelf, reel, most_c, cap_c):
    petg = feedstock("PETG")
    coupon(petg, 90, True)
    small = Place.objects.create(name="Small", kind="dryer", max_set_point_c=most_c, room=shelf)
    assert cap_of(receive(petg, shelf, core_material=reel), small).cap_c == cap_c


def test_one_that_failed_lowers_the_cap_until_a_later_one_passes_as_hot(pla, shelf, hot_box):
    spool = receive(pla, shelf, core_material="pc")
    coupon(pla, 48, False, 9)
    lowered = cap_of(spool, hot_box)
    assert lowered.cap_c == 43
    failed = Statement("cap.coupon_failed", {"polymer": "PLA", "failed_c": 48})
    assert lowered.reason == Statement("cap.most", {"limit_c": 43, "part": failed.as_data()})
    with refuses("above_cap", "set_point_c", names=["44 °C", "43 °C"]):
        drying_runs.start_drying([type(spool).objects.get(pk=spool.pk)], hot_box, DryingSettings(44))
    coupon(pla, 45, True, 8)
    assert cap_of(spool, hot_box).cap_c == 43
    coupon(pla, 48, True, 7)
    assert cap_of(spool, hot_box).cap_c == 50
    coupon(pla, 60, True, 6)
    coupon(pla, 56, False, 5)
    assert cap_of(spool, hot_box).cap_c == 51


def test_a_polyamide_still_oxidises(nylon, shelf, hot_box):
    spool = receive(nylon, shelf, core_material="pc")
    coupon(nylon, 95, True)
    assert cap_of(spool, hot_box).cap_c == 95
    coupon(nylon, 110, True)
    limited = cap_of(spool, hot_box)
    assert limited.cap_c == 100
    assert limited.part.code == "cap.oxidation"


def test_a_polymer_that_water_softens_starts_no_hotter_for_a_pass(shelf, hot_box):
    of = feedstock("PVA")
    spool = receive(of, shelf, core_material="pc")
    coupon(of, 68, True, 3)
    assert (cap_of(spool, hot_box).start_c, cap_of(spool, hot_box).cap_c) == (36, 68)
    coupon(of, 44, False, 2)
    assert (cap_of(spool, hot_box).start_c, cap_of(spool, hot_box).cap_c) == (36, 39)


def test_a_plan_stays_below_the_coupon_limit_less_the_dryers_error(pla, shelf, hot_box):
    coupon(pla, 44, False)
    plan = plan_drying(receive(pla, shelf), hot_box)
    assert plan.cap.cap_c == 39
    assert max(option.set_point_c for option in plan.options) == 34


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"temperature_c": 500}, "out_of_range"),
        ({"temperature_c": float("nan")}, "out_of_range"),
        ({"at": hours_ago(-3)}, "in_the_future"),
    ],
)
def test_impossible_tests_are_refused(pla, change, code):
    with refuses(code, *change):
        record_coupon_test(pla, **({"temperature_c": 60, "passed": True} | change))
    assert not CouponTest.objects.exists()


# polymers.csv: PLA softens at 60 °C, PVA dry at 75 (its Tg), PA6 by Vicat at 200 and melts at 222.
@pytest.mark.parametrize(("polymer", "hottest_c"), [("PLA", 75), ("PVA", 90), ("PA6", 192)])
def test_a_pass_hotter_than_the_polymer_stands_is_a_slip(polymer, hottest_c):
    of = feedstock(polymer)
    with refuses("above_softening", "temperature_c", names=[f"{hottest_c} °C"]):
        coupon(of, hottest_c + 1, True)
    assert not CouponTest.objects.exists()
    coupon(of, hottest_c, True)
    coupon(of, hottest_c + 5, False)


def test_a_withdrawn_one_no_longer_counts(pla, shelf, hot_box):
    spool = receive(pla, shelf, core_material="pc")
    slip = coupon(pla, 70, True)
    assert cap_of(spool, hot_box).cap_c == 70
    assert withdraw(slip, reason="a mistake").withdrawn_at
    assert cap_of(spool, hot_box).cap_c == 50
    assert coupons.rebuild() == []
    with refuses("withdrawn_already"):
        withdraw(slip, reason="a mistake")


def test_a_data_sheet_moves_what_a_coupon_may_pass(shelf):
    of = feedstock("PLA", softening_c=110)
    assert coupon(of, 120, True).passed


def test_summaries_can_be_rebuilt_and_survive_a_correction(pla):
    before = Feedstock.objects.select_related("maker").get(pk=pla.pk)
    coupon(pla, 58, True, 3)
    coupon(pla, 62, False, 2)
    # Somebody corrects the feedstock with what the page held before the tests.
    before.colour = "white"
    before.save()
    now = Feedstock.objects.get(pk=pla.pk)
    assert (now.colour, now.coupon_passed_c, now.coupon_failed_c) == ("white", 58, 62)
    assert coupons.rebuild() == []
    Feedstock.objects.update(coupon_passed_c=None, coupon_failed_c=40)
    assert len(coupons.rebuild()) == 1
    now.refresh_from_db()
    assert (now.coupon_passed_c, now.coupon_failed_c) == (58, 62)


@settings(max_examples=30)
@given(st.lists(st.tuples(st.integers(30, 200).map(float), st.booleans()), max_size=8))
def test_a_failure_is_outranked_only_by_a_later_pass_as_hot(rows):
    tests = [CouponTest(temperature_c=celsius, passed=passed) for celsius, passed in rows]
    passed_c, failed_c = coupons._summary_of(tests)
    assert passed_c == max((celsius for celsius, passed in rows if passed), default=None)
    standing = [
        celsius
        for n, (celsius, passed) in enumerate(rows)
        if not passed and not any(later and hot >= celsius for hot, later in rows[n + 1 :])
    ]
    assert failed_c == min(standing, default=None)
