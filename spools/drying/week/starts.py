"""Starts of planned dryings: exactly the stages and hours of the accepted plan, or a refusal that says why not."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.utils.translation import gettext as _

from spools.drying.runs import DryingSettings
from spools.drying.starts import start_as_asked
from spools.models import DryingRun, PlannedDrying
from spools.refusals import refusal


def settings_of(planned: Sequence[PlannedDrying], override_reason: str) -> DryingSettings:
    """The settings of dryings that go into a dryer together. Refused: dryings of different stages."""
    first = planned[0]
    if len({(row.dryer_id, row.stages[0][0], row.set_point_c, row.first_hours) for row in planned}) > 1:
        raise refusal(
            "other_stages", _("These dryings have different stages. Put them in one after the other.")
        )
    return DryingSettings(
        first.set_point_c,
        first_set_point_c=first.first_set_point_c,
        first_hours=first.first_hours,
        planned_hours={row.spool_id: row.hours for row in planned},
        target_pct={row.spool_id: row.target_pct for row in planned},
        masses_g={row.spool_id: row.mass_g for row in planned},
        override_reason=override_reason,
    )


def start_planned(
    planned: Sequence[PlannedDrying],
    *,
    override_reason: str = "",
    at: datetime | None = None,
    gross_g: Mapping[int, float] | None = None,
    resolution_g: float = 1.0,
    by: Any = None,
) -> list[DryingRun]:
    """Start dryings of the accepted plan that go into a dryer together, as they were accepted.

    Refused: see start_as_asked; a drying that is not planned any more.
    """
    if any(
        row.run_id is not None or row.ended_at is not None or row.plan.accepted_at is None for row in planned
    ):
        raise refusal("not_planned", _("It is not planned any more. Look at the plan again."))
    return start_as_asked(
        [row.spool for row in planned],
        planned[0].dryer,
        settings_of(planned, override_reason),
        at=at,
        gross_g=gross_g,
        resolution_g=resolution_g,
        by=by,
    )
