"""The ledger of a spool: received, weighed, printed and cut grams, and the amount that follows from them."""

from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Sum
from django.utils.translation import gettext as _

from spools import limits
from spools.catalogue.values import material_values
from spools.checks import lock_spool, require_in_use, require_past_time, require_within
from spools.codes import pretty
from spools.facts import mark_withdrawn
from spools.invalidation import invalidate_after, invalidate_after_mass
from spools.inventory.queries import spools_by_id
from spools.models import DryingRun, MassEntry, Spool
from spools.models.facts import Withdrawable
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_mass

Kind = MassEntry.Kind
# A cache of the very time of an entry rests on it, too.
JUST_BEFORE = timedelta(microseconds=1)
# A label may understate what is on the spool, and water adds to it; half as much again is a slip.
MOST_OVER_RECEIVED = 1.5
# The errors of a nominal net mass and of an unweighed reel of a known kind. Common practice, no source.
NOMINAL_NET_ERROR = 0.02
UNWEIGHED_CORE_ERROR = 0.10


@dataclass(frozen=True)
class Amount:
    """Filament on a spool without its water, grams: likely, lowest, highest, and the reasons."""

    mass_g: float
    low_g: float
    high_g: float
    why: list[Statement]


def remaining(spool: Spool) -> Amount:
    """The amount on the spool now."""
    return remaining_by_spool([spool])[spool.pk]


def remaining_by_spool(spools: Iterable[Spool]) -> dict[int, Amount]:
    """The amount on each spool now, by spool id. Four queries for each thousand spools.

    The last weighing less the grams printed since; without a weighing, the net mass as sold less the grams
    printed.
    """
    by_id = spools_by_id([spool.pk for spool in spools])
    entries: dict[int, list[MassEntry]] = {pk: [] for pk in by_id}
    for entry in MassEntry.objects.valid().amounts().filter(spool__in=by_id):
        entries[entry.spool_id].append(entry)
    dried_to = dict(
        DryingRun.objects.filter(spool__in=by_id, after__isnull=False, mass_g=None).values_list(
            "after", "target_pct"
        )
    )
    return {pk: amount(spool, entries[pk], dried_to) for pk, spool in by_id.items()}


def core_band_g(spool: Spool) -> float:
    """The uncertainty of the empty reel's mass, plus or minus g."""
    if spool.core_mass_known or spool.core_mass_band_g:
        return spool.core_mass_band_g
    return spool.core_mass_g * UNWEIGHED_CORE_ERROR


def amount(spool: Spool, entries: Sequence[MassEntry], dried_to: dict[int, float]) -> Amount:
    """The amount that follows from the entries of one spool, in the order of their times. No query.

    dried_to: the target of the run in %, for weighings that closed a drying run of all of it, by entry id.
    """
    if spool.ended_at:
        ended = Statement("amount_reason.ended", {"at": spool.ended_at.isoformat()})
        return Amount(0.0, 0.0, 0.0, [ended])
    return _amount_by_entries(spool, entries, dried_to)


def _amount_by_entries(spool: Spool, entries: Sequence[MassEntry], dried_to: dict[int, float]) -> Amount:
    start = max((n for n, entry in enumerate(entries) if entry.kind == Kind.WEIGHED), default=None)
    if start is None:
        mass_g = sum(entry.net_change_g or 0.0 for entry in entries if entry.kind == Kind.RECEIVED)
        low_g, high_g = mass_g * (1 - NOMINAL_NET_ERROR), mass_g * (1 + NOMINAL_NET_ERROR)
        label = {"mass_g": mass_g, "error_pct": 100 * NOMINAL_NET_ERROR}
        why = [Statement("amount_reason.label", label)]
        since = [entry for entry in entries if entry.kind != Kind.RECEIVED]
    else:
        together = _amount_by_ensemble(spool, entries, entries[start])
        mass_g, low_g, high_g, why = together or _amount_by_weighing(spool, entries[start], dried_to)
        since = [entry for entry in entries[start + 1 :] if entry.kind != Kind.RECEIVED]
    change_g = sum(entry.net_change_g or 0.0 for entry in since)
    joined_g = sum(entry.net_change_g or 0.0 for entry in since if entry.kind == Kind.JOINED)
    if joined_g:
        why.append(Statement("amount_reason.joined", {"joined_g": joined_g}))
    if change_g != joined_g:
        why.append(Statement("amount_reason.printed", {"printed_g": joined_g - change_g}))
    return Amount(max(0.0, mass_g + change_g), max(0.0, low_g + change_g), max(0.0, high_g + change_g), why)


