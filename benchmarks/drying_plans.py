"""Plans of drying in many situations, and the rules that they break: python -m benchmarks.drying_plans.

Every polymer of the catalogue, 1 kg that stood in a room for three months, in four rooms, on two reels, in three
dryers with two errors each, planned by the advisor's own search. docs/benchmarks.md shows the results. Takes
some minutes.
"""

import argparse
import itertools
import math
import os
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spools.drying.drafts import Draft, DryerLoad

ROOMS = [(23.0, 50.0), (22.0, 35.0), (18.0, 30.0), (28.0, 65.0)]
# A reel that stands any dryer here, and one of unknown material.
REELS: dict[str, dict[str, Any]] = {
    "strong": {"core_material": "pc", "core_cap_c": 160.0},
    "unknown": {"core_material": "unknown"},
}
DRYERS_C = [70.0, 90.0, 130.0]
ERRORS_K = [0.0, 5.0]
# The stated probability that the wettest turns are over the goal, and what the steps of the physics leave.
STATED, STEP_ERROR = 0.2, 0.05


@dataclass(frozen=True)
class Case:
    """One situation. Cases that differ in the error alone share their ``place``."""

    polymer: str
    room: tuple[float, float]
    reel: str
    dryer_c: float
    error_k: float

    @property
    def place(self) -> tuple:
        return self.polymer, self.room, self.reel, self.dryer_c

    def __str__(self) -> str:
        temperature_c, rh_pct = self.room
        return (
            f"{self.polymer}, room {temperature_c:g}/{rh_pct:g}, reel {self.reel}, dryer to {self.dryer_c:g} °C "
            f"± {self.error_k:g} K"
        )


@dataclass(frozen=True)
class Planned:
    """A load with its chosen draft."""

    case: Case
    load: "DryerLoad"
    draft: "Draft"

    @property
    def stages(self) -> str:
        hours = self.draft.total
        if hours is None:
            return f"never at {self.draft.set_point_c:g} °C"
        return " + ".join(f"{stage_h:g} h at {celsius:g} °C" for celsius, stage_h in self.draft.stages(hours))


def main() -> int:
    parser = argparse.ArgumentParser(description="Plan drying in many situations and count broken rules.")
    parser.add_argument("--polymers", nargs="*", help="only these")
    parser.add_argument("--show", type=int, default=3, help="examples of each rule")
    parser.add_argument("--list", action="store_true", help="print every plan")
    options = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    os.environ.setdefault("SECRET_KEY", "for this trial alone")
    import django

    django.setup()
    begin = time.process_time()
    plans = [plan_case(case) for case in list_cases(options.polymers)]
    if options.list:
        for planned in plans:
            print(f"{planned.case}: {planned.stages}")
    broken = find_broken_rules(plans)
    print(f"{len(plans)} plans, {time.process_time() - begin:.0f} s")
    for rule, examples in broken.items():
        print(f"\n{rule}: {len(examples)}")
        by_polymer = Counter(planned.case.polymer for planned, _ in examples)
        print("  " + ", ".join(f"{name} {count}" for name, count in by_polymer.most_common()))
        for planned, why in examples[: options.show]:
            print(f"  {planned.case}: {planned.stages}. {why}")
    return 0


def list_cases(names: list[str] | None = None) -> Iterator[Case]:
    from benchmarks.drying_cases import load_polymers

    for values in itertools.product(names or load_polymers(), ROOMS, REELS, DRYERS_C, ERRORS_K):
        yield Case(*values)


def plan_case(case: Case, *, all_options: bool = True) -> Planned:
    from benchmarks.drying_cases import build_load, make_dryer, make_spool
    from spools.drying import search

    reel = REELS.get(case.reel, {"core_material": case.reel})
    spool, dryer = make_spool(case.polymer, **reel), make_dryer(case.dryer_c, case.error_k)
    load = build_load(spool, dryer, case.room)
    search.compute_drafts([load], all_options=all_options)
    return Planned(case, load, search.choose_draft(load))


