"""The gate of drying runs: every start passes it, and plans ask it whether a start is possible now."""

import math
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from django.core.exceptions import ValidationError
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils.translation import gettext as _

from spools import limits
from spools.checks import require_in_use, require_past_time, require_within
from spools.codes import pretty
from spools.drying import softening
from spools.drying.caps import Cap, compute_cap, may_join, require_below_cap
from spools.models import DryingRun, Place, Spool, Stay
from spools.refusals import refusal
from spools.wording import format_exact, format_significant, format_temperature, format_time


class FirstStage(NamedTuple):
    """The cooler first stage of a run: its set point and its hours."""

    set_point_c: float
    hours: float


def require_dryer(place: Place) -> None:
    """Refused: a place that is not a dryer."""
    if place.kind != Place.Kind.DRYER:
        raise refusal("not_a_dryer", _("{place} is not a dryer. Choose one.").format(place=place), "dryer")


def open_runs(dryer: Place | None = None) -> QuerySet[DryingRun]:
    """The drying runs that are not finished, of one dryer or of all."""
    runs = DryingRun.objects.filter(end=None).select_related(
        "dryer__room", "spool__feedstock__polymer", "spool__feedstock__maker", "spool__feedstock__filler"
    )
    return runs if dryer is None else runs.filter(dryer=dryer)


def require_set_point(
    spools: Sequence[Spool],
    dryer: Place,
    set_point_c: float,
    *,
    first: FirstStage | None = None,
    at: datetime | None = None,
) -> dict[int, Cap]:
    """Returns the cap of each spool by its id. The spools that dry in the dryer already count too.

    first: a cooler stage before the set point.
    Refused, on ``set_point_c``, ``first_set_point_c`` or ``first_hours``: a place that is not a dryer, a
    temperature above a cap, a first stage that is too short, another set point than the dryer has or had at
    that time, a spool in the dryer without a run. Each refusal names the remedy.
    """
    return check_start(spools, dryer, set_point_c, first, require_past_time(at))[0]


def check_start(
    spools: Sequence[Spool], dryer: Place, set_point_c: float, first: FirstStage | None, at: datetime
) -> tuple[dict[int, Cap], FirstStage | None]:
    """require_set_point, with the first stage as it will be: its rest where the dryer is in one already."""
    require_dryer(dryer)
    set_point_c = require_within("set_point_c", set_point_c, *limits.SET_POINT_C)
    if first is not None:
        first = FirstStage(
            require_within("first_set_point_c", first.set_point_c, *limits.SET_POINT_C),
            require_within("first_hours", first.hours, *limits.RUN_HOURS),
        )
        if first.set_point_c >= set_point_c:
            raise refusal(
                "first_stage_hotter",
                _("A first stage is cooler than the {set_point} after it. Lower it, or leave it out.").format(
                    set_point=format_temperature(set_point_c)
                ),
                "first_set_point_c",
            )
    running = list(_runs_since(dryer, at))
    inside = [run.spool for run in running]
    caps = {spool.pk: compute_cap(spool, dryer, spools, inside) for spool in spools}
    _require_within_caps(caps.values(), set_point_c, first)
    first = _shared_first_stage(first, running, at)
    for run in running:
        _require_agreement(run, set_point_c, first, at, caps.values())
    _require_no_stays(stays_without_run([dryer], at), spools)
    if first is not None:
        soft = [spool for spool in spools if compute_cap(spool, dryer).start_c < set_point_c]
        _require_long_enough(soft, dryer, set_point_c, first, at)
    return caps, first