def reel_of(spool: Spool, weighing: MassEntry) -> tuple[float, float]:
    """Mass and uncertainty, g, of the reel that a weighing has in it: the present one, or one of before."""
    if weighing.core_mass_g is None:
        return spool.core_mass_g, core_band_g(spool)
    return weighing.core_mass_g, weighing.core_band_g or 0.0


def weighed_net_g(spool: Spool, weighing: MassEntry) -> float:
    """A weighing without its reel, g."""
    return (weighing.gross_g or 0.0) - reel_of(spool, weighing)[0]


def winding_masses(spool: Spool, entries: Sequence[MassEntry]) -> list[tuple[datetime, float]]:
    """The mass of the winding with its water, in grams, after each entry; its geometry follows from it.

    Where the weighing at receipt was withdrawn, the mass at receipt is counted back from the next weighing.
    """
    mass_g, masses = 0.0, []
    first = next((entry for entry in entries if entry.kind in (Kind.RECEIVED, Kind.WEIGHED)), None)
    if first is not None and first.gross_g is not None and first.at > spool.received_at:
        mass_g = weighed_net_g(spool, first) + printed_before(first, entries)
        masses.append((spool.received_at, mass_g))
    for entry in entries:
        if entry.gross_g is not None:
            mass_g = weighed_net_g(spool, entry)
        else:
            mass_g += entry.net_change_g or 0.0
        masses.append((entry.at, mass_g))
    return masses


def printed_before(weighing: MassEntry, entries: Sequence[MassEntry]) -> float:
    """Grams that left the spool before a weighing, as recorded; ``entries`` in the order of their times."""
    before = entries[: [entry.pk for entry in entries].index(weighing.pk)]
    return -sum(entry.net_change_g or 0.0 for entry in before if entry.kind != Kind.RECEIVED)


def _amount_by_ensemble(
    spool: Spool, entries: Sequence[MassEntry], weighing: MassEntry
) -> tuple[float, float, float, list[Statement]] | None:
    """The amount by all weighings and the moisture together; None until they are assimilated."""
    row = getattr(spool, "ensemble", None)
    count = sum(entry.kind == Kind.WEIGHED for entry in entries)
    if row is None or row.last_at != weighing.at or row.divided["weighings"] != count:
        return None

    divided_g = {
        f"{column}_g": [max(0.0, 1000 * kg) for kg in row.divided[column]]
        for column in ("filament", "water", "core")
    }
    together = {**_weighed_values(weighing), "weighings": count, **divided_g}
    why = [Statement("amount_reason.weighings_and_moisture", together)]
    low_kg, high_kg = row.divided["surely"]
    likely_g, printed_g = 1000 * row.divided["filament"][1], printed_before(weighing, entries)
    if printed_g > 0:
        low, likely, high = (100 * share for share in row.divided["printed_share"])
        real = {"recorded_g": printed_g, "real_pct": likely, "real_low_pct": low, "real_high_pct": high}
        why.append(Statement("amount_reason.really_printed", real))
    return max(0.0, likely_g), max(0.0, 1000 * low_kg), max(0.0, 1000 * high_kg), why


