"""A print host of the farm: records its events through the client, sends now and then, and dies where its plan says.

    python tests/farm/host.py PLAN.json

It is started again after each death and goes on where its own note says, which may be an event behind.
"""

import json
import os
import signal
import sys
import threading
import time
from pathlib import Path
from random import Random
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "clients"))

from printer_client import Client


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


class MortalClient(Client):
    """Dies in the middle of a POST where told: "sending", or "answered" before it can note the answer."""

    dies = ""

    def ask(self, method: str, path: str, *rest: Any, **more: Any) -> tuple[int, Any]:
        if method == "POST" and self.dies == "sending":
            threading.Timer(0.004, die).start()
        answer = super().ask(method, path, *rest, **more)
        if method == "POST" and self.dies:
            die()
        return answer


def main() -> None:
    folder = Path(sys.argv[1]).parent
    plan = json.loads(Path(sys.argv[1]).read_text())
    note, deaths = folder / "done", folder / "deaths"
    died = set(deaths.read_text().split()) if deaths.exists() else set()
    done = int(note.read_text()) if note.exists() else 0
    skew_s, real = plan["skew_s"], time.time
    time.time = lambda: real() + skew_s  # the clock of this machine
    client = MortalClient(plan["url"], plan["token"], folder, timeout_s=60)
    random = Random(f"{plan['seed']} {done}")
    until = done + random.randint(1, plan["batch"])
    for number in range(done, len(plan["reports"])):
        death = plan["deaths"].get(str(number), "") if str(number) not in died else ""
        if death:
            with deaths.open("a") as file:
                file.write(f"{number}\n")
        client.record(**plan["reports"][number])
        if death == "queued":
            die()
        temporary = note.with_suffix(".new")
        temporary.write_text(str(number + 1))
        temporary.replace(note)
        if death:
            client.dies = death
        if death or number >= until:
            client.send(for_s=600)
            until = number + random.randint(1, plan["batch"])
    client.send(for_s=600)
    refused = client.refused()
    if refused:
        print(json.dumps(refused), flush=True)
        sys.exit(3)


if __name__ == "__main__":
    main()
