"""Records of sensors a second, beside a plain COPY (PostgreSQL) or executemany (SQLite) of the same readings.

    python -m benchmarks.ingest                      # on SQLite, in a folder of its own
    python -m benchmarks.ingest --postgresql         # on a PostgreSQL of its own

The pack is read, paired, compared with what is stored and stored, with all that follows; the plain way stores the rows
and nothing else. Both take turns, with new times in each round, and commit.
"""

import argparse
import json
import os
import statistics
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tests.services.servers import PostgresServer
from tests.services.shop import run_manage, shop_env

RECORDS, SENSORS, ROUNDS = 10_000, 20, 9
# Number of the sensor, seconds since 1970, °C, % RH.
Values = tuple[int, int, float, float]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--postgresql", action="store_true")
    options = parser.parse_args()
    with TemporaryDirectory(prefix="loadworthy-ingest-") as folder:
        if options.postgresql:
            with PostgresServer.running() as server:
                _run(Path(folder), server.new_database())
        else:
            _run(Path(folder), None)


def _run(folder: Path, database: str | None) -> None:
    env = shop_env(folder, database)
    run_manage(env, "migrate", "--verbosity", "0")
    os.environ.update(env | {"DJANGO_SETTINGS_MODULE": "config.settings"})
    import django

    django.setup()
    measure()


def measure() -> None:
    from django.db import connection
    from django.utils import timezone

    from spools.air.sensors.acts import place_sensor
    from spools.air.sensors.recording import record_measurements
    from spools.air.sensors.senml import read_senml
    from spools.models import Place, Reading, Sensor

    now = timezone.now()
    places = [Place.objects.create(name=f"place {n}", kind="shelf") for n in range(2 * SENSORS)]
    for n in range(SENSORS):
        place_sensor(Sensor.objects.create(name=f"s{n}"), places[n], start=now - timedelta(days=900))
    others = [place.pk for place in places[SENSORS:]]
    ours, theirs = [], []
    for turn in range(ROUNDS):
        first_s = int(now.timestamp()) - 800 * 86400 + 60 * turn * RECORDS
        values = [
            (n % SENSORS, first_s + 60 * (n // SENSORS), 20.0 + n % 7, 40.0 + n % 9)
            for n in range(RECORDS // 2)
        ]
        content, rows = _write_pack(values), _adapt_rows(values, others, now)
        theirs.append(_measure_s(lambda rows=rows: _store_plainly(rows)))
        ours.append(_measure_s(lambda content=content: record_measurements(read_senml(content, now))))
    assert Reading.objects.count() == ROUNDS * RECORDS
    way = "COPY" if connection.vendor == "postgresql" else "executemany"
    ratio = statistics.median(mine / plain for mine, plain in zip(ours, theirs, strict=True))
    print(f"{way}: {RECORDS / statistics.median(theirs):,.0f} records/s")
    print(
        f"ingest: {RECORDS / statistics.median(ours):,.0f} records/s, {1 / ratio:.2f} of that ({ROUNDS} rounds)"
    )


def _measure_s(act: Callable[[], Any]) -> float:
    began = time.perf_counter()
    act()
    return time.perf_counter() - began


def _write_pack(values: list[Values]) -> bytes:
    return json.dumps(
        [
            record
            for n, at, celsius, rh_pct in values
            for record in (
                {"bn": f"s{n}:", "n": "temp", "u": "Cel", "v": celsius, "t": at},
                {"n": "rh", "u": "%RH", "v": rh_pct, "t": at},
            )
        ]
    ).encode()


def _adapt_rows(values: list[Values], place_ids: list[int], now: datetime) -> list[tuple]:
    from django.db import connection

    adapt = connection.ops.adapt_datetimefield_value
    return [
        (place_ids[n], adapt(datetime.fromtimestamp(at, UTC)), celsius, rh_pct, "api", adapt(now))
        for n, at, celsius, rh_pct in values
    ]


def _store_plainly(rows: list[tuple]) -> None:
    from django.db import connection, transaction

    from spools.models import Reading

    table, names = Reading._meta.db_table, "place_id, at, temperature_c, rh_pct, origin, recorded_at"
    with transaction.atomic(), connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({names}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
        else:
            marks = ", ".join(["%s"] * len(rows[0]))
            cursor.executemany(f"INSERT INTO {table} ({names}) VALUES ({marks})", rows)


if __name__ == "__main__":
    main()
