import pytest
from hypothesis import given
from hypothesis import strategies as st

from spools.moisture.exposure_hours import Clock, Exposure, after, after_run, run_credit

HOURS = st.integers(0, 400).map(lambda quarter: quarter / 4)  # quarters of an hour add up exactly


def run(*stretches: tuple[Exposure, float]) -> Clock:
    clock = Clock()
    for air, hours in stretches:
        clock = after(clock, air, hours)
    return clock


def test_exposure_adds_up_and_an_unopened_bag_does_not():
    clock = run(
        (Exposure.UNOPENED, 900), (Exposure.EXPOSED, 30), (Exposure.UNOPENED, 9), (Exposure.EXPOSED, 5.5)
    )
    assert clock.exposure_hours == 35.5


def test_dry_storage_pauses_and_does_not_undo():
    assert run((Exposure.EXPOSED, 30), (Exposure.DRY, 3000), (Exposure.EXPOSED, 1)).exposure_hours == 31


# J-STD-033: five to ten times as long in dry air undoes a short exposure; ours is ten.
@pytest.mark.parametrize(
    ("exposed_h", "dry_h", "left_h"), [(2, 19.75, 2), (2, 20, 0), (12, 120, 0), (12.25, 500, 12.25)]
)
def test_a_short_exposure_is_undone_by_ten_times_as_long_in_dry_air(exposed_h, dry_h, left_h):
    assert run((Exposure.EXPOSED, exposed_h), (Exposure.DRY, dry_h)).exposure_hours == left_h


def test_dry_hours_before_another_exposure_do_not_count():
    clock = run((Exposure.EXPOSED, 1), (Exposure.DRY, 9), (Exposure.EXPOSED, 1), (Exposure.DRY, 19))
    assert clock.exposure_hours == 2
    assert after(clock, Exposure.DRY, 1).exposure_hours == 0


def test_a_drying_run_pauses_the_clock_and_counts_as_heat():
    assert run((Exposure.EXPOSED, 20), (Exposure.DRYING, 8)) == Clock(20, 0, 8)


@pytest.mark.parametrize(
    ("hours", "set_point_c", "credit"),
    [(12, 75, 1), (30, 80, 1), (6, 75, 0.5), (3, 90, 0.25), (40, 74.9, 0), (0, 80, 0)],
)
def test_a_run_resets_by_hours_and_temperature(hours, set_point_c, credit):
    assert run_credit(hours, set_point_c, needed_hours=12, needed_c=75) == credit
    assert after_run(Clock(40, 5, 9), credit) == Clock(40 * (1 - credit), 5, 9)


@given(st.lists(st.tuples(st.sampled_from(Exposure), HOURS, HOURS), max_size=8))
def test_splitting_a_stretch_changes_nothing_and_the_clock_is_never_negative(stretches):
    whole = run(*[(air, first + second) for air, first, second in stretches])
    split = run(*[(air, hours) for air, *both in stretches for hours in both])
    assert whole == split
    assert 0 <= whole.exposure_hours <= sum(a + b for air, a, b in stretches if air == Exposure.EXPOSED)
