"""Steps in the life of a job: it starts, goes on with another spool, and ends: finished, failed or stopped."""

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from math import pi
from typing import Any, TypedDict, Unpack

from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance import limits
from maintenance.gcode.facts import Mark
from maintenance.jobs.files import facts_of
from maintenance.jobs.from_file import locate_stop, measure_share
from maintenance.jobs.judging import PartVerdict, build_share_spec, combine_verdicts
from maintenance.jobs.life import lock_job, refresh_job
from maintenance.jobs.overlaps import require_free_toolheads
from maintenance.jobs.records import HOUR, Outcome, add_end, require_start_time
from maintenance.jobs.shares import (
    ENDS,
    Piece,
    Share,
    decode_shares,
    encode_shares,
    find_start,
    split_by_changes,
)
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.models import Job, JobEvent, Loading, Toolhead
from maintenance.parts.wear_entries import filament_of
from maintenance.readiness.builder import verdict
from maintenance.readiness.verdict import encode_checks
from spools.checks import lock_spool, require_choice, require_in_use, require_past_time, require_within
from spools.codes import pretty
from spools.models import Place, Spool
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_mass, format_time

Kind, Stage = JobEvent.Kind, Job.Stage
# Grams that were typed may differ so much from those before a change of spool.
ROUNDING_G = 1e-6
NO_OUTCOME = Outcome()


class PrintedPart(TypedDict, total=False):
    """How far a print got, in one way: its grams, metres of filament, the line or the percentage of its file.

    The percentage also of a print without a file: of its filament. Without any: by the time that it took.
    extruded_m: filament that the printer measured, which may be more than was planned; it stands before the others.
    """

    mass_g: float | None
    metres: float | None
    stopped_line: int | None
    stopped_pct: float | None
    extruded_m: float | None


@transaction.atomic
def start_job(job: Job, *, at: datetime | None = None, by: Any = None) -> Job:
    """A planned print begins; the verdict stands beside it. Refused: one that began, a spool that is not loaded."""
    job = lock_job(job)
    _require_stage(job, Stage.PLANNED)
    plan = find_start(list(job.events.valid()))
    assert plan is not None and plan.hours is not None
    at = require_past_time(at)
    shares, judged, toolheads = decode_shares(plan.shares), [], []
    seen: set[tuple[int, int]] = set()
    for share in shares:
        toolhead, spool = _load_pair(share)
        require_start_time(toolhead, spool, at, later=(toolhead.pk, share.slot) in seen)
        seen.add((toolhead.pk, share.slot))
        spec = build_share_spec(job, share, plan.hours)
        part = PartVerdict(toolhead, share.slot, spool, spec.nozzle_c, verdict(toolhead, spool, spec, at=at))
        judged.append(part)
        toolheads.append(toolhead)
    require_free_toolheads(toolheads, at, at + timedelta(hours=plan.hours), job=job)
    whole = combine_verdicts(judged)
    JobEvent.objects.create(
        job=job,
        kind=Kind.STARTED,
        at=at,
        hours=plan.hours,
        shares=plan.shares,
        state=whole.state,
        reasons=encode_checks(whole.checks),
        recorded_by=by,
    )
    return refresh_job(job, by=by)