def _weighed_values(weighing: MassEntry) -> dict[str, Any]:
    return {"at": weighing.at.isoformat(), "gross_g": weighing.gross_g, "step_g": weighing.resolution_g}


def _amount_by_weighing(
    spool: Spool, weighing: MassEntry, dried_to: dict[int, float]
) -> tuple[float, float, float, list[Statement]]:
    gross_g, step_g = weighing.gross_g or 0.0, weighing.resolution_g
    core_g, band_g = reel_of(spool, weighing)
    if weighing.pk in dried_to:
        wettest_pct = dried_to[weighing.pk]
        water = Statement("amount_reason.dried", {"most_pct": wettest_pct})
    else:
        wettest_pct = material_values(spool.feedstock).w50_pct
        water = Statement("amount_reason.water_unknown", {"most_pct": wettest_pct})
    reel = {"core_g": core_g, "band_g": band_g, "known": spool.core_mass_known}
    why = [
        Statement("amount_reason.weighed", _weighed_values(weighing)),
        Statement("amount_reason.reel", reel),
        water,
    ]
    net_g, off_g = gross_g - core_g, step_g + band_g
    return (
        max(0.0, net_g) / (1 + wettest_pct / 200),
        max(0.0, net_g - off_g) / (1 + wettest_pct / 100),
        max(0.0, net_g + off_g),
        why,
    )


@transaction.atomic
def weigh(
    spool: Spool,
    gross_g: float,
    *,
    resolution_g: float = 1.0,
    at: datetime | None = None,
    by: Any = None,
    note: str = "",
) -> MassEntry:
    """Records a mass on the scale, with the reel. The ledger starts from this weighing from now on.

    Its news of moisture and amount is assimilated at once, in the background.
    resolution_g: the scale's smallest step. Refused: less than the empty reel weighs, more than 10 kg on it.
    """
    spool = lock_spool(spool)
    at = require_past_time(at, spool)
    require_in_use(spool, at)
    reel = reel_then(spool, at)
    gross_g, resolution_g = require_gross_mass(reel, gross_g, resolution_g)
    _require_not_far_above_received(reel, gross_g)
    is_other = reel is not spool
    invalidate_from(spool, at, weighed=True)
    return MassEntry.objects.create(
        spool=spool,
        kind=Kind.WEIGHED,
        at=at,
        gross_g=gross_g,
        resolution_g=resolution_g,
        core_mass_g=reel.core_mass_g if is_other else None,
        core_band_g=core_band_g(reel) if is_other else None,
        note=note,
        recorded_by=by,
    )


def reel_then(spool: Spool, at: datetime) -> Spool:
    """The spool with the reel that it was on at a time; itself for the present one."""
    later = next((text for text in spool.respooled_at if at < datetime.fromisoformat(text)), None)
    if later is None:
        return spool
    then = copy(spool)
    for name, value in spool.respoolings.valid().get(at=datetime.fromisoformat(later)).before.items():
        setattr(then, name, value)
    return then


def invalidate_from(spool: Spool, at: datetime, *, weighed: bool = False) -> None:
    """Deletes the caches after an entry, or all of them where no earlier entry gives the spool's amount.

    weighed: as for invalidate_after_mass.
    """
    before = spool.mass_entries.valid().filter(kind__in=[Kind.RECEIVED, Kind.WEIGHED], at__lt=at)
    since = at if before.exists() else min(at, spool.received_at - JUST_BEFORE)
    if spool.sealed and not weighed:
        # It may open the bag, or leave it sealed: then the spool breathes the air of its dry box, or does not.
        invalidate_after([spool.pk], since)
    else:
        invalidate_after_mass(spool.pk, since, weighed=weighed)


def invalidate_entry(entry: MassEntry) -> None:
    """Deletes the caches that rest on an entry, with the checkpoint that was stored at its time."""
    invalidate_from(entry.spool, entry.at - JUST_BEFORE)


