"""Loading: a spool goes on a toolhead, with the verdict before it, and comes off again."""

from collections.abc import Container
from datetime import datetime
from typing import Any, TypedDict, Unpack

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from maintenance.board.shop import small_job_verdicts
from maintenance.changes import toolheads_changed
from maintenance.models import Loading, Toolhead
from maintenance.readiness.builder import verdict
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.occupation import find_reserved_job
from maintenance.readiness.verdict import HOLD, Verdict, encode_checks
from spools.checks import lock_spool, lock_spool_facts, require_in_use, require_past_time
from spools.codes import pretty
from spools.facts import describe_withdrawal
from spools.inventory.moves import lock_dryer, record_move, require_target
from spools.inventory.openings import find_opened, record_opening
from spools.models import Opening, Place, Spool
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_time


class LoadingSite(TypedDict, total=False):
    """Where a spool goes.

    slot: of the toolhead; None: the first free one. unload_to: where the spool that is in it goes. fed_from: a dry box
    or dryer that can feed, in whose air the spool stays.
    """

    slot: int | None
    unload_to: Place | None
    fed_from: Place | None


@transaction.atomic
def load_spool(
    toolhead: Toolhead,
    spool: Spool,
    *,
    at: datetime | None = None,
    override_reason: str = "",
    job: JobSpec | None = None,
    cause: Statement | None = None,
    by: Any = None,
    **site: Unpack[LoadingSite],
) -> Loading:
    """Loads a spool: the verdict is stored, the spool moves to the printer's place, or to that from which it is fed.

    job: judged for this one; without it for that which is planned there with the spool, else for a small one.
    cause: the act that it came with, which stands for the reason of a hold.
    Refused: a hold without a reason, a toolhead or a spool that is taken, a printer that is out of use, a place
    that does not feed.
    """
    unload_to, fed_from = site.get("unload_to"), site.get("fed_from")
    toolhead = lock_toolhead(toolhead)
    for place in (unload_to, fed_from):
        if place is not None:
            lock_dryer(place)
    spool = lock_spool(spool)
    require_in_use(spool)
    is_now, at = at is None, require_past_time(at, spool)
    override_reason = override_reason.strip()
    _require_in_use(toolhead)
    require_feeding(fed_from)
    _require_free_spool(spool, at)
    slot = _choose_slot(toolhead, site.get("slot"), at)
    _make_room(toolhead, slot, unload_to, at, by)
    if job is None:
        job = find_reserved_job(toolhead, spool)
    if job is None and is_now:
        pair = toolhead.pk, spool.pk
        judged = small_job_verdicts([(toolhead, spool)], {pair: fed_from.pk} if fed_from else None)[pair]
    else:
        judged = verdict(toolhead, spool, job, at=None if is_now else at, fed_from=fed_from)
    judged = judge_loading(toolhead, spool, judged)
    if cause is None:
        require_no_hold(judged, override_reason, "loaded")
    move = record_move(spool, fed_from or toolhead.printer.place, at=at, by=by)
    opening = None if fed_from is None else open_bag(spool, toolhead, at, by)
    toolheads_changed(Q(pk=toolhead.pk))
    return Loading.objects.create(
        toolhead=toolhead,
        slot=slot,
        spool=spool,
        start=at,
        state=judged.state,
        reasons=encode_checks(judged.checks),
        override_reason=override_reason,
        cause=cause,
        fed_from=fed_from,
        move=move,
        opening=opening,
        recorded_by=by,
    )


def judge_loading(toolhead: Toolhead, spool: Spool, judged: Verdict) -> Verdict:
    """The verdict as it counts for loading: a print from another slot of the toolhead does not stand in the way."""
    if toolhead.slots == 1:
        return judged
    code = pretty(spool.code)
    return Verdict([c for c in judged.checks if c.name != "busy" or c.statement.values["spool"] == code])


def _require_in_use(toolhead: Toolhead) -> None:
    if toolhead.printer.retired_at is not None:
        raise refusal(
            "printer_out_of_use",
            _("{printer} is out of use. Choose another printer.").format(printer=toolhead.printer),
            "toolhead",
        )
    if toolhead.retired_at is not None:
        raise refusal(
            "toolhead_out_of_use",
            _("{toolhead} is out of use. Choose another toolhead.").format(toolhead=toolhead),
            "toolhead",
        )


def require_feeding(place: Place | None) -> None:
    """Refused: a place that does not feed printers."""
    if place is not None and not place.feeds:
        raise refusal(
            "cannot_feed",
            _(
                "{place} does not feed printers. State on its page that filament can be fed from it, or choose another "
                "place."
            ).format(place=place),
            "fed_from",
        )


def open_bag(spool: Spool, toolhead: Toolhead, at: datetime, by: Any) -> Opening | None:
    """Loading opens the bag in which a spool came; a stay in a printer says so by itself."""
    opened = find_opened(spool)
    if opened is None or opened.at > at:
        return record_opening(
            spool, at=at, cause=Statement("cause.loaded", {"toolhead": str(toolhead)}), by=by
        )
    return None


