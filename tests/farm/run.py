"""Lives some days of the farm in minutes: hosts as processes, with faults, until the shop has heard of everything."""

import json
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

from tests.farm.prints import Machine
from tests.farm.wire import Wire

HOST = Path(__file__).with_name("host.py")
KILLED = -9


class Farm:
    """machines: with their prints. deaths: of each host, at moments of their own. folder: for the hosts' queues."""

    def __init__(
        self, machines: list[Machine], token: str, folder: Path, *, seed: int, deaths: int, batch: int = 20
    ) -> None:
        self.machines, self.token, self.folder = machines, token, folder
        self.random, self.seed, self.deaths, self.batch = Random(seed), seed, deaths, batch
        self.counts: Counter = Counter()

    def run(self, upstream: Callable[[], tuple[str, int]], meanwhile: Callable[[float], None]) -> None:
        """All hosts to their ends. meanwhile: called over and over with the share of the events that is recorded."""
        with Wire.running(upstream, self.seed) as wire:
            plans = [self._plan(machine, wire.port) for machine in self.machines]
            running = {plan: start_host(plan) for plan in plans}
            total = sum(len(machine.events) for machine in self.machines)
            try:
                while running:
                    time.sleep(0.02)
                    for plan, host in list(running.items()):
                        self._look_at(plan, host, running)
                    meanwhile(sum(read_note(plan) for plan in plans) / total)
            finally:
                for host in running.values():
                    host.kill()
                    host.wait()
            self.counts += wire.counts

    def _look_at(self, plan: Path, host: subprocess.Popen, running: dict[Path, subprocess.Popen]) -> None:
        status = host.poll()
        if status is None:
            return
        del running[plan]
        log = plan.with_name("log").read_text()
        assert status in (0, KILLED), f"{plan.parent.name} ended with {status}: {log}"
        if status == KILLED:
            self.counts["deaths of hosts"] += 1
            running[plan] = start_host(plan)

    def _plan(self, machine: Machine, port: int) -> Path:
        reports = list(machine.reports())
        numbers = self.random.sample(range(len(reports)), min(self.deaths, len(reports)))
        deaths = {number: self.random.choice(("queued", "sending", "answered")) for number in numbers}
        plan = self.folder / machine.name / "plan.json"
        plan.parent.mkdir()
        content = {
            "url": f"http://127.0.0.1:{port}",
            "token": self.token,
            "skew_s": machine.skew_s,
            "seed": self.seed,
            "batch": self.batch,
            "deaths": deaths,
            "reports": reports,
        }
        plan.write_text(json.dumps(content))
        return plan


def live(machines: list[Machine], start: datetime, days: float, seed: int) -> None:
    """The prints of those days."""
    for number, machine in enumerate(machines):
        machine.live(start, start + timedelta(days=days), Random(f"{seed} {number}"))


def start_host(plan: Path) -> subprocess.Popen:
    with plan.with_name("log").open("a") as log:
        return subprocess.Popen([sys.executable, str(HOST), str(plan)], stdout=log, stderr=log)


def read_note(plan: Path) -> int:
    note = plan.with_name("done")
    return int(note.read_text()) if note.exists() else 0
