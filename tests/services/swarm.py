"""Sensors that publish by MQTT, each a record a minute, and what the broker acknowledged of it."""

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.services.mosquitto import PASSWORD, USER, Mosquitto
from tests.services.servers import wait_for

# Sensor, time, °C, % RH.
Record = tuple[str, datetime, float, float]
TOPIC, READS = "drill/{sensor}", "temperature=air.t humidity=air.rh time=at"


def record_at(number: int, at: datetime) -> Record:
    """A value that follows from sensor and time, so that no record is taken for another."""
    minute = int(at.timestamp()) // 60
    return f"s{number:04}", at, 18 + number % 8 + minute % 97 / 100, 20 + number % 41 + minute % 89 / 100


@dataclass
class Swarm:
    """One client that publishes for all sensors, with QoS 1."""

    broker: Mosquitto
    sent: dict[int, Record] = field(default_factory=dict)
    acknowledged_ids: set[int] = field(default_factory=set)
    # Held while records are handed over, or nobody may.
    pausing: threading.Lock = field(default_factory=threading.Lock)

    @classmethod
    @contextmanager
    def publishing(cls, broker: Mosquitto) -> Iterator["Swarm"]:
        swarm = cls(broker)
        swarm.client = paho.Client(CallbackAPIVersion.VERSION2, "swarm", clean_session=False)
        swarm.client.username_pw_set(USER, PASSWORD)
        swarm.client.reconnect_delay_set(1, 1)
        swarm.client.on_publish = swarm._on_publish
        swarm.client.connect("127.0.0.1", broker.port)
        swarm.client.loop_start()
        try:
            yield swarm
        finally:
            swarm.client.disconnect()
            swarm.client.loop_stop()

    def publish(self, records: list[Record]) -> None:
        with self.pausing:
            for record in records:
                sensor, at, temperature_c, rh_pct = record
                payload = {"at": at.timestamp(), "air": {"t": temperature_c, "rh": rh_pct}}
                info = self.client.publish(f"drill/{sensor}", json.dumps(payload), qos=1)
                self.sent[info.mid] = record

    def run(self, sensors: int, minutes: int, factor: float = 1.0) -> None:
        """A record of each sensor in each minute, spread over it. factor: minutes pass so many times faster."""
        began = time.monotonic()
        first = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=minutes)
        for number in range(sensors * minutes):
            wait_s = began + number * 60 / sensors / factor - time.monotonic()
            if wait_s > 0:
                time.sleep(wait_s)
            minute, sensor = divmod(number, sensors)
            # Times in the past, so that a factor puts none into the future.
            at = first + timedelta(minutes=minute, seconds=60 * sensor // sensors)
            self.publish([record_at(sensor, at)])

    def rest(self) -> None:
        """Wait until the broker has acknowledged and stored everything; the caller holds pausing.

        It stores its queue after each change, but after the acknowledgement.
        """
        wait_for(
            "the broker's acknowledgements", lambda: self.sent.keys() <= self.acknowledged_ids, every_s=0.02
        )
        stored, sent_at = self.broker.folder / "mosquitto.db", time.time()
        self.client.publish("written", str(sent_at), qos=1, retain=True)
        wait_for(
            "the queue of the broker", lambda: stored.stat().st_mtime > sent_at, within_s=60, every_s=0.02
        )

    @property
    def acknowledged(self) -> list[Record]:
        return [record for mid, record in self.sent.items() if mid in self.acknowledged_ids]

    def _on_publish(
        self, _client: object, _data: object, mid: int, _reason: object, _properties: object
    ) -> None:
        self.acknowledged_ids.add(mid)