def find_broken_rules(plans: list[Planned]) -> dict[str, list[tuple[Planned, str]]]:
    """The plans that break each rule, with the reason."""
    broken: dict[str, list[tuple[Planned, str]]] = {
        name: [(planned, why) for planned in plans if (why := rule(planned))] for name, rule in RULES.items()
    }
    broken["A better-known dryer takes longer"] = list(find_longer_with_less_error(plans))
    broken["The usual set point is shut out by the error alone"] = [
        (planned, "") for planned in plans if shuts_usual_out(planned)
    ]
    return broken


def argues_against(planned: Planned) -> str:
    from spools.drying import heat_budget
    from spools.drying.plan_statements import explain_choice

    load, draft, usual = planned.load, planned.draft, planned.load.drafts[0]
    reason = explain_choice(load, draft)
    share, usual_share = (max(load.run_shares(each)) for each in (draft, usual))
    if reason.code == "drying.chosen_as_usual_is_too_much_heat" and share >= usual_share:
        return f"{reason.sentence}, at {share:.2f} instead of {usual_share:.2f} of the heat budget"
    slow = reason.code == "drying.chosen_as_usual_is_slow"
    if slow and draft.total is not None and usual.total is not None and draft.total >= usual.total:
        return f"{reason.sentence}, and takes {draft.total:g} h"
    if slow and usual_share > heat_budget.ALL >= share:
        return f"{reason.sentence}, and not that it is {usual_share:.2f} of the heat budget"
    return ""


def wastes_heat(planned: Planned) -> str:
    from spools.drying import heat_budget

    load, draft = planned.load, planned.draft
    if draft.total is None:
        return ""
    share = max(load.run_shares(draft))
    least = min(max(load.run_shares(other)) for other in load.drafts if other.total is not None)
    return f"{share:.2f}, the least is {least:.2f}" if share > max(heat_budget.ALL, least) + 1e-9 else ""


def is_too_hot(planned: Planned) -> str:
    from spools.catalogue.values import softened_by_water
    from spools.drying import softening

    load, draft = planned.load, planned.draft
    (spool,) = load.spools
    polymer = spool.feedstock.polymer
    hottest_c = draft.set_point_c + planned.case.error_k
    if not softened_by_water(polymer):
        return f"softens at {polymer.softening_c:g} °C" if hottest_c > polymer.softening_c else ""
    start_c = (draft.first_c or draft.set_point_c) + planned.case.error_k
    if start_c > polymer.softening_c and draft.total != 0:
        return f"starts at {start_c:g} °C, wet Tg {polymer.softening_c:g} °C"
    return "never hard" if draft.first_c and softening.hard_up_to_pct(spool, hottest_c) <= 0 else ""


def leaves_wet_turns(planned: Planned) -> str:
    from spools.drying import search

    load, draft = planned.load, planned.draft
    if not draft.total or load.masses_g[0] is not None:
        return ""
    (winding,) = search.dry_windings([(load, draft)])
    wet = float((100 * winding.state.profile().max(-1) > load.targets_pct[0]).mean())
    return f"over the goal with {wet:.2f}" if wet > STATED + STEP_ERROR else ""


def has_odd_hours(planned: Planned) -> str:
    hours = planned.draft.total
    return "" if not hours or round(hours, 2) == float(f"{hours:.2g}") or hours < 10 else f"{hours:g} h"


def has_gaps(planned: Planned) -> str:
    lowest_c = max(30.0, planned.case.room[0] + 10)
    points = sorted(draft.set_point_c for draft in planned.load.drafts if draft.set_point_c >= lowest_c)
    if not points or planned.draft.total == 0:
        return ""
    gap = max((b - a for a, b in itertools.pairwise(points)), default=0.0)
    gap = max(gap, points[0] - lowest_c)
    return f"up to {gap:g} K" if gap > 5 else ""


