"""Corrections of assumptions: of a place, of a material's data, of a spool's reel.

These are not facts with a time. Moisture that was computed with other numbers is deleted and computed again
(spools/invalidation.py).
"""

from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from background.queue import enqueue
from spools import limits
from spools.checks import lock_spool, lock_spool_facts, require_in_use, require_within
from spools.edits.versions import count_edit
from spools.invalidation import invalidate_after, invalidate_answers, save_assumptions
from spools.inventory.ledger import JUST_BEFORE, Kind
from spools.inventory.receipts import list_changes
from spools.inventory.receiving import require_winding_fits
from spools.models import DryingRun, Feedstock, Maker, Place, Polymer, Spool, SpoolCorrection
from spools.refusals import refusal
from spools.wording import format_exact, format_mass, format_time

# The first may not be above the second.
IN_ORDER = [
    ("dry_set_c", "dry_cap_c", "The usual drying temperature may not be above the highest"),
    ("limit_clear_pct", "limit_hold_pct", "The moisture that prints well may not be above the print limit"),
    ("nozzle_min_c", "nozzle_max_c", "The lowest nozzle temperature may not be above the highest"),
    ("bed_min_c", "bed_max_c", "The lowest bed temperature may not be above the highest"),
]

RANGES = [
    ("w50_pct", "w50_low", "w50_high"),
    ("d23_m2_s", "d23_low", "d23_high"),
    ("e_d_kj_mol", "e_d_low", "e_d_high"),
]


@transaction.atomic
def save_place(place: Place) -> Place:
    """Stores a new or corrected place. Refused: impossible fields."""
    # Before the row: whoever records a fact holds this lock when the place's generation is raised.
    lock_spool_facts()
    count_edit(place)
    place.full_clean()
    if place.room is not None and place.room.kind == Place.Kind.DRY_BOX and place.kind != Place.Kind.BAG:
        raise refusal(
            "not_a_room",
            _("{room} is a dry box: only bags lie in one. Choose a room.").format(room=place.room),
            "room",
        )
    if place.kind == Place.Kind.PRINTER and _is_renamed(place):
        raise refusal(
            "name_of_printer", _("A printer's place has the printer's name. Rename the printer."), "name"
        )
    if place._state.adding:
        place.save(force_insert=True)
        if place.feeds or place.kind == Place.Kind.PRINTER:
            invalidate_answers()
    else:
        # The generation may have been raised since the place was read.
        names = {field.name for field in Place._meta.concrete_fields if not field.primary_key}
        save_assumptions(place, update_fields=names - {"cache_generation"})
    return place


def _is_renamed(place: Place) -> bool:
    return not place._state.adding and not Place.objects.filter(pk=place.pk, name=place.name).exists()


@transaction.atomic
def save_feedstock(feedstock: Feedstock, maker_name: str) -> Feedstock:
    """Stores a new or corrected feedstock of a maker, who is added when new. Refused: impossible fields."""
    name = " ".join(maker_name.split())
    feedstock.maker = Maker.objects.filter(name__iexact=name).first() or Maker.objects.create(name=name)
    count_edit(feedstock)
    feedstock.full_clean()
    validate_feedstock(feedstock)
    save_assumptions(feedstock)
    return feedstock


# The fields of a spool's reel that may be corrected.
REEL = [
    "batch",
    "core_mass_g",
    "core_mass_known",
    "core_mass_band_g",
    "core_material",
    "core_cap_c",
    "core_radius_mm",
    "width_mm",
]


@transaction.atomic
def correct_reel(spool: Spool, *, by: Any = None, **values: Any) -> Spool:
    """Stores other numbers of a spool's reel, some of REEL; amount and moisture are computed again.

    Refused: while it dries (the reel's material caps the set point), a reel heavier than the spool weighed
    with it, a winding that would not fit, a reel that was corrected since the spool was read.
    """
    lock_spool_facts()
    count_edit(spool)
    spool = lock_spool(spool)
    require_in_use(spool)
    if DryingRun.objects.filter(spool=spool, end=None).exists():
        raise refusal(
            "in_a_dryer", _("It is in a dryer, and the reel decides how hot that may get. Take it out first.")
        )
    before = {name: getattr(spool, name) for name in REEL}
    for name in values.keys() & REEL:
        setattr(spool, name, values[name])
    spool.clean_fields()
    spool.core_mass_g = require_within("core_mass_g", spool.core_mass_g, *limits.CORE_G)
    spool.core_mass_band_g = require_within("core_mass_band_g", spool.core_mass_band_g, *limits.CORE_ERROR_G)
    if spool.core_cap_c is not None:
        require_within("core_cap_c", spool.core_cap_c, *limits.CORE_CAP_C)
    for entry in spool.mass_entries.valid().filter(kind__in=[Kind.WEIGHED, Kind.RECEIVED]):
        if entry.net_change_g is not None:
            require_winding_fits(spool, entry.net_change_g)
            continue
        if entry.core_mass_g is not None:
            # It was on another reel then.
            continue
        gross_g = entry.gross_g or 0.0
        if gross_g < spool.core_mass_g - spool.core_mass_band_g - entry.resolution_g:
            raise refusal(
                "reel_too_heavy",
                _(
                    "It weighed {gross} with its reel on {at}: the reel cannot weigh more. Look at both numbers; a "
                    "wrong weighing can be withdrawn."
                ).format(gross=format_mass(gross_g, -2), at=format_time(entry.at)),
                "core_mass_g",
            )
        require_winding_fits(spool, max(0.0, gross_g - spool.core_mass_g))
    spool.save(update_fields=REEL)
    changes = list_changes(before, {name: getattr(spool, name) for name in REEL})
    if changes:
        SpoolCorrection.objects.create(spool=spool, changes=changes, recorded_by=by)
    invalidate_after([spool.pk], spool.received_at - JUST_BEFORE)
    enqueue("spools.advance_moisture", {"spool_ids": [spool.pk]})
    return spool


def validate_feedstock(feedstock: Feedstock) -> None:
    """Refused: data-sheet values that no filament has, or that contradict each other or the polymer's."""
    stated = {name: getattr(feedstock, name) for name in Feedstock.OVERRIDES}
    _validate_material(stated, feedstock.polymer)


def validate_polymer(polymer: Polymer) -> None:
    """Refused: values that no polymer has, or that contradict each other."""
    _validate_material({name: getattr(polymer, name) for name in Feedstock.OVERRIDES}, polymer)
    for name, low, high in RANGES:
        if not 0 < getattr(polymer, low) <= getattr(polymer, name) <= getattr(polymer, high):
            raise refusal(
                "out_of_range",
                _("It must lie between {low} and {high}, which are above zero.").format(low=low, high=high),
                name,
            )


def _validate_material(stated: dict[str, float | None], polymer: Polymer) -> None:
    """Refused: numbers that no filament has, and pairs that contradict each other.

    stated: the values of a data sheet; the polymer's count where it states none.
    """
    for name, value in stated.items():
        if value is not None:
            require_within(name, value, *limits.MATERIAL[name])
    for lower, upper, sentence in IN_ORDER:
        low, high = (_stated_or_polymers(stated, polymer, name) for name in (lower, upper))
        if low > high:
            field = lower if stated[lower] is not None else upper
            raise refusal(
                "contradiction",
                _("{sentence}: {low} and {high}. Correct one of them.").format(
                    sentence=sentence, low=format_exact(low), high=format_exact(high)
                ),
                field,
            )


def _stated_or_polymers(stated: dict[str, float | None], polymer: Polymer, name: str) -> float:
    value = stated[name]
    return getattr(polymer, name) if value is None else value
