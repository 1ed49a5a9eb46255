"""Salt checks of hygrometers: how far each is off, and its readings corrected by that.

In a closed bag, wet table salt keeps the air at 75 % RH. The latest check before a reading corrects it, until the next
one; each stands alone, since hygrometers age and are replaced (docs/decisions/046-salt-checks.md). A reading is stored
as it came. Those from the hours in the bag are not of the air of the place and do not count.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from background.prepared import Ids, PreparedRows
from spools import limits
from spools.air.averaged_hours import require_single_readings
from spools.checks import lock_spool_facts, require_past_time, require_within
from spools.facts import follows_withdrawal
from spools.invalidation import invalidate_after_salt_check
from spools.models import Place, SaltCheck
from spools.physics.air import ZERO_C, table_salt_rh
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_exact, format_fixed, format_time

# Hours after which a hygrometer shows the humidity in the bag. Common practice, no source.
USUAL_HOURS = 12.0
# Beyond that the salt was dry, the bag open or the hygrometer broken. Common practice, no source.
MOST_OFF_PCT = 20.0
# (time, °C, % RH).
Row = tuple[datetime, float, float]


def true_rh_pct(check: SaltCheck) -> float:
    """The humidity in the bag, % RH."""
    return 100 * float(table_salt_rh(check.temperature_c + ZERO_C))


def off_rh_pct(check: SaltCheck) -> float:
    """How far the hygrometer read too high, % RH."""
    return check.rh_pct - true_rh_pct(check)


def describe_check(check: SaltCheck) -> Statement:
    """How far the hygrometer reads high or low, and when it was checked."""
    return Statement("air.hygrometer_checked", {"off_rh_pct": off_rh_pct(check), "at": check.at.isoformat()})


@dataclass(frozen=True)
class Hygrometer:
    """The hygrometer of a place, with its valid salt checks in order."""

    checks: Sequence[SaltCheck] = ()

    def check_at(self, at: datetime) -> SaltCheck | None:
        """The check that counts for a reading: the latest before it."""
        return next((check for check in reversed(self.checks) if check.at <= at), None)

    def corrected_rh_pct(self, at: datetime, rh_pct: float) -> float | None:
        """A reading as it counts, % RH; None while the hygrometer lay beside the salt."""
        if any(check.began_at <= at < check.at for check in self.checks):
            return None
        check = self.check_at(at)
        return rh_pct if check is None else min(100.0, max(0.0, rh_pct - off_rh_pct(check)))

    def correct(self, rows: Iterable[Row]) -> list[Row]:
        """Readings as they count, in their order."""
        if not self.checks:
            return list(rows)
        counted = [
            (at, temperature_c, self.corrected_rh_pct(at, rh_pct)) for at, temperature_c, rh_pct in rows
        ]
        return [(at, temperature_c, rh_pct) for at, temperature_c, rh_pct in counted if rh_pct is not None]


UNCHECKED = Hygrometer()
_VALID = PreparedRows(lambda: SaltCheck.objects.valid().filter(place__in=Ids("place_ids")))


def load_hygrometers(place_ids: Iterable[int]) -> Mapping[int, Hygrometer]:
    """The hygrometer of each place, by place id. One query."""
    checks: dict[int, list[SaltCheck]] = {place_id: [] for place_id in place_ids}
    for check in _VALID.run(place_ids=checks):
        checks[check.place_id].append(check)
    return {place_id: Hygrometer(rows) if rows else UNCHECKED for place_id, rows in checks.items()}


@transaction.atomic
def record_salt_check(
    place: Place,
    rh_pct: float,
    temperature_c: float,
    *,
    hours: float | None = None,
    at: datetime | None = None,
    by: Any = None,
) -> SaltCheck:
    """Record how much the hygrometer of a place read beside wet table salt, after so many hours (None: the usual ones).

    Refused: impossible numbers, a reading too far from that of the salt, a second check at the same time.
    """
    at = require_past_time(at)
    check = SaltCheck(
        place=place,
        at=at,
        hours=require_within("hours", USUAL_HOURS if hours is None else hours, *limits.SALT_CHECK_HOURS),
        temperature_c=require_within("temperature_c", temperature_c, *limits.SALT_CHECK_C),
        rh_pct=require_within("rh_pct", rh_pct, *limits.RH_PCT),
        recorded_by=by,
    )
    if abs(off_rh_pct(check)) > MOST_OFF_PCT:
        raise refusal(
            "salt_check_implausible",
            _(
                "Beside wet table salt a hygrometer reads about {true_pct} % RH; {rh_pct} % is too far from that. Check "
                "that the salt is wet and the bag closed, and repeat it. If it reads so again, replace the hygrometer."
            ).format(true_pct=format_fixed(true_rh_pct(check)), rh_pct=format_exact(rh_pct)),
            "rh_pct",
        )
    lock_spool_facts()
    if place.salt_checks.valid().filter(at=at).exists():
        raise refusal(
            "recorded_already",
            _("A salt check of {time} is recorded already. Give another time.").format(time=format_time(at)),
            "at",
        )
    check.save()
    _compute_again(check)
    return check


@follows_withdrawal(SaltCheck)
def _compute_again(check: SaltCheck) -> None:
    """Readings count as if the check had not been made, or with it. Refused: where only their hourly means are left."""
    later = check.place.salt_checks.valid().filter(at__gt=check.at).order_by("at").first()
    require_single_readings(check.place, check.began_at, later.at if later else None, "at")
    invalidate_after_salt_check(check.place, check.began_at)
