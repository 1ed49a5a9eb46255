"""From a fact to the changed board: python -m benchmarks.board --spools 1000.

The facts make all rows and all advice stale; then the worker's tasks run until nothing is due. First one spool, then all.
"""

import argparse
import os
from datetime import timedelta

from benchmarks.sweep import measure, open_database, warm_up


def main() -> None:
    parser = argparse.ArgumentParser(description="Time the board of spools after a fact.")
    parser.add_argument("--spools", type=int, default=1000)
    parser.add_argument("--machines", type=int, default=20)
    parser.add_argument("--database", choices=["sqlite", "postgres"], default="sqlite")
    options = parser.parse_args()
    with open_database(options.database) as address:
        os.environ |= {"DATABASE_URL": address, "DJANGO_SETTINGS_MODULE": "config.settings"}
        import django

        django.setup()
        _run(options.spools, options.machines)


def _run(spools: int, machines: int) -> None:
    import time_machine
    from django.core.management import call_command

    from background.running import run_due
    from background.tasks import freeze_imported_modules
    from benchmarks import big_shop, big_shop_caches
    from spools.invalidation import invalidate_advice, invalidate_answers, invalidate_rows
    from spools.models import Spool, SpoolBoard

    call_command("migrate", verbosity=0)
    now = big_shop.NOW + timedelta(minutes=1)
    with time_machine.travel(now):
        big_shop.build(spools, machines)
        big_shop_caches.bring_up(big_shop.NOW)
        warm_up()
        invalidate_answers()
        run_due(queue="moisture")
        freeze_imported_modules()
        wet = SpoolBoard.objects.exclude(advice__code="advice.none_needed")
        print(f"{spools} spools, {wet.count()} of them wet or in a dryer, {machines} machines")
        # A worker prepares its queries with the first spool that it advises.
        invalidate_rows([wet[0].pk])
        run_due(queue="moisture")
        for title, spool in (
            ("a dry one", Spool.objects.exclude(pk__in=wet.values("pk"))[0]),
            ("a wet one", wet[1].spool),
        ):
            invalidate_rows([spool.pk])
            measure(title, lambda: run_due(queue="moisture"))
        invalidate_answers()
        measure("all rows, advice of the wet", lambda: run_due(queue="moisture"))
        invalidate_advice()
        measure("advice of the wet alone", lambda: run_due(queue="moisture"))


if __name__ == "__main__":
    main()
