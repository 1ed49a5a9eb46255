"""Backups of a shop at work, each restored after the shop was destroyed, against the journals of those who wrote.

    python -m tests.restore_drill
    python -m tests.restore_drill --database postgres --backups 5

Scripts write over HTTP while a backup is taken and go on afterwards. Then the data folder and the database are deleted
and the backup is restored by the command. Of each script the restored shop holds all that was acknowledged before the
backup began, nothing that began after it ended, and no act without the ones before it; all that is derived is equal when
it is computed again. The next backup is of the restored shop. It ends with 1 when a promise is broken.
"""

import argparse
import json
import os
import re
import shutil
import sys
import threading
import time
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.restore_drill.journals import Fact, Spans, find_broken
from tests.restore_drill.writers import Writer
from tests.services.servers import PostgresServer
from tests.services.shop import OWN_VARIABLES, prepare_once, run_manage, served, shop_env

SPOOLS_EACH = 2
HISTORY = "History"
# The time of the copy itself, without that of the start of the command.
BACK_UP = """
import json, time
from pathlib import Path
from background.backups import back_up
began = time.time()
path = back_up(Path({folder!r}))
print(json.dumps([began, time.time(), str(path)]))
"""
# A line of the rebuild that follows a restore.
CHANGED = re.compile(r"[1-9]\d* changed\.$")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.restore_drill", description=__doc__)
    parser.add_argument("--database", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--backups", type=int, default=5)
    parser.add_argument("--writers", type=int, default=8)
    parser.add_argument("--seconds", type=float, default=5.0, help="of writing before and after each backup")
    parser.add_argument("--readings", type=int, default=50_000, help="of the history that is copied, too")
    parser.add_argument("--files-mb", type=int, default=100, help="of job files")
    options = parser.parse_args()
    for name in OWN_VARIABLES:
        os.environ.pop(name, None)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="loadworthy-")))
        database = None
        if options.database == "postgres":
            database = stack.enter_context(PostgresServer.running()).new_database()
        env = shop_env(folder / "data", database)
        if database:
            run_manage(env, "prepare")
        else:
            prepare_once(env)
        os.environ |= env | {"DJANGO_SETTINGS_MODULE": "config.settings"}
        import django

        django.setup()
        drill = Drill(env, folder / "backups", options)
        broken = [found for number in range(options.backups) for found in drill.run_round(number + 1)]
        drill.spans.report()
        print(f"{len(broken)} promises broken")
        print(*broken[:20], sep="\n")
        return 1 if broken else 0


