"""Timings are taken when they are asked for: --benchmark-enable."""

from pathlib import Path

import pytest


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    return None if config.getoption("benchmark_enable") else True
