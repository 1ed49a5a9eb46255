"""Weighings that a scale sends: of the spool with the code, or of the one that was scanned last where it stands.

A scale cannot read an answer. Therefore a mass that the books refuse is not lost but held, with the reason, until a
person settles it with one act. See docs/decisions/098-scales.md.
"""

from datetime import datetime, timedelta
from typing import Any, NamedTuple

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.models import Loading, Scale, ScaleWeighing, Scan
from maintenance.scales.scales import find_or_add_scale
from spools import codes
from spools.catalogue.values import material_values
from spools.checks import CLOCK_TOLERANCE, lock_spool_facts, require_past_time
from spools.inventory.ledger import core_band_g, reel_then, weigh, weighed_net_g
from spools.inventory.queries import find_by_code
from spools.models import MassEntry, Place, Spool
from spools.refusals import refusal

# A scan is the answer to "which spool?" for so long. Common practice, no source.
SCAN_COUNTS = timedelta(minutes=10)
# A label's net mass may be short of what is wound. Common practice, no source.
LABEL_MAY_UNDERSTATE = 1.1
# Water at saturation, in units of that at 50 % RH: Henry's law.
SATURATED = 2.0

Kind = MassEntry.Kind


class SentMass(NamedTuple):
    """A mass as a scale sent it: in g, with the spool's code and the sender's id where it gives them."""

    scale: str
    mass_g: float
    at: datetime | None = None
    is_net: bool = False
    sent_id: str = ""
    code: str = ""


@transaction.atomic
def record_weighing(sent: SentMass, *, by: Any = None) -> tuple[ScaleWeighing, bool]:
    """Store a mass that a scale sent, as a weighing of its spool or held. True: it was stored before.

    A scale that is not known yet gets a row. Refused: more than MOST_SCALES scales.
    """
    # Before the scale, as everybody who writes facts of spools does.
    lock_spool_facts()
    scale = find_or_add_scale(sent.scale)
    now = timezone.now()
    known = _find_known(scale, sent)
    if known is not None:
        return known, True
    row = ScaleWeighing(
        scale=scale,
        sent_id=sent.sent_id,
        at=sent.at or now,
        mass_g=sent.mass_g,
        is_net=sent.is_net,
        code=sent.code[:100],
        recorded_by=by,
    )
    _settle(row, by=by)
    row.save()
    return row, False


@transaction.atomic
def record_scan(spool: Spool, place: Place, *, at: datetime | None = None, by: Any = None) -> Scan:
    """A spool was scanned at a place. Weighings there that wait for their spool, up to SCAN_COUNTS later, are its."""
    lock_spool_facts()
    at = require_past_time(at)
    scan, is_new = Scan.objects.get_or_create(spool=spool, place=place, at=at, defaults={"recorded_by": by})
    if is_new:
        waiting = ScaleWeighing.objects.filter(scale__place=place, held="which_spool", code="")
        for row in waiting.filter(at__gte=at, at__lte=at + SCAN_COUNTS).order_by("at", "id"):
            _settle(row, by=by)
            row.save()
    return scan


@transaction.atomic
def settle_weighing(row: ScaleWeighing, spool: Spool, *, by: Any = None) -> ScaleWeighing:
    """A person states the spool of a held mass, or that an unlikely one is right: it becomes a weighing.

    Refused: a mass that is not held any more, and what no weighing of this spool can be.
    """
    row = _lock_held(row)
    row.spool = spool
    row.entry = _weigh(row, spool, by=by)
    row.held = ""
    row.save()
    return row


@transaction.atomic
def hold_again(row: ScaleWeighing, *, held: str, by: Any = None) -> ScaleWeighing:
    """Take back that a held mass was settled or set aside; its weighing is withdrawn before."""
    lock_spool_facts()
    row.entry, row.held = None, held
    row.save(update_fields=["entry", "held"])
    return row


@transaction.atomic
def set_aside(row: ScaleWeighing) -> ScaleWeighing:
    """A held mass is no weighing of a spool. Refused: one that is not held any more."""
    row = _lock_held(row)
    row.held = ""
    row.save(update_fields=["held"])
    return row


def count_held() -> int:
    """How many masses wait for a person."""
    return ScaleWeighing.objects.exclude(held="").count()


def find_loaded(scale: Scale, at: datetime) -> Spool | None:
    """The spool that a scale under a holder carried at a time."""
    loadings = Loading.objects.filter(toolhead=scale.toolhead, slot=scale.slot, start__lte=at)
    loading = loadings.filter(Q(end=None) | Q(end__gt=at)).select_related("spool__feedstock__polymer").first()
    return loading.spool if loading else None


def find_last_scan(place: Place, at: datetime) -> Scan | None:
    """The scan at a place that counts at a time."""
    scans = Scan.objects.filter(place=place, at__lte=at, at__gte=at - SCAN_COUNTS)
    return scans.select_related("spool__feedstock__polymer").order_by("at", "id").last()


