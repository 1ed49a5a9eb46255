"""The log beside concurrent writers, on a real PostgreSQL: ids are given before the commit there."""

import subprocess
import sys

from tests.services.shop import REPOSITORY, shop_env


def test_a_reader_misses_nothing_that_is_committed_late(migrated_postgres, tmp_path):
    env = shop_env(tmp_path / "data", migrated_postgres(), DJANGO_SETTINGS_MODULE="config.settings")
    command = [sys.executable, "-m", "tests.maintenance.events.written_at_once"]
    done = subprocess.run(command, cwd=REPOSITORY, env=env, capture_output=True, text=True, timeout=300)
    assert (done.returncode, done.stdout.strip(), done.stderr.strip()) == (0, "", ""), done
