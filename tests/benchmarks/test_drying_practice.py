"""The page that compares drying plans with the practice of the trade: as generated, and without gaps."""

import pytest

from benchmarks import drying_practice
from benchmarks.drying_practice import Compared, Practice, compare_all, load_practices, render_page
from spools.drying.options import LONGEST_WHOLE_H


@pytest.fixture(scope="module")
def plans() -> dict[str, Compared]:
    """The plan of each polymer beside its practice."""
    return {compared.practice.polymer: compared for compared in compare_all()}


def test_the_committed_page_is_the_generated_one(plans):
    """After a change of the physics or the catalogue: python -m benchmarks.drying_practice."""
    assert drying_practice.PAGE.read_text(encoding="utf-8") == render_page(list(plans.values()))


@pytest.mark.parametrize("polymer", [practice.polymer for practice in load_practices()])
def test_each_plan_takes_about_as_long_as_practice_or_the_page_gives_the_reason(plans, polymer):
    compared = plans[polymer]
    assert compared.agrees or compared.practice.reason
    if compared.practice.low_h is not None:
        assert compared.hours is not None or compared.turns is not None


def test_polymers_that_water_softens_and_soft_ones_have_usable_plans(plans):
    for polymer in ("PVA", "BVOH", "PVB"):
        compared = plans[polymer]
        hours = compared.hours if compared.turns is None else compared.turns.total
        assert 4 <= hours <= LONGEST_WHOLE_H


@pytest.mark.parametrize(
    ("hours", "ratio"), [(None, None), (2, 0.5), (4, 1), (6, 1), (8, 1), (16, 2), (0, 0)]
)
def test_the_ratio_is_1_within_practice(hours, ratio):
    assert Practice("PETG", 60, 65, 4, 8, "").ratio(hours) == ratio
    assert Practice("PVA", 45, 60, 8, None, "").ratio(100) == 1
    assert Practice("PP", None, None, None, None, "").ratio(hours) is None
