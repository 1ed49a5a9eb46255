"""The gate of drying runs at its limits: which stages agree, which first stage is allowed, which stay is covered."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from django.core.exceptions import ValidationError

from spools.drying import softening
from spools.drying.caps import Cap, Limit, compute_cap
from spools.drying.gate import (
    FirstStage,
    open_runs,
    require_dryer,
    require_set_point,
    stays_without_run,
    why_not_now,
)
from spools.inventory.moves import record_excursion
from spools.models import DryingRun, Place, Spool, Stay
from spools.statements import Statement
from spools.wording import format_time
from tests.refusals import codes_of, refuses
from tests.spools.conftest import feedstock, hours_ago, receive

START = datetime(2026, 3, 1, 8, tzinfo=UTC)
MINUTE_H = 1 / 60
DRYER = Place(pk=7, name="Hot box", kind="dryer")


def cap(cap_c: float, start_c: float) -> Cap:
    reel = Statement("cap.reel_stated")
    return Cap([Limit(reel, cap_c, cap_c)], [Limit(reel, start_c, start_c)])


CAP = cap(60, 60)


def after(hours: float) -> datetime:
    return START + timedelta(hours=hours)


def run(set_point_c: float, start_h: float, end_h: float | None = None, first: FirstStage | None = None):
    return DryingRun(
        dryer=DRYER,
        spool=Spool(pk=2, code="JGFNKH"),
        set_point_c=set_point_c,
        first_set_point_c=first and first.set_point_c,
        first_hours=first and first.hours,
        start=after(start_h),
        end=None if end_h is None else after(end_h),
    )


def why_not(
    beside: DryingRun, set_point_c: float, first: FirstStage | None = None, at_h: float = 0
) -> ValidationError | None:
    return why_not_now([], [CAP], set_point_c, first, after(at_h), runs=[beside], idle=[], dryer=DRYER)


def require_reason(refused: ValidationError | None, code: str, *names: str) -> None:
    """Checks the code of a refusal, and that it names these values."""
    with refuses(code, names=names):
        assert refused is not None
        raise refused


FIRST_2_H = FirstStage(45, 2)


@pytest.mark.parametrize(
    ("beside", "first", "agrees"),
    [
        # The first stage ends when the other run starts, and that run is hot at once.
        (run(55, start_h=2), FIRST_2_H, True),
        (run(55, start_h=3), FIRST_2_H, True),
        (run(55, start_h=2 - MINUTE_H), FIRST_2_H, False),
        # The other run stays in its first stage, or leaves it at another time.
        (run(45, start_h=1), FIRST_2_H, False),
        (run(55, start_h=1, first=FirstStage(45, 1)), FIRST_2_H, True),
        # A first stage as warm as that of the dryer lasts as long as that one.
        (run(55, start_h=1, first=FirstStage(45, 2)), FIRST_2_H, True),
        (run(55, start_h=1, first=FirstStage(44, 1)), FIRST_2_H, False),
        (run(56, start_h=0), None, False),
        (run(54, start_h=0), None, False),
        # The other run ends before the temperature changes, or a minute later.
        (run(45, start_h=0, end_h=2), FIRST_2_H, True),
        (run(45, start_h=0, end_h=2 + MINUTE_H), FIRST_2_H, False),
        (run(56, start_h=0, end_h=2, first=FirstStage(55, 4)), None, True),
        (run(56, start_h=0, end_h=4, first=FirstStage(55, 4)), None, True),
        (run(56, start_h=0, end_h=5, first=FirstStage(55, 4)), None, False),
        # The other run leaves its first stage when this one starts, or a minute later.
        (run(55, start_h=-4, first=FirstStage(45, 4)), None, True),
        (run(55, start_h=-4, first=FirstStage(45, 4 + MINUTE_H)), None, False),
    ],
)
def test_two_runs_share_a_dryer_only_while_their_stages_are_the_same(beside, first, agrees):
    assert (why_not(beside, 55, first) is None) is agrees


def test_a_first_stage_ends_when_that_of_the_dryer_ends():
    staged = run(55, start_h=0, first=FirstStage(45, 4))
    assert why_not(staged, 55, FirstStage(45, 99), at_h=1.5) is None
    assert why_not(staged, 55, FirstStage(44, 3), at_h=1)
    assert why_not(staged, 55, FirstStage(45, 99), at_h=4)


def test_a_run_in_another_dryer_and_a_run_of_the_spool_itself():
    beside = run(40, start_h=0)
    arguments = {"runs": [beside], "idle": []}
    for pk in (DRYER.pk - 1, DRYER.pk + 1):
        other = Place(pk=pk, kind="dryer")
        assert why_not_now([], [CAP], 55, None, after(1), dryer=other, **arguments) is None
    own = why_not_now([beside.spool], [CAP], 40, None, after(1), dryer=DRYER, **arguments)
    require_reason(own, "drying_already", "JGF-NKH", "Hot box")


def test_a_refusal_names_the_stages_to_join():
    staged = run(55, start_h=0, first=FirstStage(45, 4))
    changed = format_time(after(4))
    require_reason(why_not(staged, 55, at_h=1), "other_stages", changed, "45", "55 °C")
    require_reason(why_not(staged, 50, at_h=5), "other_set_point", changed, "55 °C")
    require_reason(why_not(run(55, start_h=0), 50, at_h=5), "other_set_point", format_time(START), "55 °C")
    require_reason(why_not(staged, 55, FirstStage(45, 2), at_h=5), "one_stage_only", changed, "55 °C")


@pytest.mark.parametrize(
    ("cap_c", "named", "left_out"), [(54, "54 °C", "53 °C"), (55, "53 °C", "54 °C"), (56, "53 °C", "56 °C")]
)
def test_a_refusal_of_a_run_too_hot_to_join_names_the_cap_and_no_way_to_join(cap_c, named, left_out):
    caps = [cap(90, 90), cap(cap_c, 53)]
    why = why_not_now([], caps, 50, None, START, runs=[run(55, start_h=0)], idle=[], dryer=DRYER)
    require_reason(why, "too_hot_to_join", named)
    assert left_out not in " ".join(why.messages)


@pytest.mark.parametrize("kind", [kind for kind in Place.Kind if kind != Place.Kind.DRYER])
def test_a_place_of_another_kind_is_no_dryer(kind):
    with refuses("not_a_dryer"):
        require_dryer(Place(kind=kind))


def test_a_spool_in_no_use_starts_no_run():
    empty = Spool(pk=3, code="JGFNKH", ended_at=START)
    why = why_not_now([empty], [CAP], 50, None, after(1), runs=[], idle=[], dryer=DRYER)
    require_reason(why, "spool_ended", "JGF-NKH")
    in_use = Spool(pk=3, code="JGFNKH")
    assert why_not_now([in_use], [CAP], 50, None, after(1), runs=[], idle=[], dryer=DRYER) is None


def test_a_spool_that_stands_in_the_dryer_blocks_a_run_in_it_and_in_no_other():
    stay = Stay(spool=Spool(pk=3, code="JGFNKH"), place=DRYER, start=START)
    for pk, blocked in ((DRYER.pk - 1, False), (DRYER.pk, True), (DRYER.pk + 1, False)):
        why = why_not_now(
            [], [CAP], 50, None, after(1), runs=[], idle=[stay], dryer=Place(pk=pk, kind="dryer")
        )
        assert codes_of(why) == (["spool_in_dryer"] if blocked else [])


@pytest.mark.django_db
def test_a_first_stage_is_as_long_as_the_softened_polymer_needs(box, dryer):
    dryer.set_point_error_c, at = 0, hours_ago(0)
    pva = receive(feedstock("PVA"), box, net_mass_g=500, sealed=False)
    pva.code = "JGFNKH"  # what is thought possible of a spool follows from its code
    pva.save()
    (needed_h,) = softening.first_stage_hours_in([pva], dryer, 41, 55, at)
    require_set_point([pva], dryer, 55, first=FirstStage(41, needed_h), at=at)
    with refuses("first_stage_too_short") as refused:
        require_set_point([pva], dryer, 55, first=FirstStage(41, needed_h - MINUTE_H), at=at)
    # Rounded up to quarters of an hour.
    named_h = float(re.search(r"(\S+) h at 41 °C", str(refused.value))[1])
    assert named_h % 0.25 == 0 and 0 <= named_h - needed_h < 0.25


@pytest.mark.django_db
def test_a_spool_that_no_first_stage_dries_enough_names_the_longest(shelf, dryer):
    wet = receive(feedstock("PVA"), shelf, sealed=False)
    with refuses("too_soft", names=[f"{max(softening.PROBE_HOURS)} h", "36 °C"]):
        require_set_point([wet], dryer, 55, first=FirstStage(36, 400))


@pytest.mark.django_db
def test_each_spool_has_its_cap_in_the_answer(spool, pla, shelf, dryer):
    other = receive(pla, shelf)
    assert require_set_point([spool, other], dryer, 45) == {
        spool.pk: compute_cap(spool, dryer, [other]),
        other.pk: compute_cap(other, dryer, [spool]),
    }


@pytest.mark.django_db
def test_a_first_stage_is_cooler_than_the_set_point_and_up_to_the_cap_of_the_start(shelf, dryer):
    petg = receive(feedstock("PETG"), shelf, core_material="pc")
    cap_c = compute_cap(petg, dryer).cap_c
    require_set_point([petg], dryer, cap_c)
    require_set_point([petg], dryer, cap_c, first=FirstStage(cap_c - 0.1, 2))
    for first_c in (cap_c, cap_c + 0.1):
        with refuses("first_stage_hotter"):
            require_set_point([petg], dryer, cap_c, first=FirstStage(first_c, 2))
    pva = receive(feedstock("PVA"), shelf, core_material="pc", card="dry")
    require_set_point([pva], dryer, 36)
    require_set_point([pva], dryer, 36, first=FirstStage(35, 0.1))
    for set_point_c, first in ((36.1, None), (55, FirstStage(36.1, 24))):
        with refuses("above_start_cap"):
            require_set_point([pva, petg], dryer, set_point_c, first=first)


@pytest.mark.django_db
def test_a_stay_is_covered_by_a_run_of_its_spool_in_that_dryer_up_to_its_end(spool, dryer):
    start, end = hours_ago(20), hours_ago(10)
    stay, _ = record_excursion(spool, dryer, start, end)
    covering = DryingRun.objects.create(
        spool=spool,
        dryer=dryer,
        set_point_c=50,
        start_cap_c=80,
        cap_c=80,
        planned_hours=10,
        target_pct=1,
        start=start,
        end=end,
    )
    minute = timedelta(minutes=1)
    for at, run_start, run_end, idle in (
        (start, start, end, []),
        (start, start, None, []),
        (start, start, end - minute, [stay]),
        (start, start + minute, end, [stay]),
        (start + minute, start + minute, end, []),
        (end - minute, end, None, [stay]),
        (end, end, None, []),
    ):
        covering.start, covering.end = run_start, run_end
        covering.save()
        assert stays_without_run([dryer], at) == idle, (at, run_start, run_end)


@pytest.mark.django_db
def test_only_runs_that_are_not_finished_are_open(spool, dryer):
    values = {"set_point_c": 50, "start_cap_c": 80, "cap_c": 80, "planned_hours": 10, "target_pct": 1}
    past = DryingRun.objects.create(
        spool=spool, dryer=dryer, start=hours_ago(30), end=hours_ago(20), **values
    )
    present = DryingRun.objects.create(spool=spool, dryer=dryer, start=hours_ago(5), **values)
    assert past not in open_runs() and list(open_runs(dryer)) == [present]
    assert not open_runs(Place.objects.create(name="Second", kind="dryer", max_set_point_c=90))
