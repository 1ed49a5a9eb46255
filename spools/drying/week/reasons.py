"""Explains why a plan makes a print late or not at all."""

from dataclasses import replace

from spools.codes import pretty
from spools.drying.week.heuristic import plan_week
from spools.drying.week.model import Assignment, Request
from spools.drying.week.problem import Problem
from spools.wording import format_time


def explain_assignment(problem: Problem, assignment: Assignment) -> str:
    """Why a print is late or not made; empty for a print that is in time."""
    if assignment.spool is not None and not assignment.late:
        return ""
    (request,) = [request for request in problem.week.requests if request.key == assignment.key]
    matching = problem.matching[assignment.key]
    row = problem.requests[assignment.key]
    if not matching:
        return f"There is no spool of {row.material}. Receive one, or choose another material."
    if not request.spools:
        fullest = max(matching, key=lambda spool: problem.amounts[spool.pk].low_g)
        amount = problem.amounts[fullest.pk]
        return (
            f"No spool of it surely holds {row.mass_g:g} g: {pretty(fullest.code)} has {amount.low_g:.0f} to "
            f"{amount.high_g:.0f} g. Weigh it, or take another material."
        )
    if not problem.dryers:
        return "It is not good as it is, and there is no dryer. Add one as a place."
    return _compare_with_alone(problem, assignment, request)


def _compare_with_alone(problem: Problem, assignment: Assignment, request: Request) -> str:
    """The reason by a plan for this request alone, with all dryers to itself."""
    (alone,) = plan_week(replace(problem.week, requests=(request,)), steps=0).assignments
    if alone.spool is None:
        lacking = dict.fromkeys(problem.lacking[pk] for pk in request.spools if pk in problem.lacking)
        reason = "; ".join(lacking) or "no drying ends so that it is still good at its time"
        return f"It is not good as it is, and {reason}."
    # The heuristic does not always reach the best plan; no plan is earlier than the earliest.
    earliest = alone.late if assignment.spool is None else min(alone.late, assignment.late)
    good_at = format_time(problem.at(request.due + earliest))
    if earliest == assignment.late and assignment.spool is not None:
        return f"Even with the dryers to itself it is good on {good_at} at the earliest."
    if earliest:
        return f"With the dryers to itself it could be good on {good_at} at the earliest; others are dried first."
    if assignment.spool is None:
        return "Its spools are used up by the other prints, or there are not enough hours in the dryers."
    return "There are not enough hours in the dryers: with them to itself it would be in time."