def _require_within_caps(caps: Collection[Cap], set_point_c: float, first: FirstStage | None) -> None:
    require_below_cap(caps, set_point_c)
    coolest = min(caps, key=lambda cap: cap.start_c)
    if first is not None and first.set_point_c > coolest.start_c:
        raise refusal(
            "above_start_cap",
            _("{set_point} is too hot to start at: {reason}. Start at {cap} or below.").format(
                set_point=format_temperature(first.set_point_c),
                reason=coolest.start_reason.sentence,
                cap=format_temperature(coolest.start_c),
            ),
            "first_set_point_c",
        )
    if first is None and set_point_c > coolest.start_c:
        raise refusal(
            "above_start_cap",
            _(
                "{set_point} is too hot to start at: {reason}. Dry at {cap} or below, or give a first stage that is no "
                "hotter; the plan gives its hours."
            ).format(
                set_point=format_temperature(set_point_c),
                reason=coolest.start_reason.sentence,
                cap=format_temperature(coolest.start_c),
            ),
            "set_point_c",
        )


def _shared_first_stage(
    first: FirstStage | None, running: Sequence[DryingRun], at: datetime
) -> FirstStage | None:
    """The first stage; where the dryer is in it already, it ends when it ends for the other spools."""
    for run in running:
        change = run.change_at
        if first is not None and first.set_point_c == run.first_set_point_c and change and at < change:
            return FirstStage(first.set_point_c, (change - at) / timedelta(hours=1))
    return first


def _require_agreement(
    run: DryingRun, set_point_c: float, first: FirstStage | None, at: datetime, caps: Collection[Cap]
) -> None:
    """Refused: stages that differ from those of a run in the dryer, which has one set point at a time.

    caps: of the spools that would join. The remedy is to join the run only where these caps allow it.
    """
    since = max(at, run.start)
    own_change = None if first is None else at + timedelta(hours=first.hours)
    own_c = first.set_point_c if first is not None and own_change and since < own_change else set_point_c
    changes = [
        change if change and since < change and (run.end is None or change < run.end) else None
        for change in (own_change, run.change_at)
    ]
    if own_c == run.set_point_at(since) and changes[0] == changes[1]:
        return
    names = {
        "dryer": run.dryer,
        "code": pretty(run.spool.code),
        "set_point": format_temperature(run.set_point_c),
    }
    if not all(may_join(cap, run, since) for cap in caps):
        coolest = min(caps, key=lambda cap: (cap.cap_c, cap.start_c))
        reason = coolest.reason if run.set_point_c > coolest.cap_c else coolest.start_reason
        sentence = _(
            "{dryer} dries spool {code} at {temperatures}, which is too hot to join: {reason}. Finish that run first, or "
            "choose another dryer."
        )
        message = sentence.format(**names, temperatures=run.temperatures, reason=reason.sentence)
        raise refusal("too_hot_to_join", message, "set_point_c")
    if changes[1] is not None:
        sentence = _(
            "{dryer} dries spool {code} at {first} until {until} and at {set_point} after that. Join in both stages, or "
            "finish that run first."
        )
        first_c = run.set_point_at(since)
        message = sentence.format(**names, first=format_temperature(first_c), until=format_time(changes[1]))
        raise refusal("other_stages", message, "set_point_c")
    code = "other_set_point" if first is None else "one_stage_only"
    sentence = _(
        "{dryer} dries spool {code} at {set_point} since {at}. Join at {set_point} in one stage, or finish that run first."
    )
    raise refusal(code, sentence.format(**names, at=format_time(run.change_at or run.start)), "set_point_c")


