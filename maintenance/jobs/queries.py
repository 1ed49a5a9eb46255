"""Which jobs take filament from a spool or a batch."""

from typing import Any

from django.db.models import Q

from maintenance.models import JobUse, Reservation


def takes_from(**spools: Any) -> Q:
    """The condition that a job printed from, prints from or is planned with a spool; spools: lookups of Spool."""
    lookups = {f"spool__{name}": value for name, value in spools.items()}
    return Q(pk__in=JobUse.objects.filter(**lookups).values("job")) | Q(
        pk__in=Reservation.objects.filter(**lookups).values("job")
    )
