"""Lives weeks of a shop on a database of its own and checks the books: python -m tests.weeks --help."""

import argparse
import os
import time
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.services.servers import PostgresServer

START = datetime(2026, 3, 2, 6, tzinfo=UTC)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.weeks", description=__doc__)
    parser.add_argument("--days", type=int, default=56)
    parser.add_argument("--printers", type=int, default=12)
    parser.add_argument("--spools", type=int, default=80)
    parser.add_argument("--writers", type=int, default=1, help="processes that write at once; PostgreSQL")
    parser.add_argument("--database", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with ExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="loadworthy-")))
        os.environ |= {"LOADWORTHY_DATA": str(folder), "DATABASE_URL": f"sqlite:///{folder}/shop.sqlite3"}
        os.environ["ALLOWED_HOSTS"] = "testserver"
        os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
        if options.database == "postgres":
            os.environ["DATABASE_URL"] = stack.enter_context(PostgresServer.running()).new_database()

        import django

        django.setup()
        from django.core.management import call_command

        from tests.weeks.run import live, live_at_once

        call_command("migrate", verbosity=0)
        began = time.process_time()
        shop = {"days": options.days, "printers": options.printers, "spools": options.spools, "start": START}
        if options.writers == 1:
            acts = live(seed=options.seed, **shop)
        else:
            acts = live_at_once(options.writers, seed=options.seed, **shop)
        for act, count in sorted(acts.items()):
            print(f"{act:20} {count:6}")
        print(f"All books agree; {time.process_time() - began:.0f} s of the first process.")


if __name__ == "__main__":
    main()
