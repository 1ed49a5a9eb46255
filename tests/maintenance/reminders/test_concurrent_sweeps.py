"""Sweeps beside each other and beside all else that a shop does, on a real PostgreSQL."""

import subprocess
import sys

from tests.services.shop import REPOSITORY, shop_env


def test_concurrent_sweeps_and_acts_neither_fail_nor_double(migrated_postgres, tmp_path):
    env = shop_env(tmp_path / "data", migrated_postgres(), DJANGO_SETTINGS_MODULE="config.settings")
    command = [sys.executable, "-m", "tests.maintenance.reminders.at_once"]
    done = subprocess.run(command, cwd=REPOSITORY, env=env, capture_output=True, text=True, timeout=300)
    assert (done.returncode, done.stdout.strip()) == (0, ""), done.stdout + done.stderr
