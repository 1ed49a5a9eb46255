"""Compares ways to plan the drying week on random weeks.

    nice python -m benchmarks.week_solver --weeks 200
    nice python -m benchmarks.week_solver --weeks 30 --milp-seconds 20

Every planner is compared with the heuristic as the product runs it, first by lateness (an unserved request
counts as later than any late one), then by hot hours, then by switch-ons.
"""

import argparse
import statistics
import time
from collections.abc import Callable

from benchmarks.week_solver.milp import plan_by_milp
from benchmarks.week_solver.problems import random_week
from spools.drying.week.heuristic import STEPS, plan_week
from spools.drying.week.model import Cost, Week, WeekSchedule, cost

Planner = Callable[[Week], WeekSchedule | None]
PRODUCT = f"heuristic, {STEPS} steps"


def main() -> None:
    parser = argparse.ArgumentParser(description="Compare ways to plan the drying week.")
    parser.add_argument("--weeks", type=int, default=200)
    parser.add_argument("--milp-seconds", type=float, default=0, help="time limit for HiGHS; 0: leave it out")
    options = parser.parse_args()
    planners: dict[str, Planner] = {
        PRODUCT: plan_week,
        "insertion alone": lambda week: plan_week(week, steps=0),
    }
    if options.milp_seconds:
        planners["MILP (HiGHS)"] = lambda week: plan_by_milp(week, options.milp_seconds)
    results: dict[str, list[tuple[Cost, int] | None]] = {name: [] for name in planners}
    seconds: dict[str, list[float]] = {name: [] for name in planners}
    for seed in range(options.weeks):
        week = random_week(seed)
        for name, planner in planners.items():
            begin = time.perf_counter()
            schedule = planner(week)
            seconds[name].append(time.perf_counter() - begin)
            results[name].append(
                None if schedule is None else (cost(week, schedule), _count_missed(schedule))
            )
    for name in planners:
        print(f"{name}: median {statistics.median(seconds[name]):.2f} s, longest {max(seconds[name]):.1f} s")
        if name != PRODUCT:
            _print_comparison(results[name], results[PRODUCT])


def _count_missed(schedule: WeekSchedule) -> int:
    """Requests that are late or have no spool."""
    return sum(assignment.spool is None or assignment.late > 0 for assignment in schedule.assignments)


def _print_comparison(rows: list[tuple[Cost, int] | None], product: list[tuple[Cost, int] | None]) -> None:
    pairs = [(row, other) for row, other in zip(rows, product, strict=True) if row and other]
    print(f"    weeks without a plan: {len(rows) - len(pairs)}")
    for title, key in (
        ("requests missed", lambda row: row[1]),
        ("lateness", lambda row: row[0].late),
        ("then hot hours", lambda row: row[0][:3]),
        ("then switch-ons", lambda row: row[0][:4]),
    ):
        better = sum(key(row) < key(other) for row, other in pairs)
        worse = sum(key(row) > key(other) for row, other in pairs)
        print(f"    {title}: better than the product's plan in {better} weeks, worse in {worse}")


if __name__ == "__main__":
    main()
