"""Coupon tests: a heated loop of the filament itself shows how hot its winding may get, better than a table.

fixtures/reference/README.md, what caps the drying temperature: a 10 cm loop with touching turns, 1 h at the
planned temperature; passed when the turns part freely and show no flats. It speaks of the winding alone: of
no reel, no dryer, and of nothing that takes longer than its hour, such as the oxidation of a polyamide.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from spools import limits
from spools.catalogue.values import material_values, softened_by_water
from spools.checks import require_past_time, require_within
from spools.facts import follows_withdrawal
from spools.invalidation import invalidate_advice
from spools.models import CouponTest, Feedstock
from spools.refusals import refusal
from spools.wording import format_temperature

# The distance that a winding keeps below the temperature at which a coupon stuck. Common practice, no source.
BELOW_FAILED_K = 5.0
# No coupon passes hotter than this: grades soften some kelvin apart, but a good deal above its softening
# point an amorphous polymer welds within the hour, and near its melting point any does. Common practice, no
# source.
ABOVE_SOFTENING_K, BELOW_MELTING_K = 15.0, 30.0


@transaction.atomic
def record_coupon_test(
    feedstock: Feedstock,
    *,
    temperature_c: float,
    passed: bool,
    at: datetime | None = None,
    by: Any = None,
) -> CouponTest:
    """Records the result of a coupon test.

    Refused: an impossible temperature or time, a pass hotter than the polymer can bear.
    """
    temperature_c = require_within("temperature_c", temperature_c, *limits.COUPON_C)
    hottest_c = hottest_pass_c(feedstock)
    if passed and temperature_c > hottest_c:
        raise refusal(
            "above_softening",
            _(
                "A coupon of {polymer} cannot pass at {temperature}: it softens before {hottest}. Look at the number; "
                "where the data sheet names a higher softening point, give that to the feedstock first."
            ).format(
                polymer=feedstock.polymer,
                temperature=format_temperature(temperature_c),
                hottest=format_temperature(hottest_c),
            ),
            "temperature_c",
        )
    # One test at a time, so that the summary misses none.
    Feedstock.objects.select_for_update(no_key=True).get(pk=feedstock.pk)
    test = CouponTest.objects.create(
        feedstock=feedstock,
        temperature_c=temperature_c,
        passed=passed,
        at=require_past_time(at),
        recorded_by=by,
    )
    _summarise(feedstock)
    return test


def _lock_feedstock(test: CouponTest) -> None:
    Feedstock.objects.select_for_update(no_key=True).get(pk=test.feedstock_id)


@follows_withdrawal(CouponTest, prepare=_lock_feedstock)
def summarise_without(test: CouponTest) -> None:
    """Caps of the drying temperature no longer heed the test."""
    _summarise(test.feedstock)


def hottest_pass_c(feedstock: Feedstock) -> float:
    """The highest temperature of a credible pass, °C; for a polymer that water softens, of the dry polymer."""
    polymer = feedstock.polymer
    softens_c = material_values(feedstock).softening_c
    if feedstock.softening_c is None and softened_by_water(polymer) and polymer.tg_c is not None:
        softens_c = polymer.tg_c
    hottest_c = softens_c + ABOVE_SOFTENING_K
    return hottest_c if polymer.tm_c is None else min(hottest_c, polymer.tm_c - BELOW_MELTING_K)


@transaction.atomic
def rebuild() -> list[str]:
    """Summarises all coupon tests again. Returns the changes in words; there should be none."""
    tested = Feedstock.objects.select_related("maker").select_for_update(no_key=True, of=("self",))
    return [f"{feedstock}: other limits by coupon tests." for feedstock in tested if _summarise(feedstock)]


def _summarise(feedstock: Feedstock) -> bool:
    """Stores the summary of the tests with the feedstock, where caps read it. Returns whether it changed."""
    summary = _summary_of(feedstock.coupon_tests.valid())
    was = (feedstock.coupon_passed_c, feedstock.coupon_failed_c)
    feedstock.coupon_passed_c, feedstock.coupon_failed_c = summary
    Feedstock.objects.filter(pk=feedstock.pk).update(coupon_passed_c=summary[0], coupon_failed_c=summary[1])
    if summary == was:
        return False
    invalidate_advice()
    return True


def _summary_of(tests: Iterable[CouponTest]) -> tuple[float | None, float | None]:
    """The hottest that passed and the coolest that failed, °C, of tests in the order of their times.

    A failure counts until a later test passes as hot or hotter.
    """
    passed: list[float] = []
    failed: list[float] = []
    for test in tests:
        if test.passed:
            passed.append(test.temperature_c)
            failed = [celsius for celsius in failed if celsius > test.temperature_c]
        else:
            failed.append(test.temperature_c)
    return max(passed, default=None), min(failed, default=None)
