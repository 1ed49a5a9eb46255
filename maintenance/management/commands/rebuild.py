from typing import Any

from django.core.management.base import BaseCommand

from maintenance.jobs import rebuild_wear
from spools import coupons, exposure
from spools.models import Spool


class Command(BaseCommand):
    help = "Compute all caches again from the facts and tell what changed, which should be nothing."

    def handle(self, *args: Any, **options: Any) -> None:
        spools = list(Spool.objects.order_by("pk"))
        changes = exposure.rebuild(spools)
        worn = rebuild_wear()
        limits = coupons.rebuild()
        for change in [*changes, *worn, *limits]:
            self.stdout.write(change)
        self.stdout.write(f"{len(spools)} spools rebuilt, {len(changes)} changed.")
        self.stdout.write(f"Wear counted again, {len(worn)} changed.")
        self.stdout.write(f"Coupon tests summed up again, {len(limits)} changed.")
