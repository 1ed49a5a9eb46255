"""Many sensors by way of a real broker, while broker and listener are killed over and over.

    python -m tests.mqtt_drill --sensors 1000 --minutes 10
    python -m tests.mqtt_drill --database postgres --minutes 10 --factor 2

Each sensor publishes one record a minute (QoS 1, with its own time). The broker is killed when it has written what it
acknowledged, the listener at any moment. Afterwards each acknowledged record is compared with the reading in the
database. It ends with 1 when one is lost, doubled or different.
"""

import argparse
import os
import random
import signal
import sys
import threading
import time
from collections import Counter, defaultdict
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.parse import quote

from tests.services.mosquitto import PASSWORD, USER, Mosquitto
from tests.services.servers import PostgresServer, wait_for
from tests.services.shop import name_of, processes, run_manage, served, shop_env
from tests.services.swarm import READS, TOPIC, Record, Swarm

LISTENER = "mqtt-listener"
SAMPLED_EVERY_S = 2.0
TICKS = os.sysconf("SC_CLK_TCK")
SET_UP = """
from datetime import timedelta
from django.utils import timezone
from spools.air.mqtt.rules import save_rule
from spools.air.sensors.acts import place_sensor
from spools.models import Place, Sensor, TopicRule
save_rule(TopicRule(topic={topic!r}, reads={reads!r}))
since = timezone.now() - timedelta(days=1)
for number in range({sensors}):
    sensor = Sensor.objects.create(name=f"s{{number:04}}")
    place_sensor(sensor, Place.objects.create(name=f"Place {{number}}", kind="shelf"), start=since)
"""


class Meter(threading.Thread):
    """Seconds of the processor and the largest memory (PSS) of each kind of process."""

    def __init__(self, env: dict[str, str]) -> None:
        super().__init__(daemon=True)
        self.env = env
        self.seconds: dict[tuple[str, int], float] = {}
        self.largest_kib: dict[str, int] = defaultdict(int)
        self.ended = threading.Event()

    def run(self) -> None:
        while not self.ended.wait(SAMPLED_EVERY_S):
            self.sample()

    def sample(self) -> None:
        for pid in processes(self.env):
            name = name_of(pid)
            try:
                words = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
                rollup = Path(f"/proc/{pid}/smaps_rollup").read_text()
            except OSError:
                continue
            self.seconds[name, pid] = (int(words[11]) + int(words[12])) / TICKS
            pss = next(int(line.split()[1]) for line in rollup.splitlines() if line.startswith("Pss:"))
            self.largest_kib[name] = max(self.largest_kib[name], pss)

    def report(self) -> None:
        for name in sorted(self.largest_kib):
            seconds = sum(value for (its, _pid), value in self.seconds.items() if its == name)
            print(
                f"{name:16} {seconds:7.1f} s of the processor, at most {self.largest_kib[name] / 1024:5.0f} MiB"
            )


def kill_listener(env: dict[str, str], meter: Meter) -> None:
    meter.sample()
    for pid in processes(env):
        if name_of(pid) == LISTENER:
            os.kill(pid, signal.SIGKILL)


def kill_broker(broker: Mosquitto, swarm: Swarm, away_s: float) -> None:
    """While nothing is on its way to it; sensors go on meanwhile, and send later."""
    with swarm.pausing:
        swarm.rest()
        broker.kill()
    time.sleep(away_s)
    broker.start()


def trouble(env: dict[str, str], broker: Mosquitto, swarm: Swarm, meter: Meter, every_s: float) -> Counter:
    """Kill one or both now and then, until the sensors have published all."""
    kills: Counter = Counter()
    dice = random.Random(1)
    while not meter.ended.wait(every_s * dice.uniform(0.7, 1.3)):
        act = ("listener", "broker", "both")[sum(kills.values()) % 3]
        if act != "broker":
            kill_listener(env, meter)
        if act != "listener":
            kill_broker(broker, swarm, away_s=dice.uniform(1, 8))
        kills[act] += 1
    return kills


def stored_records() -> list[Record]:
    from spools.models import Reading

    rows = Reading.objects.values_list("place__name", "at", "temperature_c", "rh_pct")
    return [
        (f"s{int(name.split()[1]):04}", at, t, rh) for name, at, t, rh in rows if name.startswith("Place ")
    ]


def compare(acknowledged: list[Record]) -> bool:
    """Whether the database has each record once, and nothing else."""
    stored, sent = Counter(stored_records()), Counter(acknowledged)
    lost, more = sent - stored, stored - sent
    print(
        f"{sum(sent.values())} records acknowledged by the broker, {sum(stored.values())} readings stored: "
    )
    print(f"{sum(lost.values())} lost or different, {sum(more.values())} doubled or different")
    for title, records in (("lost", lost), ("more", more)):
        for record in list(records)[:5]:
            print(title, *record)
    return not lost and not more


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mqtt_drill", description=__doc__)
    parser.add_argument("--sensors", type=int, default=1000)
    parser.add_argument("--minutes", type=int, default=10)
    parser.add_argument("--factor", type=float, default=1.0, help="minutes pass so many times faster")
    parser.add_argument("--every", type=float, default=60.0, help="seconds between two kills")
    parser.add_argument("--database", choices=["sqlite", "postgres"], default="sqlite")
    options = parser.parse_args()
    with ExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="loadworthy-")))
        broker = stack.enter_context(Mosquitto.running())
        url = f"mqtt://{USER}:{quote(PASSWORD, safe='')}@127.0.0.1:{broker.port}"
        database = (
            stack.enter_context(PostgresServer.running()).new_database()
            if options.database == "postgres"
            else None
        )
        env = shop_env(folder / "data", database, MQTT_URL=url)
        os.environ |= env | {"DJANGO_SETTINGS_MODULE": "config.settings"}
        run_manage(env, "prepare")
        run_manage(
            env, "shell", "-v", "0", "-c", SET_UP.format(topic=TOPIC, reads=READS, sensors=options.sensors)
        )
        import django

        django.setup()
        stack.enter_context(served(env))
        return drill(env, broker, options)


def drill(env: dict[str, str], broker: Mosquitto, options: argparse.Namespace) -> int:
    from spools.models import BrokerState

    wait_for(
        "the listener",
        lambda: BrokerState.objects.filter(connected_until__isnull=False).exists(),
    )
    began, meter = time.monotonic(), Meter(env)
    meter.start()
    kills: list[Counter] = []
    with Swarm.publishing(broker) as swarm:
        killer = threading.Thread(
            target=lambda: kills.append(trouble(env, broker, swarm, meter, options.every))
        )
        killer.start()
        swarm.run(options.sensors, options.minutes, options.factor)
        published_s = time.monotonic() - began
        meter.ended.set()
        killer.join()
        with swarm.pausing:
            swarm.rest()
        expected = options.sensors * options.minutes
        try:
            wait_for("the readings", lambda: len(stored_records()) >= expected, within_s=900, every_s=1)
        except AssertionError as error:
            print(error)
        print(
            f"{options.database}: published in {published_s:.0f} s, stored after {time.monotonic() - began:.0f} s"
        )
        print("killed:", ", ".join(f"{name} {count} times" for name, count in kills[0].items()))
        meter.sample()
        meter.report()
        return 0 if compare(swarm.acknowledged) else 1


if __name__ == "__main__":
    sys.exit(main())
