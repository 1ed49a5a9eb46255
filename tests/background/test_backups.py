"""A shop comes back from its backup as it was, on both databases; a damaged archive changes nothing."""

import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from background.backups import DAYS, MONTHS, NEWEST, WEEKS, find_superfluous
from tests.services.shop import REPOSITORY, migrate_once, run_manage, shop_env

BACK_UP_BETWEEN = """
from django.core.management import call_command
from spools.models import Place
Place.objects.create(name="Shelf of before", kind="shelf")
call_command("backup")
Place.objects.create(name="Shelf of after", kind="shelf")
"""
PLACES = "SELECT name FROM spools_place ORDER BY name"


def place_names(env: dict[str, str]) -> list[str]:
    if "DATABASE_URL" in env:
        with psycopg.connect(env["DATABASE_URL"]) as database:
            return [name for (name,) in database.execute(PLACES).fetchall()]
    with closing(sqlite3.connect(Path(env["LOADWORTHY_DATA"], "loadworthy.sqlite3"))) as database:
        return [name for (name,) in database.execute(PLACES)]


def restore(env: dict[str, str], archive: Path) -> subprocess.CompletedProcess:
    command = [sys.executable, "manage.py", "restore", str(archive), "--no-backup"]
    return subprocess.run(command, cwd=REPOSITORY, env=env, capture_output=True, text=True)


@pytest.fixture(params=["sqlite", "postgresql"])
def env(request, tmp_path) -> dict[str, str]:
    """A migrated shop with a job file beside its database."""
    data = tmp_path / "data"
    if request.param == "sqlite":
        migrate_once(data)
        made = shop_env(data)
    else:
        data.mkdir()
        made = shop_env(data, request.getfixturevalue("migrated_postgres")())
    (data / "jobs").mkdir(exist_ok=True)
    (data / "jobs" / "abc").write_text("G1 X1")
    return made


def test_a_shop_comes_back_from_its_backup(env, tmp_path):
    data = Path(env["LOADWORTHY_DATA"])
    said = run_manage(env, "shell", "-v0", "-c", BACK_UP_BETWEEN)
    archive = Path(said.partition(" (")[0])
    assert archive.parent == data / "backups" and archive.stat().st_mode & 0o077 == 0

    (data / "jobs" / "abc").write_text("damaged")
    cut = tmp_path / archive.name
    cut.write_bytes(archive.read_bytes()[: archive.stat().st_size // 2])
    refused = restore(env, cut)
    assert refused.returncode != 0 and "is no whole backup" in refused.stderr
    assert place_names(env) == ["Shelf of after", "Shelf of before"]

    done = restore(env, archive)
    assert done.returncode == 0, done.stderr
    assert "0 spools rebuilt, 0 changed." in done.stdout
    assert place_names(env) == ["Shelf of before"]
    assert (data / "jobs" / "abc").read_text() == "G1 X1"
    assert [path.read_text() for path in data.glob("replaced-*/jobs/abc")] == ["damaged"]


@settings(max_examples=30)
@given(st.sets(st.integers(0, 24 * 400), max_size=80))
def test_the_newest_and_one_of_each_span_are_stored(hours):
    now = datetime(2026, 11, 30, tzinfo=UTC)
    backups = sorted(((now - timedelta(hours=h), Path(str(h))) for h in hours), reverse=True)
    superfluous = set(find_superfluous(backups))
    kept = [at for at, path in backups if path not in superfluous]
    assert kept[:NEWEST] == [at for at, _ in backups[:NEWEST]]
    assert len(kept) <= NEWEST + DAYS + WEEKS + MONTHS
    days = list(dict.fromkeys(at.date() for at, _ in backups))[:DAYS]
    assert set(days) <= {at.date() for at in kept}
    # Deleted day by day, no span loses its backup before its time: what is superfluous now is so later.
    assert find_superfluous([pair for pair in backups if pair[1] not in superfluous]) == []
