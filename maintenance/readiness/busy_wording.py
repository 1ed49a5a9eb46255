"""Words for the check whether toolhead and spool are free."""

from datetime import datetime
from typing import Any

from spools.statements import words_for
from spools.wording import format_time


def _time(iso: str) -> str:
    return format_time(datetime.fromisoformat(iso))


def _on(toolhead: str, spool: str) -> str:
    return f"on {toolhead} with {spool}"


@words_for("readiness.free_until")
def _free_until(name: str, toolhead: str, spool: str, start: str, **_: Any) -> str:
    return f"{name} is planned {_on(toolhead, spool)} for {_time(start)}, after this job."


@words_for("readiness.prints_until")
def _prints_until(name: str, toolhead: str, spool: str, end: str, **_: Any) -> str:
    return f"{name} prints {_on(toolhead, spool)} until {_time(end)}."


@words_for("readiness.end_not_recorded")
def _end_not_recorded(name: str, toolhead: str, spool: str, end: str, **_: Any) -> str:
    return f"{name} {_on(toolhead, spool)} was to end at {_time(end)}; its end is not recorded."


@words_for("readiness.reserved_now")
def _reserved_now(name: str, toolhead: str, spool: str, start: str, end: str, **_: Any) -> str:
    return f"Reserved for {name} {_on(toolhead, spool)}, {_time(start)} to {_time(end)}."


@words_for("readiness.reserved_soon")
def _reserved_soon(name: str, toolhead: str, spool: str, start: str, **_: Any) -> str:
    return f"{name} is planned {_on(toolhead, spool)} for {_time(start)}, before this job would end."


@words_for("readiness.plan_not_begun")
def _plan_not_begun(name: str, toolhead: str, spool: str, start: str, **_: Any) -> str:
    return f"{name} was planned {_on(toolhead, spool)} for {_time(start)} and did not start."


@words_for("readiness.wait_or_take_other")
def _wait(until: str) -> str:
    return f"Wait until {_time(until)}, or take another toolhead or spool."


@words_for("readiness.print_shorter_or_elsewhere")
def _print_shorter() -> str:
    return "Print a shorter job, or take another toolhead or spool."


@words_for("readiness.record_end_of_print")
def _record_end() -> str:
    return "Record on the job's page how it ended."


@words_for("readiness.start_or_withdraw_plan")
def _start_or_withdraw() -> str:
    return "Start it on the job's page, or withdraw it."