def _require_long_enough(
    soft: Sequence[Spool], dryer: Place, set_point_c: float, first: FirstStage, at: datetime
) -> None:
    """Refused: a first stage after which a polymer that water softens would still be soft."""
    needed = softening.first_stage_hours_in(soft, dryer, first.set_point_c, set_point_c, at)
    for spool, hours in zip(soft, needed, strict=True):
        values = {
            "code": pretty(spool.code),
            "polymer": spool.feedstock.polymer,
            "set_point": format_temperature(set_point_c),
            "first": format_temperature(first.set_point_c),
        }
        if hours is None:
            raise refusal(
                "too_soft",
                _(
                    "Spool {code} would still be soft at {set_point}: water softens {polymer}, and {hours} h at {first} do "
                    "not dry it enough here. Choose a lower set point, or {alone} or below alone."
                ).format(
                    **values,
                    hours=softening.PROBE_HOURS[-1],
                    alone=format_temperature(softening.START_CAP_C),
                ),
                "first_hours",
            )
        if first.hours < hours:
            raise refusal(
                "first_stage_too_short",
                _(
                    "Spool {code} would still be soft at {set_point}: water softens {polymer}. It needs {needed} h at "
                    "{first} first, and would have {hours} h."
                ).format(
                    **values,
                    needed=format_exact(math.ceil(hours * 4) / 4),
                    hours=format_significant(first.hours),
                ),
                "first_hours",
            )


def stays_without_run(dryers: Iterable[Place], at: datetime) -> list[Stay]:
    """Stays in dryers, at that time or later, that no drying run of the same spool covers to their end."""
    runs = DryingRun.objects.filter(
        Q(start__lte=at) | Q(start__lte=OuterRef("start")),
        Q(end=None) | Q(end__gte=OuterRef("end")),
        spool=OuterRef("spool"),
        dryer=OuterRef("place"),
    )
    stays = Stay.objects.filter(Q(end=None) | Q(end__gt=at), ~Exists(runs), place__in=dryers)
    return list(stays.select_related("place", "spool__feedstock__maker").order_by("start", "pk"))


def _require_no_stays(stays: Iterable[Stay], spools: Iterable[Spool]) -> None:
    """Refused: a run beside a spool that is in the dryer without a run, because its cap was not checked."""
    starting = {spool.pk for spool in spools}
    stay = next((stay for stay in stays if stay.spool_id not in starting), None)
    if stay is None:
        return
    names = {"code": pretty(stay.spool.code), "dryer": stay.place}
    if stay.end is None:
        sentence = _(
            "Spool {code} stands in {dryer} since {at} and would get as hot. Take it out first, or start it together with "
            "the others, where its cap counts."
        )
        raise refusal("spool_in_dryer", sentence.format(**names, at=format_time(stay.start)), "dryer")
    sentence = _(
        "Spool {code} stands in {dryer} until {at} without a drying run and would have got as hot. Give a time after that."
    )
    raise refusal("spool_in_dryer_then", sentence.format(**names, at=format_time(stay.end)), "dryer")


def why_not_now(
    spools: Sequence[Spool],
    caps: Collection[Cap],
    set_point_c: float,
    first: FirstStage | None,
    at: datetime,
    *,
    runs: Iterable[DryingRun],
    idle: Iterable[Stay],
    dryer: Place,
) -> ValidationError | None:
    """The refusal of a run at that time, apart from the caps; None when it can start.

    runs: the open runs of the shop. idle: the stays in its dryers without a run.
    """
    ids = {spool.pk for spool in spools}
    beside = [run for run in runs if run.dryer_id == dryer.pk and run.spool_id not in ids]
    try:
        for spool in spools:
            require_in_use(spool)
        for run in runs:
            if run.spool_id in ids:
                raise refusal(
                    "drying_already",
                    _("Spool {code} is drying in {dryer} since {at}. Finish that run first.").format(
                        code=pretty(run.spool.code), dryer=run.dryer, at=format_time(run.start)
                    ),
                )
        for run in beside:
            _require_agreement(run, set_point_c, _shared_first_stage(first, beside, at), at, caps)
        _require_no_stays([stay for stay in idle if stay.place_id == dryer.pk], spools)
    except ValidationError as error:
        return error
    return None


def _runs_since(dryer: Place, at: datetime) -> QuerySet[DryingRun]:
    return (
        DryingRun.objects.filter(Q(end=None) | Q(end__gt=at), dryer=dryer)
        .select_related("dryer", "spool__feedstock__polymer", "spool__feedstock__filler")
        .order_by("start")
    )