def offers_in_vain(planned: Planned) -> str:
    from spools.drying.plan_statements import explain_result

    load, draft = planned.load, planned.draft
    reason = explain_result(load, draft, 0)
    if reason.code not in ("drying.too_humid", "drying.too_slow"):
        return ""
    polymer_c = min(
        limit.hottest_c
        for limit in load.caps[0].start_limits
        if limit.part.code in ("cap.drying", "cap.oxidation", "cap.softening", "cap.wet")
    )
    return reason.sentence if reason.values["hotter"] and polymer_c <= draft.set_point_c else ""


def names_other_limit(planned: Planned) -> str:
    """A limit is named that does not bind: another one is lower, or hotter is possible."""
    from spools.catalogue.values import material_values
    from spools.drying import heat_budget
    from spools.drying.limiting import find_limit

    load, draft = planned.load, planned.draft
    spool, cap, limit = load.spools[0], load.caps[0], find_limit(load, draft)
    hotter = any(
        other.possible and other.set_point_c > draft.set_point_c and bool(other.first) <= bool(draft.first)
        for other in load.drafts
    )
    if limit.code == "drying.limited_by_room":
        wrong = not load.is_floored(draft.set_point_c, 0)
    elif limit.code == "drying.limited_by_heat":
        wrong = not heat_budget.is_polyamide(spool.feedstock.polymer)
    elif limit.code == "drying.limited_by_usual":
        wrong = not hotter or draft.set_point_c != material_values(spool.feedstock).dry_set_c
    else:
        is_hottest = draft.set_point_c == max(other.set_point_c for other in load.drafts)
        limits = cap.limits if draft.first and is_hottest else cap.start_limits
        binding = min(limits, key=lambda each: each.hottest_c)
        slower = draft is not load.drafts[0] and binding.part.code == "cap.wet"
        wrong = (hotter and not slower) or limit.values["part"] != binding.part.as_data()
    return limit.sentence if wrong else ""


def has_no_plan(planned: Planned) -> str:
    from spools.drying.plan_statements import explain_result

    return "" if planned.draft.total is not None else explain_result(planned.load, planned.draft, 0).code


def find_longer_with_less_error(plans: list[Planned]) -> Iterator[tuple[Planned, str]]:
    by_place: dict[tuple, list[Planned]] = {}
    for planned in plans:
        by_place.setdefault(planned.case.place, []).append(planned)
    for group in by_place.values():
        group.sort(key=lambda planned: planned.case.error_k)
        for better, worse in itertools.pairwise(group):
            hours, worse_hours = (each.draft.total for each in (better, worse))
            if (math.inf if hours is None else hours) > (math.inf if worse_hours is None else worse_hours):
                yield better, f"With {worse.case.error_k:g} K: {worse.stages}"


def shuts_usual_out(planned: Planned) -> bool:
    """Whether reel, dryer and softening allow the usual set point, and it is still not compared."""
    (spool,) = planned.load.spools
    polymer, cap = spool.feedstock.polymer, planned.load.caps[0]
    reels_c = [limit_c for part, limit_c in cap.parts if part.code in ("cap.reel", "cap.reel_stated")]
    hottest_c = min(planned.case.dryer_c, min([polymer.softening_c, *reels_c]) - planned.case.error_k)
    compared = {draft.set_point_c for draft in planned.load.drafts}
    return polymer.dry_set_c <= hottest_c and polymer.dry_set_c not in compared and planned.draft.total != 0


RULES = {
    "The reason argues against the choice": argues_against,
    "Over the heat budget though a compared option uses less": wastes_heat,
    "Hotter than softening or the wet transition with the error": is_too_hot,
    "The wettest turns are over the goal at the end": leaves_wet_turns,
    "Hours that nobody would say": has_odd_hours,
    "Steps of more than 5 K between options": has_gaps,
    "A hotter dryer or reel is offered though the polymer limits": offers_in_vain,
    "The limit that is named does not bind": names_other_limit,
    "No plan": has_no_plan,
}


if __name__ == "__main__":
    raise SystemExit(main())
