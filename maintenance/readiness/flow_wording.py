"""Words for the statements of readiness about the flow of a job: flow checks, soft filament, retractions."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from maintenance.flow.curve import Usable
from maintenance.flow.wording import format_usable
from maintenance.models import PartKind
from spools.statements import words_for
from spools.wording import format_day, format_number


def _flow_and_check(max_flow_mm3_s: float, checked_at: str) -> str:
    day = format_day(datetime.fromisoformat(checked_at))
    return f"The job asks for up to {format_number(max_flow_mm3_s)} mm³/s; the flow check of {day}"


@words_for("readiness.flow_unchecked")
def _flow_unchecked(max_flow_mm3_s: float, material: str, toolhead: str) -> str:
    asks = f"The job asks for up to {format_number(max_flow_mm3_s)} mm³/s"
    return f"{asks}; there is no flow check of {material} on {toolhead}."


@words_for("readiness.flow_checked_before_change")
def _flow_checked_before_change(max_flow_mm3_s: float, checked_at: str, changed: Sequence[str]) -> str:
    parts = " and ".join(PartKind.Role(role).label for role in changed)
    return f"{_flow_and_check(max_flow_mm3_s, checked_at)} was made before a change of {parts}."


@words_for("readiness.flow_lost", "readiness.flow_perhaps_lost")
def _flow_lost(max_flow_mm3_s: float, checked_at: str, loss: float, **usable: Any) -> str:
    return f"{_flow_and_check(max_flow_mm3_s, checked_at)} lost {100 * loss:.0f} % {format_usable(Usable(loss, **usable))}."


@words_for("readiness.flow_faster_than_checked")
def _flow_faster(max_flow_mm3_s: float, checked_at: str, tested_mm3_s: float) -> str:
    return f"{_flow_and_check(max_flow_mm3_s, checked_at)} went no further than {format_number(tested_mm3_s)} mm³/s."


@words_for("readiness.flow_cooler_than_checked")
def _flow_cooler(max_flow_mm3_s: float, checked_at: str, checked_c: float, nozzle_c: float) -> str:
    temperatures = f"was made at {checked_c:.0f} °C, the job prints at {nozzle_c:.0f} °C"
    return f"{_flow_and_check(max_flow_mm3_s, checked_at)} {temperatures}."


@words_for("readiness.flow_check_old")
def _flow_check_old(max_flow_mm3_s: float, checked_at: str, days_ago: float, limit_days: int) -> str:
    return (
        f"{_flow_and_check(max_flow_mm3_s, checked_at)} is {days_ago:.0f} days old, more than {limit_days}."
    )


@words_for("readiness.flow_delivered")
def _flow_delivered(max_flow_mm3_s: float, checked_at: str, up_to_mm3_s: float) -> str:
    return f"{_flow_and_check(max_flow_mm3_s, checked_at)} lost less than 5 % up to {format_number(up_to_mm3_s)} mm³/s."


@words_for("readiness.set_flow_at_most")
def _set_flow_at_most(setting_mm3_s: float) -> str:
    return f"Set at most {format_number(setting_mm3_s)} mm³/s for this filament, or take another printer."


@words_for("readiness.soft_in_tube")
def _soft_in_tube(polymer: str, toolhead: str) -> str:
    return (
        f"{polymer} is soft, and {toolhead} pushes it through a long tube, in which it springs and can buckle (common "
        "practice, no source)."
    )


@words_for("readiness.soft_on_short_path")
def _soft_on_short_path(polymer: str, toolhead: str) -> str:
    return f"{polymer} is soft; the drive of {toolhead} sits at the hot end."


def _counted(count: int, per_m: float, most_over_one: int) -> str:
    each_m = f"{format_number(per_m)} for each metre of filament"
    return f"{count} retractions, {each_m}, up to {most_over_one} over the same bit of it"


@words_for("readiness.retractions_usual")
def _retractions_usual(count: int, per_m: float, most_over_one: int) -> str:
    return f"{_counted(count, per_m, most_over_one)}."


@words_for("readiness.retractions_unusual")
def _retractions_unusual(
    count: int,
    per_m: float,
    most_over_one: int,
    *,
    usual_mm: float,
    over_limit: Sequence[str],
    guided: bool,
    **limits: float,
) -> str:
    path = "a long guide tube" if guided else "a drive on the toolhead"
    reasons = {
        "most_over_one": f"more than {limits['limit_over_one']} grind a bit of filament thin",
        "per_m": f"more than {limits['limit_per_m']} a metre wear gears and filament",
        "usual_mm": (
            f"the usual {format_number(usual_mm)} mm are more than the {limits['limit_usual_mm']:g} mm for {path}"
        ),
    }
    grounds = "; ".join(reasons[name] for name in over_limit)
    return f"{_counted(count, per_m, most_over_one)}: {grounds} (common practice, no source)."
