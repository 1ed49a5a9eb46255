"""How long a dry box will stay below its humidity limit, and the effect of regenerating its desiccant."""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from spools.air.hourly import vapour_pressure_pa
from spools.models import DesiccantCharge, Place
from spools.physics import drybox
from spools.physics.air import ZERO_C, vapour_density
from spools.physics.desiccant import mass_for
from spools.physics.drybox import DAY_S, Box, DryBoxContents, Room
from spools.physics.sorbers import Sorbers

Kind = DesiccantCharge.Kind
# How far leak and desiccant may be off, each way, for the range of days. Lots of silica gel differ by 10 %
# (SERI/TR-252-2802); the leak's factor: common practice, no source.
LEAK_FACTOR, DESICCANT_SHARE = 1.5, 0.1
YEAR_S = 365 * DAY_S


class RegenerationAdvice(NamedTuple):
    """How a kind of desiccant is regenerated; in words by its statement "dry_box_regeneration"."""

    celsius: float
    hours: float


# Hours and temperatures are suppliers' notes (fixtures/reference/thermal_values.csv).
ADVICE = {
    Kind.SILICA_GEL: RegenerationAdvice(120, 3),
    Kind.MOLECULAR_SIEVE: RegenerationAdvice(250, 3),
    Kind.ALUMINA: RegenerationAdvice(200, 3),
    Kind.CLAY: RegenerationAdvice(120, 3),
}


class DaysLeft(NamedTuple):
    """Days until a box is over its limit: soonest, likely, latest; None: not within two years."""

    soonest: float | None
    likely: float | None
    latest: float | None


class RegenerationEffect(NamedTuple):
    """The effect of regenerating at a temperature: water left, and days until the limit."""

    celsius: float
    left_pct: float
    days: float | None


@dataclass(frozen=True)
class BoxOutlook:
    """The future of a box if its room stays as it is. Computed when asked for, because it takes long."""

    place: Place
    kind: Kind
    box: Box
    sorbers: Sorbers
    state: DryBoxContents
    room: Room
    openings_day: float
    hottest_c: float | None

    @property
    def limit(self) -> float:
        return self.place.limit_rh_pct / 100

    def days(self, leak: float = 1.0, share: float = 1.0) -> float | None:
        """Days until the limit, with factors on the leak and the desiccant; None: not within two years."""
        return self._until(self.state, leak, share)

    def regenerated(self) -> list[RegenerationEffect]:
        """The effect of regenerating as advised, and in the shop's hottest dryer where that is cooler."""
        advised, hottest = ADVICE[self.kind].celsius, self.hottest_c
        others = [hottest] if hottest is not None and hottest < advised else []
        return [self._effect(celsius) for celsius in [advised, *others]]

    def _effect(self, celsius: float) -> RegenerationEffect:
        left, kelvin = self._left(celsius), self.room.temperature_k
        in_air = self.box.volume_m3 * float(vapour_density(kelvin, self.room.rh))
        state = DryBoxContents(self.box.dry_kg * left + in_air, self.state.contents)
        return RegenerationEffect(celsius, 100 * left, self._until(state, 1.0, 1.0))

    def needed_g(self) -> float | None:
        """Dry desiccant, regenerated as advised, that takes up the water of a year until the limit."""
        kelvin = self.room.temperature_k
        changes = YEAR_S * self.box.air_changes_s + 365 * drybox.OPENING_SHARE * self.openings_day
        # On the way to the limit the box is at half of it on average.
        difference = max(0.0, self.room.rh - self.limit / 2)
        water_kg = changes * self.box.volume_m3 * float(vapour_density(kelvin, difference))
        at_limit = float(self.box.desiccant.loading(self.limit, kelvin))
        needed_kg = mass_for(water_kg, self._left(ADVICE[self.kind].celsius), at_limit)
        return 1000 * needed_kg if needed_kg < np.inf else None

    def _left(self, celsius: float) -> float:
        """Water that regenerating in this room's air leaves in the desiccant, kg/kg."""
        vapour_pa = vapour_pressure_pa(self.room.temperature_k - ZERO_C, 100 * self.room.rh)
        return self.box.desiccant.residual(celsius + ZERO_C, vapour_pa)

    def _until(self, state: DryBoxContents, leak: float, share: float) -> float | None:
        box = replace(self.box, air_changes_s=leak * self.box.air_changes_s, dry_kg=share * self.box.dry_kg)
        # Less desiccant holds its share of the water: the humidity now is the same.
        rh = self.box.rh(state.water_kg, self.room.temperature_k)
        start = DryBoxContents(box.water(rh, self.room.temperature_k), state.contents)
        return drybox.days_until(box, self.sorbers, start, self.room, self.limit, self.openings_day)
