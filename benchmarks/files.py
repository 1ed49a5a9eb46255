"""How long files of a big shop take: written as CSV and JSON, looked through again, and with new rows.

    python -m benchmarks.files --spools 10000 --machines 200 --database sqlite

The shop of benchmarks/big_shop.py. Seconds of the processor of this process, and the size of each file.
"""

import argparse
import io
import os
import time
from collections.abc import Callable
from itertools import islice
from typing import Any

from benchmarks.sweep import open_database

MOST_ROWS = 10_000


def main() -> None:
    parser = argparse.ArgumentParser(description="Time the files of a big shop.")
    parser.add_argument("--spools", type=int, default=10_000)
    parser.add_argument("--machines", type=int, default=200)
    parser.add_argument("--database", choices=["sqlite", "postgres"], default="sqlite")
    options = parser.parse_args()
    with open_database(options.database) as address:
        os.environ |= {"DATABASE_URL": address, "DJANGO_SETTINGS_MODULE": "config.settings"}
        import django

        django.setup()
        _run(options)


def _run(options: argparse.Namespace) -> None:
    from django.core.management import call_command

    from benchmarks.big_shop import build
    from maintenance.files.kinds import KINDS
    from spools.files.formats import write_csv, write_json

    call_command("migrate", verbosity=0)
    build(options.spools, options.machines)
    for name, kind in KINDS.items():
        text, csv_s = _time(lambda kind=kind: "".join(write_csv(kind())))
        _, json_s = _time(lambda kind=kind: sum(map(len, write_json(kind()))))
        print(
            f"{name}: {text.count(chr(10)) - 1} rows, {len(text) / 2**20:.1f} MiB, CSV {csv_s:.2f} s, JSON {json_s:.2f} s"
        )
        lines = text.splitlines(keepends=True)
        outcome, read_s = _time(lambda name=name, lines=lines: _look("".join(lines[: MOST_ROWS + 1]), name))
        print(f"  looked through: {outcome.counts}, {read_s:.2f} s")
    _add_new()


def _add_new() -> None:
    from datetime import timedelta

    from spools.models import Place, Polymer, Reading

    room = Place.objects.filter(kind="shelf").first()
    assert room is not None
    first = Reading.objects.order_by("at").values_list("at", flat=True)[0] - timedelta(days=30)
    times = (first + timedelta(minutes=minute) for minute in range(MOST_ROWS))
    rows = "".join(f"{room.name},{at.isoformat()},20,40\n" for at in islice(times, MOST_ROWS))
    outcome, read_s = _time(lambda: _look("place,time,temperature_c,rh_pct\n" + rows, "readings"))
    print(f"new readings: {outcome.counts}, {read_s:.2f} s")
    text = "material,amount_g\n" + f"{Polymer.objects.earliest('pk').name},1000\n" * 300
    outcome, read_s = _time(lambda: _look(text, "spools", place=room))
    print(f"new spools: {outcome.counts}, {read_s:.2f} s")


def _look(text: str, name: str, **options: Any) -> Any:
    from maintenance.files.kinds import KINDS
    from spools.files.formats import read_file
    from spools.files.loading import load_file

    kind = KINDS[name](**options)
    return load_file(kind, read_file(kind, io.BytesIO(text.encode())), preview=True)


def _time(act: Callable[[], Any]) -> tuple[Any, float]:
    began = time.process_time()
    answer = act()
    return answer, time.process_time() - began


if __name__ == "__main__":
    main()
