"""Prints on a scale: the grams that they took, and a weighing of the spool after each.

Only the difference between the steady level before a print and the one after it counts as filament. While nothing
prints, a slow change is drift of the scale or water, and no weighing. See docs/decisions/098-scales.md.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import NamedTuple

from django.db import transaction
from django.db.models import Q

from maintenance.models import Job, JobUse, Loading, Scale, ScalePrint, ScaleWeighing
from maintenance.scales.signal import (
    LEVEL_MINUTES,
    Allowed,
    Level,
    Minute,
    find_jumps,
    find_level,
    find_noise_band,
    measure_drift,
)
from maintenance.scales.values import load_minutes
from maintenance.scales.weighings import enter_weighing
from spools.checks import lock_spool_facts

# How long before and after a print its levels are looked for. These: common practice, no source.
BEFORE, AFTER = timedelta(minutes=30), timedelta(minutes=45)
# The drive retracts and the hot end oozes.
AFTER_ITS_END = timedelta(minutes=1)
# A level is best from so long a time, unless something ends it before.
LEVEL_SPAN = AFTER_ITS_END + timedelta(minutes=LEVEL_MINUTES + 1)
# A spool is put on the holder about when it is recorded as loaded.
PUT_ON = timedelta(minutes=15)
IDLE_SEEN = timedelta(days=1)
# Prints that ended before are not looked at.
LOOKED_BACK = timedelta(days=2)
# Prints extrude at most so many times as fast as on average.
FASTER = 3.0
# With how much a drive pulls at the spool: while it prints, the scale shows less.
PULL_G = 20.0
# Where no idle hours were seen: steps of the scale a day.
UNSEEN_DRIFT_STEPS_DAY = 2.0
# Less than any reel weighs: the holder is empty.
EMPTY_G = 30.0
# The difference between the grams of a job and those of the scale is worth a look above this part of them.
TOLERANCE = 0.05


def settle_prints(now: datetime) -> list[ScalePrint]:
    """Weigh the spools of prints that ended lately on scales that send all the time. Returns the new comparisons."""
    settled = []
    for scale in Scale.objects.filter(toolhead__isnull=False).select_related("toolhead"):
        _note_zero(scale, now)
        uses = (
            JobUse.objects.filter(toolhead=scale.toolhead, slot=scale.slot, job__withdrawn_at=None)
            .filter(job__end__gte=now - LOOKED_BACK, job__end__lt=now)
            .exclude(job__in=scale.prints.values("job"))
            .select_related("job", "spool__feedstock__polymer", "spool__feedstock__filler")
            .order_by("job__end", "pk")
        )
        for use in uses:
            row = _settle_print(scale, use, now)
            if row is not None:
                settled.append(row)
    return settled


class Comparison(NamedTuple):
    """The grams of a job by the scale, beside its own. is_off: whether they differ by more than their errors."""

    row: ScalePrint
    job_g: float
    is_off: bool


def compare_with_scale(job: Job, uses: Iterable[JobUse]) -> list[Comparison]:
    """The shares of a job that a scale weighed, too."""
    by_spool = {(use.spool_id, use.toolhead_id): use.mass_g for use in uses}
    rows = job.scale_prints.select_related("spool", "scale", "weighing")
    return [
        Comparison(row, job_g, is_off(row, job_g))
        for row in rows
        if (job_g := by_spool.get((row.spool_id, row.scale.toolhead_id or 0))) is not None
    ]


def is_off(row: ScalePrint, job_g: float) -> bool:
    """Whether the grams of a job and those of the scale differ by more than their errors."""
    return abs(row.mass_g - job_g) > row.error_g + TOLERANCE * job_g


def _settle_print(scale: Scale, use: JobUse, now: datetime) -> ScalePrint | None:
    """None while a level is missing: nothing was sent, nothing was steady, or another print began."""
    job = use.job
    loaded = _find_loading(scale, use, job.end)
    if loaded is None or job.uses.filter(toolhead=scale.toolhead, slot=scale.slot).count() > 1:
        return None
    until = min([now, job.end + AFTER, *_list_starts(scale, job), *([loaded.end] if loaded.end else [])])
    if until == now < job.end + LEVEL_SPAN:
        return None
    before_from = max(job.start - BEFORE, loaded.start)
    before = find_level(load_minutes(scale, before_from, job.start), scale.step_g, newest=True)
    after = find_level(load_minutes(scale, job.end + AFTER_ITS_END, until), scale.step_g)
    if before is None or after is None:
        return None
    idle = load_minutes(scale, _find_idle_start(scale, job, loaded), job.start)
    drift_g_h = measure_drift(idle, scale.step_g)
    if drift_g_h is None:
        drift_g_h = UNSEEN_DRIFT_STEPS_DAY * scale.step_g / 24
    jumped = _has_jumped(scale, use, idle, after, drift_g_h)
    return _store(scale, use, loaded, before, after, drift_g_h, jumped)


def _has_jumped(scale: Scale, use: JobUse, idle: list[Minute], after: Level, drift_g_h: float) -> bool:
    """Whether somebody put another spool on the holder, or took filament off, since the print before."""
    job = use.job
    printing = load_minutes(scale, job.start, after.end)
    span_min = max(1.0, (job.end - job.start) / timedelta(minutes=1))
    band_g = find_noise_band(idle, scale.step_g)
    allowed = Allowed(
        band_g=band_g,
        drift_g_h=drift_g_h,
        printing_since=job.start,
        printing_band_g=max(PULL_G, 2 * find_noise_band(printing, scale.step_g)),
        flow_g_min=FASTER * use.mass_g / span_min,
    )
    return bool(find_jumps([*idle, *printing], allowed))


@transaction.atomic
def _store(
    scale: Scale, use: JobUse, loaded: Loading, before: Level, after: Level, drift_g_h: float, jumped: bool
) -> ScalePrint | None:
    lock_spool_facts()
    if scale.prints.filter(job=use.job).exists():
        return None
    span_h = (after.start - before.end) / timedelta(hours=1)
    zero_g, zero_at = scale.zero_g, scale.zero_at
    if zero_g is None or zero_at is None or zero_at > after.end:
        zero_g, zero_at = scale.tare_g, loaded.start
    since_zero_h = (after.end - zero_at) / timedelta(hours=1)
    weighing = ScaleWeighing(
        scale=scale,
        at=after.end,
        # As if the scale showed its tare without a spool.
        mass_g=after.mass_g - zero_g + scale.tare_g,
        spool=use.spool,
        error_g=min(100.0, scale.step_g + drift_g_h * since_zero_h),
    )
    if jumped:
        weighing.held = "jumped"
    else:
        enter_weighing(weighing, use.spool)
    weighing.save()
    return ScalePrint.objects.create(
        scale=scale,
        job=use.job,
        spool=use.spool,
        before_g=before.mass_g,
        after_g=after.mass_g,
        error_g=scale.step_g + drift_g_h * span_h,
        weighing=weighing,
    )


def _find_loading(scale: Scale, use: JobUse, at: datetime) -> Loading | None:
    """Under which the spool was on the holder at a time."""
    loadings = Loading.objects.filter(toolhead=scale.toolhead, slot=scale.slot, spool=use.spool)
    return loadings.filter(Q(end=None) | Q(end__gt=at), start__lte=at).first()


def _list_starts(scale: Scale, job: Job) -> list[datetime]:
    """The start of the next print through the toolhead, if one began."""
    printed = Job.objects.filter(uses__toolhead=scale.toolhead) | Job.objects.filter(
        reservations__toolhead=scale.toolhead, stage=Job.Stage.PRINTING
    )
    starts = printed.filter(withdrawn_at=None, start__gte=job.end).exclude(pk=job.pk).order_by("start")
    return list(starts.values_list("start", flat=True)[:1])


def _find_idle_start(scale: Scale, job: Job, loaded: Loading) -> datetime:
    """Since when nothing printed before a job, the spool being on the holder."""
    others = Job.objects.filter(uses__toolhead=scale.toolhead, withdrawn_at=None, end__lte=job.start)
    ends = others.exclude(pk=job.pk).order_by("-end").values_list("end", flat=True)[:1]
    return max(job.start - IDLE_SEEN, loaded.start + PUT_ON, *[end + AFTER_ITS_END for end in ends])


def _note_zero(scale: Scale, now: datetime) -> None:
    """Store what the scale shows without a spool, as it was seen last."""
    minutes = load_minutes(scale, now - timedelta(hours=2), now)
    empty = [minute for minute in minutes if abs(minute.level_g - scale.tare_g) < EMPTY_G]
    level = find_level(empty, scale.step_g, newest=True)
    if level is not None and len(empty) > 2:
        scale.zero_g, scale.zero_at = level.mass_g, level.end
        Scale.objects.filter(pk=scale.pk).update(zero_g=level.mass_g, zero_at=level.end)