@transaction.atomic
def unload_spool(loading: Loading, place: Place, *, at: datetime | None = None, by: Any = None) -> Loading:
    """Take a spool off its toolhead and put it in a place.

    Refused: one that is off already, and a place that require_target refuses.
    """
    require_target(place)
    lock_toolhead(loading.toolhead)
    lock_dryer(place)
    spool = lock_spool(loading.spool)
    loading = Loading.recorded.select_related("toolhead__printer").get(pk=loading.pk)
    if loading.withdrawn_at is not None:
        raise refusal(
            "withdrawn_already",
            _("This loading was {withdrawn} already.").format(withdrawn=describe_withdrawal(loading)),
        )
    at = require_past_time(at, spool)
    if loading.end is not None:
        raise refusal(
            "unloaded_already",
            _("This spool came off {site} on {time} already.").format(
                site=loading.site, time=format_time(loading.end)
            ),
        )
    if at < loading.start:
        raise refusal(
            "before_loading",
            _("It was loaded on {time}. Give a time after that.").format(time=format_time(loading.start)),
            "at",
        )
    loading.unloading, loading.end = record_move(spool, place, at=at, by=by), at
    loading.save(update_fields=["unloading", "end"])
    return loading


_INSTEAD = {
    "loaded": gettext_lazy("On hold: {advice} It can be loaded all the same with a reason, which is stored."),
    "recorded": gettext_lazy(
        "On hold: {advice} It can be recorded all the same with a reason, which is stored."
    ),
}


def require_no_hold(judged: Verdict, override_reason: str, action: str) -> None:
    """A hold needs a reason to go on. action: what would be done with it, "loaded" or "recorded"."""
    if judged.state == HOLD and not override_reason:
        worst = judged.reasons[0]
        raise refusal(
            "on_hold",
            _INSTEAD[action].format(advice=worst.advice),
            "override_reason",
        )
    if len(override_reason) > 300:
        raise refusal("too_long", _("Give at most 300 characters."), "override_reason")


def _require_free_spool(spool: Spool, at: datetime) -> None:
    loading = Loading.objects.filter(_lasting_at(at), spool=spool).select_related("toolhead__printer").last()
    if loading is None:
        return
    if loading.end is None:
        raise refusal(
            "loaded_elsewhere",
            _("Spool {code} is on {site}. Unload it there first.").format(
                code=pretty(spool.code), site=loading.site
            ),
        )
    raise refusal(
        "toolhead_taken_then",
        _("It was on {site} until {time}. Give a later time.").format(
            site=loading.site, time=format_time(loading.end)
        ),
        "at",
    )


def _choose_slot(toolhead: Toolhead, slot: int | None, at: datetime) -> int:
    """The slot that was asked for, else the first free one. Refused: none is free and none is given."""
    if slot is not None:
        return require_slot(toolhead, slot)
    taken = set(Loading.objects.filter(_lasting_at(at), toolhead=toolhead).values_list("slot", flat=True))
    free = find_free_slot(toolhead, taken)
    if free is None and toolhead.slots > 1:
        raise refusal(
            "slots_taken",
            _(
                "All slots of {toolhead} are taken. Give the slot whose spool comes off, or unload one first."
            ).format(toolhead=toolhead),
            "slot",
        )
    return free or 1


def require_slot(toolhead: Toolhead, slot: int) -> int:
    """The slot. Refused: one that the toolhead does not have."""
    if not 1 <= slot <= toolhead.slots:
        raise refusal(
            "no_such_slot",
            _("{toolhead} has the slots 1 to {slots}.").format(toolhead=toolhead, slots=toolhead.slots),
            "slot",
        )
    return slot


def find_free_slot(toolhead: Toolhead, taken: Container[int]) -> int | None:
    """The first slot that is not taken."""
    return next((slot for slot in range(1, toolhead.slots + 1) if slot not in taken), None)


def _make_room(toolhead: Toolhead, slot: int, unload_to: Place | None, at: datetime, by: Any) -> None:
    there = Loading.objects.filter(_lasting_at(at), toolhead=toolhead, slot=slot)
    current = there.select_related("spool").last()
    if current is None:
        return
    code = pretty(current.spool.code)
    if current.end is not None:
        raise refusal(
            "toolhead_taken_then",
            _("Spool {code} was on it until {time}. Give a later time.").format(
                code=code, time=format_time(current.end)
            ),
            "at",
        )
    if unload_to is None:
        raise refusal(
            "toolhead_taken",
            _("Spool {code} is on {site}. Say where it goes, or unload it first.").format(
                code=code, site=toolhead.name_slot(slot)
            ),
            "unload_to",
        )
    unload_spool(current, unload_to, at=at, by=by)


def _lasting_at(at: datetime) -> Q:
    return Q(end=None) | Q(end__gt=at)


def lock_toolhead(toolhead: Toolhead) -> Toolhead:
    """Locks a toolhead, with its printer's place, before the facts of spools."""
    lock_spool_facts()
    return (
        Toolhead.objects.select_for_update(no_key=True, of=("self",))
        .select_related("printer__place")
        .get(pk=toolhead.pk)
    )