@transaction.atomic
def change_spool(
    job: Job,
    spool: Spool,
    *,
    from_spool: Spool | None = None,
    at: datetime | None = None,
    unload_to: Place | None = None,
    by: Any = None,
    **printed: Unpack[PrintedPart],
) -> Job:
    """A print goes on with another spool of the same material, where the former one ran out.

    printed: how far the whole print had got then; its grams are those that the former spool gave. from_spool: the
    former one, where the print uses several. unload_to: the place for the former spool while that is on the
    toolhead; the next one is loaded there unless it is already, as in another slot.
    Refused: a print that did not begin, another material, a time outside the print.
    """
    job = lock_job(job)
    _require_stage(job, Stage.PRINTING, *Job.ENDED)
    at = require_past_time(at)
    if not job.start <= at or (job.is_over and at > job.end):
        raise refusal(
            "outside_print",
            _("Give a time from {start} on, within the print.").format(start=format_time(job.start)),
            "at",
        )
    spool = lock_spool(spool)
    feeding = _find_pieces(job, from_spool, printed.get("extruded_m"))
    share = feeding[0][1][-1].share
    toolhead, former = _load_pair(share)
    _require_next(spool, former)
    JobEvent.objects.create(
        job=job,
        kind=Kind.CHANGED,
        at=at,
        shares=encode_shares(
            [
                *(
                    Share(toolhead.pk, former.pk, mass_g, slot=share.slot)
                    for mass_g in _find_given_g(job, at, feeding, printed)
                ),
                Share(toolhead.pk, spool.pk, 0.0, slot=_find_next_slot(toolhead, spool, at) or share.slot),
            ]
        ),
        recorded_by=by,
    )
    refresh_job(job, by=by)
    cause = Statement("cause.spool_changed", {"job": job.pk, "name": job.name})
    _load_next(toolhead, former, spool, at, unload_to, cause, by)
    return job


def _find_given_g(
    job: Job, at: datetime, feeding: Sequence[tuple[Share, list[Piece]]], printed: PrintedPart
) -> list[float]:
    """The grams that a spool gave for each share of a print until it ran out."""
    if printed.get("mass_g") is not None:
        most_g = sum(rows[-1].share.mass_g for _, rows in feeding)
        mass_g = require_within("mass_g", printed["mass_g"] or 0.0, 0, most_g, "g")
        return [mass_g * rows[-1].share.mass_g / most_g if most_g else 0.0 for _, rows in feeding]
    part, given_g = _find_part(job, at, printed)[0], []
    for whole, rows in feeding:
        before_g = sum(piece.share.mass_g for piece in rows[:-1])
        given_g.append(min(rows[-1].share.mass_g, max(0.0, whole.mass_g * part(whole) - before_g)))
    return given_g


def _find_next_slot(toolhead: Toolhead, spool: Spool, at: datetime) -> int | None:
    """The slot of the toolhead that a spool is in at a time."""
    lasting = Loading.objects.filter(
        Q(end=None) | Q(end__gt=at), toolhead=toolhead, spool=spool, start__lte=at
    )
    return lasting.values_list("slot", flat=True).first()


def _find_pieces(
    job: Job, from_spool: Spool | None, extruded_m: float | None = None
) -> list[tuple[Share, list[Piece]]]:
    """The shares of a print that its spool ran out for, as they were to be, each with its pieces so far.

    They are several where tools go on from one spool since an earlier change. extruded_m: the print grows where that
    is more than it was to take. Refused: several spools.
    """
    events = list(job.events.valid())
    changes = [event for event in events if event.kind == Kind.CHANGED]
    start = find_start(events)
    assert start is not None
    shares = _whole_shares(events)
    stretch = 1.0 if extruded_m is None else max(1.0, _measure_part(shares, extruded_m))
    pieces = split_by_changes([s.scaled(s.mass_g * stretch) for s in shares], job.start, changes)
    fitting = [
        (whole, rows)
        for whole, rows in zip(decode_shares(start.shares), pieces, strict=True)
        if from_spool is None or rows[-1].share.spool == from_spool.pk
    ]
    if len({(rows[-1].share.toolhead, rows[-1].share.spool) for _, rows in fitting}) != 1:
        raise refusal(
            "several_spools", _("Give the spool that ran out: one that the print uses now."), "from_spool"
        )
    return fitting


def _require_next(spool: Spool, former: Spool) -> None:
    """Refused: a spool that a print cannot go on with."""
    if spool.pk == former.pk:
        raise refusal(
            "same_spool", _("That is the spool that it printed from. Choose the next one."), "spool"
        )
    if spool.feedstock_id != former.feedstock_id:
        raise refusal(
            "other_material",
            _(
                "Spool {code} is {feedstock}, and the print began with {former}. Choose a spool of that."
            ).format(code=pretty(spool.code), feedstock=spool.feedstock, former=former.feedstock),
            "spool",
        )


