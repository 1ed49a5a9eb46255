"""Assimilates the weighings of a spool: the members of its ensemble, and how its mass divides.

The result is stored as an Ensemble, which a new weighing and any change before the last one delete. Until the
next sweep stores it again, whoever needs it computes it: always from the first members and all weighings
together, so that the order of recording does not matter.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise

import numpy as np

from spools.air.hourly import HOUR
from spools.catalogue.members import start_rh
from spools.inventory.ledger import NOMINAL_NET_ERROR, core_band_g, printed_before, weighed_net_g
from spools.models import Ensemble, MassEntry, Place, Spool
from spools.moisture import exposure_hours
from spools.moisture.feedstock_lessons import Taught
from spools.moisture.history import History
from spools.physics import evidence
from spools.physics.air import ZERO_C, Array
from spools.physics.ensemble import Members
from spools.physics.evidence import OF_BAND, OF_STEP, Load, Weighings
from spools.physics_inputs import Winding
from spools.statements import Statement

# What may leave a spool unrecorded between two weighings: cut ends and purges when it is in use, next to
# nothing when it only lies there, nothing while it dries. Common practice, no source.
LOOSE_IN_USE_G, LOOSE_AT_REST_G = 3.0, 0.2
# Cardboard holds 5 to 8 % of its own water (fixtures/reference/README.md, spool bodies), less and more at
# the edges of ordinary rooms; taken as what it holds at 50 % RH.
CARDBOARD_WATER, CARDBOARD_WATER_SD = 0.065, 0.01
# Without a net mass the first weighing alone gives the amount.
UNKNOWN_NET_SD = 0.5
LEAST_CORE_SD_G = 0.3

# The windings of a spool for some members, at the times of its weighings.
Replay = Callable[[Members], Sequence[Winding]]


@dataclass(frozen=True)
class WeighingResult:
    """The members of a spool, and how its last weighing divides; None for one never weighed.

    teachers: the spools of its feedstock that it learnt from.
    """

    members: Members
    divided: dict | None
    teachers: int = 0

    @classmethod
    def from_row(cls, row: Ensemble, taught: Taught) -> "WeighingResult":
        points = np.frombuffer(bytes(row.points), "<f8").reshape(-1, len(row.names))
        return cls(Members(tuple(row.names), points), row.divided, taught.spools)

    def why(self, history: History) -> list[Statement]:
        """The effect of the weighings."""
        weighings = weighings_of(history)
        taught = [Statement("moisture_reason.taught", {"spools": self.teachers})] if self.teachers else []
        if self.divided is None:
            return taught or [Statement("moisture_reason.never_weighed")]
        unexplained_kg = self.divided["unexplained_kg"]
        used = sum(not off_kg for off_kg in unexplained_kg)
        counts = Statement("moisture_reason.weighings", {"used": used, "count": len(weighings)})
        unexplained = [
            Statement(
                "moisture_reason.unexplained_weighing", {"at": entry.at.isoformat(), "off_g": 1000 * off_kg}
            )
            for entry, off_kg in zip(weighings, unexplained_kg, strict=True)
            if off_kg
        ]
        return [*taught, counts, *unexplained]


def weighings_of(history: History) -> list[MassEntry]:
    """The weighings of a spool, in order."""
    return [entry for entry in history.entries if entry.kind == MassEntry.Kind.WEIGHED]


def stored_result(history: History, taught: Taught) -> WeighingResult | None:
    """From the stored ensemble, or the first members of a spool never weighed; None: not assimilated yet."""
    weighings = weighings_of(history)
    if not weighings:
        return unweighed_result(taught)
    row = getattr(history.spool, "ensemble", None)
    # A weighing may have been added while the facts were loaded.
    if row is None or (row.last_at, row.divided["weighings"]) != (weighings[-1].at, len(weighings)):
        return None
    return WeighingResult.from_row(row, taught)


def unweighed_result(taught: Taught) -> WeighingResult:
    """The first members, of a spool never weighed."""
    return WeighingResult(taught.members(), None, taught.spools)


def assimilate(history: History, replay: Replay, air_names: Iterable[str], taught: Taught) -> Ensemble:
    """The ensemble of a weighed spool, not stored yet. air_names: of the numbers that its airs depend on."""
    spool, weighings = history.spool, weighings_of(history)
    scale, load = _weighings(history, weighings), _load(spool, history.entries)
    first = taught.members().with_columns(air_names)

    def water_kg(points: Array) -> Array:
        return np.array([winding.water_kg() for winding in replay(replace(first, points=points))])

    first_water = water_kg(first.points)
    points = evidence.assimilate(first.points, first_water, water_kg, scale, load)
    divided = evidence.divide_mass(first_water, water_kg(points), scale, load)
    return Ensemble(
        spool=spool,
        last_at=weighings[-1].at,
        names=list(first.names),
        points=points.astype("<f8").tobytes(),
        divided={**divided._asdict(), "weighings": len(weighings)},
    )


def _weighings(history: History, weighings: Sequence[MassEntry]) -> Weighings:
    times = [history.spool.received_at, *(entry.at for entry in weighings)]
    core_course = _core_wetness(history, times[1:])
    return Weighings(
        gross_kg=np.array([_on_present_reel(history.spool, entry) for entry in weighings]) / 1000,
        step_kg=np.array([_step_g(entry) for entry in weighings]) / 1000,
        printed_kg=np.array([printed_before(entry, history.entries) for entry in weighings]) / 1000,
        loose_kg=np.array([_loose_g(history, a, b) for a, b in pairwise(times)]) / 1000,
        core_course=np.array(core_course),
    )


def _on_present_reel(spool: Spool, entry: MassEntry) -> float:
    """A weighing as if the present reel had been in it, g."""
    return weighed_net_g(spool, entry) + spool.core_mass_g


def _step_g(entry: MassEntry) -> float:
    """The step of a scale that errs as this one did together with a reel of before, g."""
    return math.hypot(entry.resolution_g, OF_BAND * (entry.core_band_g or 0.0) / OF_STEP)


def _loose_g(history: History, since: datetime, until: datetime) -> float:
    if any(run.start <= since and (run.end is None or until <= run.end) for run in history.runs):
        return 0.0
    printer = any(
        stay.place.kind == Place.Kind.PRINTER
        and stay.start < until
        and (stay.end is None or stay.end > since)
        for stay in history.stays
    )
    changed = any(
        since <= entry.at <= until and entry.kind not in (MassEntry.Kind.WEIGHED, MassEntry.Kind.RECEIVED)
        for entry in history.entries
    )
    return LOOSE_IN_USE_G if printer or changed else LOOSE_AT_REST_G


def _load(spool: Spool, entries: Sequence[MassEntry]) -> Load:
    net_g = sum(entry.net_change_g or 0.0 for entry in entries if entry.kind == MassEntry.Kind.RECEIVED)
    net_sd_g = OF_BAND * NOMINAL_NET_ERROR * net_g
    if not net_g:
        first = next(entry for entry in entries if entry.kind == MassEntry.Kind.WEIGHED)
        net_g = max(1.0, weighed_net_g(spool, first) + printed_before(first, entries))
        net_sd_g = UNKNOWN_NET_SD * net_g
    core_g = spool.core_mass_g if spool.core_material == Spool.CoreMaterial.CARDBOARD else 0.0
    return Load(
        filament_kg=net_g / 1000,
        filament_sd_kg=net_sd_g / 1000,
        core_kg=spool.core_mass_g / 1000,
        core_sd_kg=max(LEAST_CORE_SD_G, OF_BAND * core_band_g(spool)) / 1000,
        core_water_kg=CARDBOARD_WATER * core_g / 1000,
        core_water_sd_kg=CARDBOARD_WATER_SD * core_g / 1000,
    )


def _core_wetness(history: History, times: Sequence[datetime]) -> list[float]:
    """How much wetter than at 50 % RH a cardboard reel is at these times, as a share of that."""
    if history.spool.core_material != Spool.CoreMaterial.CARDBOARD:
        return [0.0] * len(times)
    _, likely_rh, _ = start_rh(history.spool)[0]
    share, wetness = likely_rh / 50, []
    segments = history.segments(history.spool.received_at, times[-1])
    reached, segment = history.spool.received_at, next(segments, None)
    for at in times:
        while segment is not None and reached < at:
            until = min(at, segment.end)
            air, seconds = segment.air, (until - reached) / HOUR * 3600
            # In its unopened bag it breathes no air, see steps.py.
            if segment.kind != exposure_hours.Exposure.UNOPENED:
                share = evidence.cardboard_after(share, seconds, air.temperature_c + ZERO_C, air.rh_pct / 100)
            reached = until
            if until == segment.end:
                segment = next(segments, None)
        wetness.append(share - 1)
    return wetness
