"""A few kills of each kind; `python -m tests.services.kills --kills 200` gives many."""

import subprocess
import sys

import pytest

from tests.services.shop import REPOSITORY


@pytest.mark.services
@pytest.mark.parametrize(
    "options", [["--kills", "4"], ["--kills", "3", "--embedded"]], ids=["servers", "embedded"]
)
def test_nothing_is_lost_half_or_doubled(options):
    command = [sys.executable, "-m", "tests.services.kills", *options]
    done = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
