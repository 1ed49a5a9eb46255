"""A few kills; `python -m tests.services.kills --kills 200` gives many, with --embedded those of SQLite."""

import subprocess
import sys

import pytest

from tests.services.shop import REPOSITORY


@pytest.mark.services
def test_nothing_is_lost_half_or_doubled():
    command = [sys.executable, "-m", "tests.services.kills", "--kills", "3"]
    finished = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True)
    assert finished.returncode == 0, finished.stdout + finished.stderr
