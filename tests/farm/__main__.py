"""A print farm whose hosts post every event, with faults of all kinds; then its books are compared.

    python -m tests.farm --printers 20 --days 7
    python -m tests.farm --database postgres

Real hosts (processes with the client of clients/), a real server, kill -9 on both sides. It ends with 1 when a book of the
shop differs from the farm's own.
"""

import argparse
import os
import shutil
import signal
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from tempfile import mkdtemp
from urllib.parse import urlsplit

import django

from tests.services.plants import Embedded
from tests.services.servers import PostgresServer, wait_for
from tests.services.shop import OWN_VARIABLES, name_of, processes

TICKS = os.sysconf("SC_CLK_TCK")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.farm", description=__doc__)
    parser.add_argument("--printers", type=int, default=20)
    parser.add_argument("--days", type=float, default=7)
    parser.add_argument("--database", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--deaths", type=int, default=6, help="of each host")
    parser.add_argument("--kills", type=int, default=12, help="of processes of the server")
    options = parser.parse_args()
    folder = Path(mkdtemp(prefix="loadworthy-farm-"))
    for name in OWN_VARIABLES | {name for name in os.environ if name.lower().endswith("_proxy")}:
        os.environ.pop(name, None)
    os.environ |= {
        "LOADWORTHY_DATA": str(folder / "data"),
        "DJANGO_SETTINGS_MODULE": "config.settings",
        "SECRET_KEY": "for the farm alone",
        "DAILY_BACKUP": "0",
    }
    (folder / "data").mkdir()
    with ExitStack() as stack:
        if options.database == "postgres":
            os.environ["DATABASE_URL"] = stack.enter_context(PostgresServer.running()).new_database()
        plant = stack.enter_context(Embedded.prepared(folder))
        django.setup()
        well = Trial(plant, folder, options).run()
    if well:
        shutil.rmtree(folder, ignore_errors=True)
    else:
        print(f"Log and data are in {folder}")
    return 0 if well else 1


class Trial:
    """One run of the farm against a server that is killed now and then."""

    def __init__(self, plant: Embedded, folder: Path, options: argparse.Namespace) -> None:
        self.plant, self.folder, self.options = plant, folder, options
        self.kills: dict[str, int] = {}
        self.cpu_s: dict[int, float] = {}
        self.looked = 0.0

    def run(self) -> bool:
        from django.core.management import call_command
        from django.utils import timezone

        from tests.farm.checks import check_farm
        from tests.farm.opening import open_farm
        from tests.farm.run import Farm, live

        call_command("migrate", verbosity=0)
        start = timezone.now() - timedelta(days=self.options.days)
        machines, token = open_farm(start, self.options.printers)
        live(machines, start, self.options.days, self.options.seed)
        (self.folder / "hosts").mkdir()
        farm = Farm(
            machines, token, self.folder / "hosts", seed=self.options.seed, deaths=self.options.deaths
        )
        self.plant.start()
        wait_for("the server", lambda: self._child("web"))
        address = urlsplit(self.plant.url)
        began, cpu_before = time.monotonic(), self._measure_cpu()
        farm.run(lambda: (str(address.hostname), int(address.port or 0)), self._meanwhile)
        took_s, cpu_s = time.monotonic() - began, self._measure_cpu() - cpu_before
        self.plant.supervisor.end()
        events = sum(len(machine.events) for machine in machines)
        print(f"{sum(len(one.prints) for one in machines)} prints, {events} events, {took_s:.0f} s")
        print(
            f"{events / took_s:.0f} events/s; server {cpu_s:.0f} s, {1000 * cpu_s / events:.0f} ms an event"
        )
        for name, count in sorted([*farm.counts.items(), *self.kills.items()]):
            print(f"{count:6d} {name}")
        differences = check_farm(machines)
        for name, largest in sorted(differences.largest.items()):
            print(f"largest difference of {name}: {largest:.3g}")
        for found in differences.found[:40]:
            print(f"DIFFERS {found}")
        print(f"{len(differences.found)} differences; the rebuild is equal.")
        return not differences.found

    def _meanwhile(self, share: float) -> None:
        """Kills a process of the server when its turn has come; the supervisor itself once, halfway."""
        if time.monotonic() < self.looked + 1.0:
            return
        self.looked = time.monotonic()
        self._measure_cpu()
        done = sum(self.kills.values())
        if done >= self.options.kills or share < (done + 0.5) / self.options.kills:
            return
        name = (
            "supervisor"
            if done == self.options.kills // 2
            else "worker"
            if done % 4 == 3
            else self._web_name()
        )
        if name == "supervisor":
            self.plant.kill(name)
            self.plant.start_again(name)
        else:
            os.kill(wait_for(f"the {name}", _finder(self._child, name)), signal.SIGKILL)
        key = f"kills of the server: {name}"
        self.kills[key] = self.kills.get(key, 0) + 1

    def _web_name(self) -> str:
        return "web-2" if len(self.kills) % 2 and self._child("web-2") else "web"

    def _child(self, name: str) -> int | None:
        return next((pid for pid in processes(dict(os.environ)) if name_of(pid) == name), None)

    def _measure_cpu(self) -> float:
        """Seconds of the processor of all processes of the server so far, with those that were killed."""
        for pid in processes(dict(os.environ)):
            if name_of(pid) in {"web", "web-2", "worker"}:
                try:
                    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
                except OSError:
                    continue
                self.cpu_s[pid] = (int(fields[11]) + int(fields[12])) / TICKS
        return sum(self.cpu_s.values())


def _finder(find: Callable[[str], int | None], name: str) -> Callable[[], int | None]:
    return lambda: find(name)


if __name__ == "__main__":
    sys.exit(main())
