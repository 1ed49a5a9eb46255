"""Explains why a plan makes a print late or not at all."""

from dataclasses import replace

from spools.drying.week.heuristic import plan_week
from spools.drying.week.model import Assignment, Request
from spools.drying.week.problem import Problem
from spools.statements import Statement


def explain_assignment(problem: Problem, assignment: Assignment) -> Statement | None:
    """Why a print is late or not made; None for a print that is in time."""
    if assignment.spool is not None and not assignment.late:
        return None
    (request,) = [request for request in problem.week.requests if request.key == assignment.key]
    matching = problem.matching[assignment.key]
    row = problem.requests[assignment.key]
    if not matching:
        return Statement("week.no_spool", {"material": str(row.material)})
    if not request.spools:
        fullest = max(matching, key=lambda spool: problem.amounts[spool.pk].low_g)
        amount = problem.amounts[fullest.pk]
        has = {"spool": fullest.code, "low_g": amount.low_g, "high_g": amount.high_g}
        return Statement("week.amount_too_small", {"mass_g": row.mass_g, **has})
    if not problem.dryers:
        return Statement("week.no_dryer")
    return _compare_with_alone(problem, assignment, request)


def _compare_with_alone(problem: Problem, assignment: Assignment, request: Request) -> Statement:
    """The reason by a plan for this request alone, with all dryers to itself."""
    (alone,) = plan_week(replace(problem.week, requests=(request,)), steps=0).assignments
    if alone.spool is None:
        lacking: list[Statement] = []
        for pk in request.spools:
            if pk in problem.lacking and problem.lacking[pk] not in lacking:
                lacking.append(problem.lacking[pk])
        return Statement("week.never_good", {"lacking": [reason.as_data() for reason in lacking]})
    # The heuristic does not always reach the best plan; no plan is earlier than the earliest.
    earliest = alone.late if assignment.spool is None else min(alone.late, assignment.late)
    good_at = {"good_at": problem.at(request.due + earliest).isoformat()}
    if earliest == assignment.late and assignment.spool is not None:
        return Statement("week.earliest", good_at)
    if earliest:
        return Statement("week.others_first", good_at)
    return Statement("week.used_up" if assignment.spool is None else "week.too_few_hours")