def find_candidates(row: ScaleWeighing, most: int = 4) -> list[Spool]:
    """The spools to choose from for a held mass: the one supposed, those scanned there last, those that are there."""
    spools = Spool.objects.filter(ended_at=None).select_related("feedstock__maker", "feedstock__polymer")
    place = row.scale.place
    ids = [row.spool_id] if row.spool_id else []
    if place is not None:
        scans = Scan.objects.filter(place=place, at__gte=row.at - timedelta(hours=12))
        ids += scans.order_by("-at").values_list("spool", flat=True)[:most]
        ids += spools.filter(stays__place=place, stays__end=None).values_list("pk", flat=True)[:most]
    by_id = spools.in_bulk(list(dict.fromkeys(ids))[:most])
    return [by_id[pk] for pk in dict.fromkeys(ids) if pk in by_id]


def _find_known(scale: Scale, sent: SentMass) -> ScaleWeighing | None:
    if sent.sent_id:
        return scale.weighings.filter(sent_id=sent.sent_id).first()
    if sent.at is None:
        return None
    return scale.weighings.filter(at=sent.at, mass_g=sent.mass_g, code=sent.code[:100]).first()


def _settle(row: ScaleWeighing, *, by: Any) -> None:
    """Give a mass its spool and its entry in the books, or the reason why it is held. Not saved."""
    if row.code:
        try:
            row.spool = find_by_code(codes.normalise(row.code))
        except ValidationError:
            row.spool = None
        if row.spool is None:
            row.held = "unknown_code"
            return
    elif row.scale.toolhead_id:
        row.spool = find_loaded(row.scale, row.at)
        if row.spool is None:
            row.held = "not_loaded"
            return
    else:
        scan = find_last_scan(row.scale.place, row.at) if row.scale.place else None
        if scan is None:
            row.held = "which_spool"
            return
        row.spool = scan.spool
        before = _weighed_by_scan(row, scan)
        if before is not None:
            # The spool stayed on the scale: the same mass again is no news.
            off_g = abs(before.mass_g - row.mass_g)
            same = before.is_net == row.is_net and off_g <= 2 * row.scale.step_g
            row.entry, row.held = (before.entry, "") if same else (None, "other_mass")
            return
    enter_weighing(row, row.spool, by=by)


def enter_weighing(row: ScaleWeighing, spool: Spool, *, by: Any = None) -> None:
    """Enter a mass into the books as a weighing of a spool, or note why it is held. Not saved."""
    gross_g = _gross_g(row, spool)
    if gross_g > find_heaviest_g(spool, row.at) + 2 * (row.error_g or row.scale.step_g):
        row.held = "above_ever_weighed"
        return
    try:
        row.entry, row.held = _weigh(row, spool, by=by), ""
    except ValidationError as error:
        errors = (
            [each for group in error.error_dict.values() for each in group]
            if hasattr(error, "error_dict")
            else error.error_list
        )
        row.held = str(errors[0].code)


def _weigh(row: ScaleWeighing, spool: Spool, *, by: Any) -> MassEntry:
    # A scale's clock that was ahead: it was weighed when the mass came.
    came_at = row.recorded_at or timezone.now()
    ahead = row.at > came_at + CLOCK_TOLERANCE and row.pk is not None
    return weigh(
        spool,
        _gross_g(row, spool),
        resolution_g=row.error_g or row.scale.step_g,
        at=came_at if ahead else row.at,
        by=by,
        note=row.scale.name,
    )


def _gross_g(row: ScaleWeighing, spool: Spool) -> float:
    """With the reel, without the scale's holder or tray."""
    reel_g = reel_then(spool, row.at).core_mass_g if row.is_net else 0.0
    return row.mass_g - row.scale.tare_g + reel_g


def find_heaviest_g(spool: Spool, at: datetime) -> float:
    """The most that a spool with its reel can weigh at a time [g]: what it ever held, at saturation with water."""
    most_g = 0.0
    for entry in spool.mass_entries.valid().amounts().filter(at__lte=at).order_by("at", "id"):
        if entry.kind == Kind.RECEIVED:
            most_g = max(most_g, LABEL_MAY_UNDERSTATE * (entry.net_change_g or 0.0))
        elif entry.kind == Kind.WEIGHED:
            most_g = max(most_g, weighed_net_g(spool, entry))
        elif entry.kind == Kind.JOINED:
            most_g += entry.net_change_g or 0.0
    reel = reel_then(spool, at)
    wet = 1 + SATURATED * material_values(spool.feedstock).w50_pct / 100
    return most_g * wet + reel.core_mass_g + core_band_g(reel)


def _weighed_by_scan(row: ScaleWeighing, scan: Scan) -> ScaleWeighing | None:
    """The weighing that this scan answered before."""
    before = ScaleWeighing.objects.filter(scale=row.scale, spool=scan.spool, entry__withdrawn_at=None)
    return before.filter(entry__isnull=False, at__gte=scan.at, at__lte=row.at).exclude(pk=row.pk).first()


def _lock_held(row: ScaleWeighing) -> ScaleWeighing:
    # Whoever writes a mass of a scale holds this lock.
    lock_spool_facts()
    row = ScaleWeighing.objects.select_related("scale__place").get(pk=row.pk)
    if not row.held:
        raise refusal("settled_already", _("Somebody settled this mass already. Look at the list again."))
    return row
