"""Joining a leftover, with the check that the joined turns are not wetter than they are taken for."""

from datetime import datetime
from typing import Any

from django.utils.translation import gettext as _

from spools.checks import require_past_time
from spools.codes import pretty
from spools.inventory.joining import join_spools
from spools.models import Joining, Spool
from spools.moisture.state import moisture_of
from spools.physics_inputs import SMALL_JOB_G
from spools.refusals import refusal
from spools.wording import format_significant

# How much wetter the leftover may be than the turns as which it counts: no more than the model is known.
WETTER = 1.1


def join_leftover(source: Spool, target: Spool, *, at: datetime | None = None, **options: Any) -> Joining:
    """As join_spools. Refused, too: a leftover that is wetter than the outer turns of the target."""
    at = require_past_time(at)
    moisture = moisture_of([source, target], at)
    leftover_pct = moisture[source.pk].mean_pct.p50
    outer_pct = moisture[target.pk].outer_pct(SMALL_JOB_G).p50
    if leftover_pct > WETTER * outer_pct:
        raise refusal(
            "wetter",
            _(
                "Spool {code} holds {water} % of water, the outer turns of {other} {outer} %. Dry it first."
            ).format(
                code=pretty(source.code),
                water=format_significant(leftover_pct, 2),
                other=pretty(target.code),
                outer=format_significant(outer_pct, 2),
            ),
            "source",
        )
    return join_spools(source, target, at=at, **options)
