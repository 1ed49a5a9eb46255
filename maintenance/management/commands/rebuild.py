from typing import Any

from django.core.management.base import BaseCommand

from maintenance.board import toolheads
from maintenance.jobs.life import rebuild_jobs
from maintenance.machines import stays as loadings
from maintenance.parts.wear_entries import rebuild_wear
from spools.air import dry_box_cache
from spools.board import board
from spools.catalogue import coupons
from spools.invalidation import invalidate_other_versions
from spools.inventory import endings, respooling, stays
from spools.models import Spool
from spools.moisture import cache as moisture_cache


class Command(BaseCommand):
    help = "Compute all caches again from the facts and report the changes; there should be none."

    def handle(self, *args: Any, **options: Any) -> None:
        invalidate_other_versions()
        spools = list(Spool.objects.order_by("pk"))
        ends = [*endings.rebuild(), *respooling.rebuild()]
        places = stays.rebuild()
        loaded = loadings.rebuild()
        boxes = dry_box_cache.rebuild()
        changes = moisture_cache.rebuild(spools)
        answers = board.rebuild()
        jobs = rebuild_jobs()
        worn = rebuild_wear()
        limits = coupons.rebuild()
        machines = toolheads.rebuild()
        for change in [*ends, *places, *loaded, *boxes, *changes, *answers, *jobs, *worn, *limits]:
            self.stdout.write(change)
        self.stdout.write(f"{len(spools)} spools rebuilt, {len(changes)} changed.")
        self.stdout.write(f"Ends and windings of spools derived again, {len(ends)} changed.")
        self.stdout.write(f"Stays derived again, {len(places)} changed.")
        self.stdout.write(f"Ends of loadings derived again, {len(loaded)} changed.")
        self.stdout.write(f"The board of spools computed again, {len(answers)} changed.")
        self.stdout.write(f"The board of {machines} toolheads computed again.")
        self.stdout.write(f"The air of dry boxes computed again, {len(boxes)} changed.")
        self.stdout.write(f"Jobs computed again, {len(jobs)} changed.")
        self.stdout.write(f"Wear counted again, {len(worn)} changed.")
        self.stdout.write(f"Coupon tests summed up again, {len(limits)} changed.")
