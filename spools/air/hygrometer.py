"""How far the air of a place may be off, and whether the hygrometer in a dry box agrees with the model."""

from datetime import timedelta

from spools.air.dry_box_cache import SimulatedAir
from spools.air.hourly import HourlyReadings, rh_at_pressure
from spools.air.salt_checks import Row
from spools.models import Place
from spools.physics.air_errors import CHECKED_HYGROMETER_SD, HYGROMETER_SD, AirErrors
from spools.physics.evidence import OF_BAND
from spools.statements import Statement

# Hygrometer and model disagree when they differ by more than this and a share of the computed humidity, in all
# of these measured hours of the last day. A cheap hygrometer is off by up to 5 % RH, after a salt check by half of
# that, and says little below 10 %: common practice, no source.
HYGROMETER_RH_PCT, CHECKED_RH_PCT, LEAST_COMPARED_RH_PCT, MODEL_SHARE = 5.0, 2.5, 10.0, 0.25
MEASURED_HOURS, COMPARED_OVER = 6, timedelta(hours=24)
NEAR_LIMIT = 0.8
# Of the air that is computed from desiccant, where no hygrometer is. Assumed.
COMPUTED_SD = 0.005


def place_errors(place: Place, is_checked: bool = False) -> AirErrors:
    """How far the air of a place may be off, read or assumed; all spools there share its offset.

    is_checked: read by a hygrometer that a salt check corrects.
    """
    return AirErrors(f"hygrometer {place.pk}", CHECKED_HYGROMETER_SD if is_checked else HYGROMETER_SD)


def computed_errors(place: Place) -> AirErrors:
    """How far the computed air of a dry box or bag may be off."""
    return AirErrors(f"computed air {place.pk}", COMPUTED_SD)


def dryer_errors(dryer: Place, room: AirErrors) -> AirErrors:
    """How far the air in a drying run may be off, with the air of a room heated that may be off so far."""
    errors = room._replace(dryer=f"dryer #{dryer.pk}")
    if dryer.air_exchange == Place.AirExchange.DESICCANT:
        # Its desiccant gives the humidity, whatever the room's.
        errors = errors._replace(hygrometer_sd=0.0)
    return errors._replace(dryer_sd_k=OF_BAND * dryer.set_point_error_c)


def find_disagreement(
    place: Place, simulated: SimulatedAir, measured: list[Row], room_rh_pct: float, is_checked: bool
) -> list[Statement]:
    """The likely reason where the last measured hours are all on one side of the model; else nothing.

    measured: the readings in the box, in order, as they count. is_checked: a salt check corrects them.
    """
    readings = HourlyReadings.from_rows(measured)
    pairs = [
        (rh_at_pressure(pressure_pa, temperature_c), simulated.hours[hour][1])
        for hour, (temperature_c, pressure_pa) in zip(readings.hours, readings.means, strict=True)
        if hour in simulated.hours
    ][-MEASURED_HOURS:]
    if len(pairs) < MEASURED_HOURS:
        return []
    off = [disagreement(measured_pct, computed_pct, is_checked) for measured_pct, computed_pct in pairs]
    rh_pct, computed_pct = pairs[-1]
    # As exact as a hygrometer shows them.
    values = {"measured_rh_pct": round(rh_pct), "computed_rh_pct": round(computed_pct)}
    if min(off) > 1:
        if (
            rh_pct > room_rh_pct - _hygrometer_rh_pct(is_checked)
            or computed_pct > NEAR_LIMIT * place.limit_rh_pct
        ):
            return [Statement("dry_box.spent", {**values, "room_rh_pct": round(room_rh_pct)})]
        return [Statement("dry_box.leak", values)]
    if max(off) < -1:
        return [Statement("dry_box.drier_checked" if is_checked else "dry_box.drier", values)]
    return []


def disagreement(measured_pct: float, computed_pct: float, is_checked: bool) -> float:
    """How far the measured humidity is above the computed one, in units of the allowed difference."""
    expected_pct = max(computed_pct, LEAST_COMPARED_RH_PCT)
    return (measured_pct - expected_pct) / (_hygrometer_rh_pct(is_checked) + MODEL_SHARE * expected_pct)


def most_measured_pct(computed_pct: float, is_checked: bool) -> float:
    """The highest reading that agrees with what is computed, % RH."""
    return _hygrometer_rh_pct(is_checked) + (1 + MODEL_SHARE) * max(computed_pct, LEAST_COMPARED_RH_PCT)


def _hygrometer_rh_pct(is_checked: bool) -> float:
    return CHECKED_RH_PCT if is_checked else HYGROMETER_RH_PCT
