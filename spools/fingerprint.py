"""What is assumed, not recorded with a time: moisture that was computed with it is recognised by it."""

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from spools.catalogue.values import material_values
from spools.models import DryingRun, Feedstock, Filler, Place, Polymer, Spool, Stay

# Of a feedstock: what its moisture does not rest on.
NOT_ASSUMED = {"maker", "name", "colour", "reorder_point_g", "coupon_passed_c", "coupon_failed_c"}


def of_spool(spool: Spool, stays: Sequence[Stay], runs: Sequence[DryingRun], until: datetime) -> list[Any]:
    """Material, reel, how it came, and what is assumed of the places where it was till then."""
    return of_material(spool) + of_places(stays, runs, until)


def of_material(spool: Spool) -> list[Any]:
    """Material, reel, and how it came."""
    feedstock = spool.feedstock
    return [
        [material_values(feedstock)],
        [feedstock.polymer.isotherm, feedstock.polymer.gab_c, feedstock.polymer.gab_k],
        [feedstock.polymer.dry_hours, feedstock.diameter_mm],
        [spool.code, spool.sealed, spool.card, spool.received_at.astimezone(UTC)],
        [spool.core_mass_g, spool.core_radius_mm, spool.width_mm],
    ]


def of_places(stays: Sequence[Stay], runs: Sequence[DryingRun], until: datetime) -> list[Any]:
    """What is assumed of the places where a spool was till then."""
    began = {stay.place_id: stay.place for stay in stays if stay.start < until}
    places = {p.pk: p for place in began.values() for p in (place, place.room) if p is not None}
    return [
        [
            (
                *(pk, p.kind, p.room_id, p.assumed_temperature_c, p.assumed_rh_pct, p.moved_air),
                *(p.volume_l, p.half_time_h),
            )
            for pk, p in sorted(places.items())
        ],
        [run.dryer.set_point_error_c for run in runs if run.start < until],
    ]


def of_shop() -> str:
    """A fingerprint of the catalogue and of what is assumed of all places. Two queries.

    Where it has not changed, nothing has that a cache could rest on besides facts, and those cut caches back
    as they are added: then no fingerprint of single spools or boxes need be compared.
    """
    materials = [field.name for field in Feedstock._meta.concrete_fields if field.name not in NOT_ASSUMED]
    materials += [f"polymer__{field.name}" for field in Polymer._meta.concrete_fields]
    materials += [f"filler__{field.name}" for field in Filler._meta.concrete_fields]
    places = ["pk", "kind", "room", "assumed_temperature_c", "assumed_rh_pct", "moved_air"]
    places += ["volume_l", "half_time_h", "set_point_error_c"]
    return fingerprint(
        [
            list(Feedstock.objects.order_by("pk").values_list(*materials)),
            list(Place.objects.order_by("pk").values_list(*places)),
        ]
    )


def fingerprint(assumed: Any) -> str:
    return fingerprint_of_text(repr(assumed))


def fingerprint_of_text(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]
