"""The cap of a spool against the stages of a run, at their limits."""

from datetime import UTC, datetime, timedelta

import pytest

from spools.catalogue.values import material_values
from spools.drying.caps import (
    CORE_CAP_C,
    Cap,
    Limit,
    compute_cap,
    limiting_spool,
    may_join,
    require_below_cap,
    suggested_set_point_c,
)
from spools.models import DryingRun, Spool
from spools.statements import Statement
from tests.refusals import refuses
from tests.spools.conftest import feedstock, receive

START = datetime(2026, 3, 1, 8, tzinfo=UTC)


def cap(cap_c: float, start_c: float) -> Cap:
    polymer = {"polymer": "PVA"}
    drying = Limit(Statement("cap.drying", polymer), cap_c, cap_c)
    return Cap([drying], [drying, Limit(Statement("cap.wet", polymer), start_c, start_c)])


def run(set_point_c: float, first_set_point_c: float | None = None) -> DryingRun:
    first_hours = None if first_set_point_c is None else 4
    return DryingRun(
        start=START,
        set_point_c=set_point_c,
        first_set_point_c=first_set_point_c,
        first_hours=first_hours,
    )


@pytest.mark.parametrize(("set_point_c", "joins"), [(59.9, True), (60, True), (60.1, False)])
def test_a_spool_joins_a_run_up_to_its_cap(set_point_c, joins):
    assert may_join(cap(60, 60), run(set_point_c), START) is joins


@pytest.mark.parametrize(("first_c", "joins"), [(44.9, True), (45, True), (45.1, False)])
def test_a_spool_joins_the_first_stage_up_to_the_cap_of_its_start(first_c, joins):
    assert may_join(cap(60, 45), run(60, first_c), START) is joins


def test_in_the_second_stage_the_cap_of_its_start_counts_for_the_hotter_set_point():
    staged = run(60, 45)
    assert may_join(cap(60, 45), staged, START + timedelta(hours=4) - timedelta(seconds=1))
    assert not may_join(cap(60, 45), staged, START + timedelta(hours=4))
    assert may_join(cap(60, 60), staged, START + timedelta(hours=4))


def test_a_later_stage_above_the_cap_is_refused_however_cool_the_first_one_is():
    assert not may_join(cap(60, 60), run(60.1, 45), START)


@pytest.mark.parametrize("set_point_c", [20, 60])
def test_a_set_point_up_to_the_lowest_cap_is_allowed(set_point_c):
    require_below_cap([cap(80, 80), cap(60, 45)], set_point_c)


@pytest.mark.parametrize("set_point_c", [60.1, 79])
def test_a_set_point_above_the_lowest_cap_is_refused_with_that_cap(set_point_c):
    with refuses("above_cap", "set_point_c", names=["60 °C"]):
        require_below_cap([cap(80, 80), cap(60, 45)], set_point_c)


def test_two_stages_are_those_of_a_cooler_start():
    assert cap(60, 45).two_stages and not cap(60, 60).two_stages


@pytest.mark.parametrize(
    ("material", "cap_c"),
    [
        ("UNKNOWN", 60),
        ("POLYSTYRENE", 65),
        ("ABS", 80),
        ("PP", 75),
        ("PC", 115),
        ("PET", 60),
        ("PLA", 45),
        ("CARDBOARD", 70),
    ],
)
def test_each_material_of_a_reel_has_its_cap(material, cap_c):
    assert CORE_CAP_C[Spool.CoreMaterial[material]] == cap_c


@pytest.mark.parametrize("material", Spool.CoreMaterial.values)
def test_a_reel_is_named_by_its_material(spool, dryer, material):
    spool.core_material, spool.core_cap_c = material, None
    name = Statement("cap.reel", {"material": material})
    assert str(Spool.CoreMaterial(material).label) in name.sentence or "unknown" in name.sentence
    assert (name, CORE_CAP_C[Spool.CoreMaterial(material)]) in compute_cap(spool, dryer).parts


def test_each_spool_inside_lowers_the_cap_and_the_spool_itself_counts_once(spool, dryer, shelf):
    spool.core_cap_c = 58
    other = receive(spool.feedstock, shelf)
    other.core_cap_c = 55
    alone_c = compute_cap(spool, dryer).cap_c
    assert compute_cap(spool, dryer, inside=[other]).cap_c == 55
    assert compute_cap(other, dryer, inside=[spool]).cap_c == 55
    other.core_cap_c = 62
    assert compute_cap(other, dryer, inside=[spool]).cap_c == compute_cap(spool, dryer, inside=[other]).cap_c
    own = compute_cap(spool, dryer, others=[spool], inside=[spool])
    assert own.cap_c == alone_c and not [what for what, _ in own.parts if what.code == "cap.neighbour"]


def test_each_spool_that_starts_too_lowers_the_cap(spool, dryer, shelf):
    other = receive(spool.feedstock, shelf)
    spool.core_cap_c, other.core_cap_c = 58, 55
    assert compute_cap(spool, dryer, [spool, other]).cap_c == 55
    spool.core_cap_c = 52
    assert compute_cap(other, dryer, [spool, other]).cap_c == 52


def test_the_cooler_start_counts_for_those_that_start_together_alone(dryer, shelf):
    pva, petg = (receive(feedstock(name), shelf, core_material="pc") for name in ("PVA", "PETG"))
    together = compute_cap(petg, dryer, [pva])
    assert (together.start_c, together.cap_c) == (36, 60)
    # The first stage of a spool that dries there already is over, or shared.
    beside = compute_cap(petg, dryer, inside=[pva])
    assert (beside.start_c, beside.cap_c) == (60, 60)


def test_the_suggested_set_point_is_the_usual_one_or_below_the_cap_by_the_error_of_the_dryer(spool, dryer):
    usual_c = material_values(spool.feedstock).dry_set_c
    for error_c, cap_c, suggested_c in ((0, usual_c + 1, usual_c), (3, 58, 55), (3, 57.9, 54)):
        dryer.set_point_error_c, spool.core_cap_c = error_c, cap_c
        assert suggested_set_point_c(spool, dryer) == suggested_c


def test_a_coupon_that_passed_at_the_catalogues_cap_changes_nothing(pla, dryer, shelf):
    spool = receive(pla, shelf, core_material="pc")
    before = compute_cap(spool, dryer)
    spool.feedstock.coupon_passed_c = before.cap_c
    assert compute_cap(spool, dryer) == before


def test_the_limiting_spool_has_the_lowest_cap_of_those_that_start_and_those_inside(spool, dryer, shelf):
    cooler = receive(feedstock("PETG"), shelf, core_cap_c=55)
    assert limiting_spool([spool, cooler], dryer, []) == limiting_spool([cooler, spool], dryer, []) == cooler
    assert limiting_spool([spool], dryer, [cooler]) == limiting_spool([cooler], dryer, [spool]) == cooler
    # Of two with the same cap it is the one that starts cooler.
    soft = receive(feedstock("PVA"), shelf, core_cap_c=55)
    assert limiting_spool([cooler, soft], dryer, []) == limiting_spool([soft], dryer, [cooler]) == soft