class Drill:
    """One shop, its scripts, and rounds of writing, destruction and restoring."""

    def __init__(self, env: dict[str, str], backups: Path, options: argparse.Namespace) -> None:
        self.env, self.backups, self.options = env, backups, options
        self.data = Path(env["LOADWORTHY_DATA"])
        self.spans = Spans()
        self._open_shop()

    def _open_shop(self) -> None:
        from django.contrib.auth import get_user_model
        from django.utils import timezone

        from access.tokens import add_token
        from maintenance.jobs.files import store_content
        from spools.models import Place, Reading
        from tests.spools.conftest import feedstock, hours_ago, receive

        user = get_user_model().objects.get()
        nylon = feedstock("PA6")
        self.tokens = [add_token(user, f"Script {n}", "all")[1] for n in range(self.options.writers)]
        self.visited = Place.objects.create(name="Shelf of visits", kind="shelf", assumed_rh_pct=50)
        # The codes of the spools of each place.
        self.codes: dict[int, list[str]] = {}
        for number in range(self.options.writers):
            place = Place.objects.create(name=f"Shelf {number}", kind="shelf", assumed_rh_pct=50)
            spools = [receive(nylon, place, core_material="pc", at=hours_ago(48)) for _ in range(SPOOLS_EACH)]
            self.codes[place.pk] = [spool.code for spool in spools]
        history, now = Place.objects.create(name=HISTORY, kind="shelf"), timezone.now()
        Reading.objects.bulk_create(
            (
                Reading(
                    place=history, at=now - timedelta(seconds=n), temperature_c=21, rh_pct=45, origin="api"
                )
                for n in range(self.options.readings)
            ),
            batch_size=5_000,
        )
        chunk = 1_000_000
        self.content = store_content("long.gcode", (os.urandom(chunk) for _ in range(self.options.files_mb)))
        self._close_database()

    def run_round(self, number: int) -> list[str]:
        """Write, back up, destroy, restore and compare. Returns a line for each promise that is broken."""
        known = self._read_facts()
        self._close_database()
        stopped = threading.Event()
        with served(self.env) as (url, _):
            writers = self._start_writers(int(url.rpartition(":")[2]), stopped)
            time.sleep(self.options.seconds)
            said = run_manage(self.env, "shell", "-v0", "-c", BACK_UP.format(folder=str(self.backups)))
            began, ended, path = json.loads(said.splitlines()[-1])
            time.sleep(self.options.seconds)
            stopped.set()
            for writer in writers:
                writer.join()
        self._destroy()
        restoring = time.monotonic()
        text = run_manage(self.env, "restore", path, "--no-backup")
        took_s = time.monotonic() - restoring
        journals, found = [writer.journal for writer in writers], self._read_facts()
        self._close_database()
        broken = find_broken(known, found, journals, began, ended)
        broken += [line for line in text.splitlines() if CHANGED.search(line)]
        if not (self.data / "jobs" / self.content.digest).exists():
            broken.append("the job file is gone")
        self.spans.add(journals, began, ended)
        acts = [act for journal in journals for act in journal]
        acknowledged = [act for act in acts if act.is_acknowledged]
        print(
            f"Backup {number}: {Path(path).stat().st_size / 1e6:.0f} MB in {ended - began:.2f} s, restored in "
            f"{took_s:.1f} s. {len(acknowledged)} acts acknowledged, "
            f"{sum(act.ended <= began for act in acknowledged)} before the backup began, "
            f"{sum(act.fact in found for act in acts)} restored; {len(acts) - len(acknowledged)} not acknowledged.",
            *(line for writer in writers for line in writer.trouble[:1]),
            sep="\n",
            flush=True,
        )
        return [f"backup {number}: {line}" for line in broken]

    def _start_writers(self, port: int, stopped: threading.Event) -> list[Writer]:
        from spools.models import Stay

        visited, writers = self.visited.pk, []
        places = dict(Stay.objects.filter(end=None).values_list("spool__code", "place"))
        for token, (place, codes) in zip(self.tokens, self.codes.items(), strict=True):
            spools = {
                code: (place, visited) if places[code] == visited else (visited, place) for code in codes
            }
            writers.append(Writer(port, token, place, spools, stopped))
        self._close_database()
        for writer in writers:
            writer.start()
        return writers

    @staticmethod
    def _read_facts() -> set[Fact]:
        from spools.models import MassEntry, Move, Reading

        readings = Reading.objects.exclude(place__name=HISTORY).values_list("place_id", "at")
        weighings = MassEntry.objects.exclude(gross_g=None).values_list("spool__code", "at")
        moves = Move.objects.values_list("spool__code", "at")
        found: set[Fact] = set()
        for kind, rows in (("reading", readings), ("weighing", weighings), ("move", moves)):
            found |= {(kind, str(subject), at) for subject, at in rows}
        return found

    def _destroy(self) -> None:
        """Leave nothing of the shop but its backup."""
        from django.db import connection

        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("DROP SCHEMA public CASCADE")
                cursor.execute("CREATE SCHEMA public")
        self._close_database()
        shutil.rmtree(self.data)

    @staticmethod
    def _close_database() -> None:
        """No connection of this process may remain to a database that is replaced."""
        from django.db import connections

        connections.close_all()


if __name__ == "__main__":
    sys.exit(main())