def _load_next(
    toolhead: Toolhead,
    former: Spool,
    spool: Spool,
    at: datetime,
    unload_to: Place | None,
    cause: Statement,
    by: Any,
) -> None:
    if _find_next_slot(toolhead, spool, at) is not None:
        return
    require_in_use(spool)
    slot = None
    for loading in Loading.objects.present().filter(toolhead=toolhead, spool=former, start__lte=at):
        slot = loading.slot
        if unload_to is None:
            raise refusal(
                "toolhead_taken",
                _("Spool {code} is on {toolhead}. Give its new place, or unload it first.").format(
                    code=pretty(former.code), toolhead=toolhead
                ),
                "unload_to",
            )
        unload_spool(loading, unload_to, at=at, by=by)
    load_spool(toolhead, spool, slot=slot, at=at, cause=cause, by=by)


@transaction.atomic
def end_job(
    job: Job,
    kind: str,
    *,
    at: datetime | None = None,
    outcome: Outcome = NO_OUTCOME,
    by: Any = None,
    **printed: Unpack[PrintedPart],
) -> Job:
    """A print is over. at: None is now, or when a finished one was to end if that is earlier.

    printed: how far it got; a finished one got to its end. Refused: a print that does not run, a time before
    its start, less filament than its former spools gave, another print on the toolhead by then.
    """
    require_choice("result", kind, list(ENDS))
    job = lock_job(job)
    _require_stage(job, Stage.PRINTING)
    expected = job.end if kind == Kind.FINISHED else None
    at = require_past_time(at) if at is not None else min(timezone.now(), expected or timezone.now())
    events = list(job.events.valid())
    changes = [event for event in events if event.kind == Kind.CHANGED]
    if at <= job.start or any(at < change.at for change in changes):
        raise refusal(
            "before_start",
            _("It began {start}. Give a later time.").format(start=format_time(job.start)),
            "at",
        )
    shares = _whole_shares(events)
    toolheads = list(Toolhead.objects.filter(pk__in={share.toolhead for share in shares}))
    require_free_toolheads(toolheads, job.start, at, job=job)
    stopped: Statement | None = None
    if printed.get("mass_g") is not None and printed.get("extruded_m") is None:
        whole_g = sum(share.mass_g for share in shares)
        mass_g = require_within("mass_g", printed["mass_g"] or 0.0, 0, limits.JOB_G.high, "g")
        taken = [share.scaled(share.mass_g * mass_g / whole_g) for share in shares]
    elif kind == Kind.FINISHED and printed.get("extruded_m") is None:
        taken = shares
    else:
        part, stopped = _find_part(job, at, printed)
        taken = [share.scaled(share.mass_g * part(share)) for share in shares]
        stopped = None if kind == Kind.FINISHED else stopped
    for share, pieces in zip(taken, split_by_changes(shares, job.start, changes), strict=True):
        before_g = sum(piece.share.mass_g for piece in pieces[:-1])
        if share.mass_g < before_g - ROUNDING_G:
            raise refusal(
                "less_than_before_change",
                _(
                    "Its former spools gave {mass} already. Give more, or withdraw the change of spool."
                ).format(mass=format_mass(before_g, 1)),
                "mass_g",
            )
    hours = max(limits.JOB_HOURS.low, (at - job.start) / HOUR)
    if outcome.stopped is None:
        outcome = Outcome(outcome.parts, outcome.good_parts, outcome.reason, stopped)
    add_end(job, kind, at, hours, taken, outcome, by)
    return refresh_job(job, by=by)


def _whole_shares(events: list[JobEvent]) -> list[Share]:
    """What a print that began takes to its end; of one that is over, what it took."""
    over = next((event for event in reversed(events) if event.kind in ENDS), None)
    start = over or find_start(events)
    assert start is not None
    return decode_shares(start.shares)


