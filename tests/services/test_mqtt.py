"""A few sensors by way of a real broker, while broker and listener are killed; tests.mqtt_drill has many."""

import os
import signal
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from urllib.parse import quote

import pytest
from django.db import connections

from background.supervisor import Child
from config.mqtt import read_broker
from spools.air.mqtt.listener import listen
from spools.air.mqtt.rules import save_rule
from spools.air.sensors.acts import place_sensor
from spools.models import BrokerState, Place, Reading, RefusedMessage, Sensor, TopicRule
from tests.services.mosquitto import PASSWORD, USER, Mosquitto
from tests.services.servers import wait_for
from tests.services.swarm import READS, TOPIC, Swarm, record_at

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]


def listen_for_ever(env: dict[str, str]) -> None:
    """As ./run does it: the listener is started again when it ends."""
    child = Child("mqtt-listener", lambda: listen(read_broker(env, "tests")))
    while True:
        child.ensure_running()
        time.sleep(0.05)


@contextmanager
def supervised_listener(env: dict[str, str]) -> Iterator[Path]:
    """A file that names the process of the listener."""
    connections.close_all()
    supervisor = get_context("fork").Process(target=listen_for_ever, args=(env,))
    supervisor.start()
    try:
        yield Path(f"/proc/{supervisor.pid}/task/{supervisor.pid}/children")
    finally:
        supervisor.kill()
        supervisor.join()


def stored() -> Counter:
    rows = Reading.objects.values_list("place__name", "at", "temperature_c", "rh_pct")
    return Counter((name, at, t, rh) for name, at, t, rh in rows)


def test_nothing_acknowledged_is_lost_or_doubled():
    save_rule(TopicRule(topic=TOPIC, reads=READS))
    save_rule(TopicRule(topic="plain/{sensor}", reads="temperature"))
    save_rule(TopicRule(topic="will/{sensor}", reads="online=here offline=gone"))
    now = datetime.now(UTC).replace(microsecond=0)
    names = [f"s000{number}" for number in range(3)]
    for name in names:
        place = Place.objects.create(name=name, kind="shelf")
        place_sensor(Sensor.objects.create(name=name), place, start=now - timedelta(days=1))
    with Mosquitto.running() as broker:
        url = f"mqtts://{USER}:{quote(PASSWORD, safe='')}@127.0.0.1:{broker.tls_port}"
        with (
            supervised_listener({"MQTT_URL": url, "MQTT_CA_FILE": str(broker.certificate)}) as children,
            Swarm.publishing(broker) as swarm,
        ):
            wait_for(
                "the listener", lambda: BrokerState.objects.filter(connected_until__isnull=False).exists()
            )
            rounds = [
                [record_at(number, now - timedelta(minutes=minutes)) for number in range(3)]
                for minutes in (5, 4, 3, 2, 1)
            ]
            swarm.publish(rounds[0] + rounds[1])
            wait_for("the first readings", lambda: len(stored()) == 6)
            os.kill(int(children.read_text()), signal.SIGKILL)
            swarm.publish(rounds[2])
            with swarm.pausing:
                swarm.rest()
                broker.kill()
                broker.start()
            swarm.publish(rounds[3] + rounds[4] + rounds[0])
            swarm.client.publish("plain/s0001", "warm", qos=1)
            swarm.client.publish("will/s0002", "gone", qos=1)
            wait_for("all readings", lambda: len(stored()) >= 15)
            wait_for("the last will", lambda: Sensor.objects.filter(silent_since__isnull=False).exists())
            assert stored() == Counter(record for records in rounds for record in records)
            assert [message.topic for message in RefusedMessage.objects.all()] == ["plain/s0001"]
            assert [sensor.name for sensor in Sensor.objects.exclude(silent_since=None)] == ["s0002"]