def require_gross_mass(spool: Spool, gross_g: float, resolution_g: float) -> tuple[float, float]:
    """Returns a gross mass and a scale's step. Refused: a mass that a spool with this reel cannot have."""
    lightest_g = max(0.0, spool.core_mass_g - core_band_g(spool) - resolution_g)
    gross_g = require_within(
        "gross_g", gross_g, 0, limits.NET_G.high + spool.core_mass_g + core_band_g(spool), "g"
    )
    resolution_g = require_within("resolution_g", resolution_g, *limits.SCALE_STEP_G)
    if gross_g < lightest_g:
        raise refusal(
            "below_reel_mass",
            _(
                "{gross} is less than the empty reel weighs ({core_mass}). Weigh the spool with its reel; where "
                "nothing is left on it, take it out of use."
            ).format(gross=format_mass(gross_g, -2), core_mass=format_mass(spool.core_mass_g, -2)),
            "gross_g",
        )
    return gross_g, resolution_g


def _require_not_far_above_received(spool: Spool, gross_g: float) -> None:
    """Refused: far more than was received, such as a digit too many; no filament returns to a spool."""
    received_g = (
        spool.mass_entries.valid()
        .filter(kind__in=[Kind.RECEIVED, Kind.JOINED])
        .aggregate(g=Sum("net_change_g"))["g"]
    )
    if received_g and gross_g - spool.core_mass_g - core_band_g(spool) > MOST_OVER_RECEIVED * received_g:
        raise refusal(
            "above_received_mass",
            _(
                "{gross} is far more than this spool can weigh: it came with {received} on a reel of "
                "{core_mass}. Look at the scale again."
            ).format(
                gross=format_mass(gross_g, -2),
                received=format_mass(received_g),
                core_mass=format_mass(spool.core_mass_g),
            ),
            "gross_g",
        )


@transaction.atomic
def take(
    spool: Spool,
    mass_g: float,
    *,
    at: datetime | None = None,
    kind: str = Kind.PRINTED,
    note: str = "",
    cause: Statement | None = None,
    by: Any = None,
) -> MassEntry:
    """Records grams that left the spool, printed or removed by hand. cause: the act. Refused: more than it can hold."""
    spool = lock_spool(spool)
    at = require_past_time(at, spool)
    require_in_use(spool, at)
    mass_g = require_within("mass_g", mass_g, *limits.TAKEN_G)
    if kind not in (Kind.PRINTED, Kind.REMOVED, Kind.MOVED):
        raise refusal("unknown_kind", _("Filament that leaves a spool is printed, removed or moved."), "kind")
    held = _held_until_next_weighing(spool, at)
    if mass_g > held.high_g:
        raise refusal(
            "not_enough_filament",
            _(
                "Spool {spool} holds at most {high}, not {mass}. Take another spool, or weigh this one."
            ).format(spool=pretty(spool.code), high=format_mass(held.high_g), mass=format_mass(mass_g)),
            "mass_g",
        )
    invalidate_from(spool, at)
    return MassEntry.objects.create(
        spool=spool, kind=kind, at=at, net_change_g=-mass_g, note=note, cause=cause, recorded_by=by
    )


def _held_until_next_weighing(spool: Spool, at: datetime) -> Amount:
    """The amount that may still be taken at ``at``; later takes count too, up to the next weighing."""
    entries = list(spool.mass_entries.valid().order_by("at", "id"))
    following = (n for n, entry in enumerate(entries) if entry.kind == Kind.WEIGHED and entry.at > at)
    return _amount_by_entries(spool, entries[: next(following, len(entries))], {})


def withdraw_printed(entry: MassEntry, fact: Withdrawable) -> None:
    """Withdraws the grams of a withdrawn job or flow check: they are on the spool as before."""
    lock_spool(entry.spool)
    invalidate_entry(entry)
    mark_withdrawn(entry, by=fact.withdrawn_by, reason=fact.withdrawn_reason)