def _find_part(
    job: Job, at: datetime, printed: PrintedPart
) -> tuple[Callable[[Share], float], Statement | None]:
    """The part of each share that is printed at a place of the print, 0 to 1, and that place in words."""
    if (extruded_m := printed.get("extruded_m")) is not None:
        start = find_start(list(job.events.valid()))
        assert start is not None
        shares = decode_shares(start.shares)
        measured, whole_m = _measure_part(shares, extruded_m), _measure_metres(shares)
        place = {"metres": extruded_m, "whole_m": whole_m}
        return lambda share: measured, Statement("job_stop.after_metres", place)
    line, pct, metres = printed.get("stopped_line"), printed.get("stopped_pct"), printed.get("metres")
    if sum(value is not None for value in (line, pct, metres)) > 1:
        raise refusal("one_place", _("Give one of line, percentage and metres."), "stopped_pct")
    if metres is not None:
        return _find_part_by_metres(job, metres)
    if job.file is not None:
        facts = facts_of(job.file)
        mark, stopped = locate_stop(facts, stopped_line=line, stopped_pct=pct)
        mark = mark or facts.up_to(seconds=facts.seconds * _part_by_time(job, at))
        return _part_at_mark(facts, mark), stopped
    if line is not None:
        raise refusal(
            "no_file", _("The job has no file. Give its percentage, metres or grams."), "stopped_line"
        )
    if pct is not None:
        part = require_within("stopped_pct", pct, *limits.STOPPED_PCT) / 100
        return lambda share: part, Statement("job_stop.at_filament_share", {"stopped_pct": 100 * part})
    by_time = _part_by_time(job, at)
    return lambda share: by_time, Statement("job_stop.by_time", {"stopped_pct": 100 * by_time})


def _part_at_mark(facts: Any, mark: Mark) -> Callable[[Share], float]:
    return lambda share: measure_share(facts, mark, share.numbers)


def _find_part_by_metres(job: Job, metres: float) -> tuple[Callable[[Share], float], Statement]:
    shares = _whole_shares([event for event in job.events.valid() if event.kind not in ENDS])
    if len(shares) > 1:
        raise refusal(
            "metres_of_several", _("It uses several spools. Give its line or percentage."), "metres"
        )
    spool = Spool.objects.select_related("feedstock__polymer", "feedstock__filler").get(pk=shares[0].spool)
    whole_m = shares[0].mass_g / _grams_per_m(spool)
    metres = require_within("metres", metres, 0, round(whole_m, 3), "m")
    stopped = Statement("job_stop.after_metres", {"metres": metres, "whole_m": whole_m})
    return lambda share: metres / whole_m, stopped


def _measure_part(shares: Sequence[Share], metres: float) -> float:
    """The part of a print that so many metres are; above 1 where it took more than was planned."""
    return metres / _measure_metres(shares)


def _measure_metres(shares: Sequence[Share]) -> float:
    """The filament of a whole print, m."""
    spools = Spool.objects.select_related("feedstock__polymer", "feedstock__filler").in_bulk(
        {share.spool for share in shares}
    )
    return sum(share.mass_g / _grams_per_m(spools[share.spool]) for share in shares)


def _grams_per_m(spool: Spool) -> float:
    filament = filament_of(spool.feedstock)
    return filament.density_g_cm3 * pi * filament.diameter_mm**2 / 4


def _part_by_time(job: Job, at: datetime) -> float:
    """The part of a print that is done at a time, by the hours that it was to take."""
    start = find_start(list(job.events.valid()))
    assert start is not None and start.hours is not None
    return min(1.0, max(0.0, (at - job.start) / (start.hours * HOUR)))


def _load_pair(share: Share) -> tuple[Toolhead, Spool]:
    toolhead = Toolhead.objects.select_related("printer__place").get(pk=share.toolhead)
    return toolhead, Spool.objects.select_related("feedstock__maker").get(pk=share.spool)


def _require_stage(job: Job, *stages: str) -> None:
    if job.withdrawn_at is not None:
        raise refusal("withdrawn_already", _("This job is withdrawn."))
    if job.stage not in stages:
        raise refusal(
            "wrong_stage",
            _(
                "The job is {stage}, so this step cannot follow. Look at its steps; withdraw one that is wrong."
            ).format(stage=job.get_stage_display()),
        )
