"""The cache of compiled code: it follows the source, and holds all that a shop's first hour needs."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[3]
INNER = """
from spools.physics.kernels import kernel

@kernel(forceinline=True)
def inner():
    return {}
"""
OUTER = """
from spools.physics.kernels import kernel
from .inner import inner

@kernel
def outer():
    return inner()
"""
ASK = "from sample.outer import outer; print(outer(), sum(outer.stats.cache_misses.values()))"
# All code that the kernels of both packages can be called with, before and after real use.
SIGNATURES = """
import numpy as np
from numba.core.registry import CPUDispatcher
from maintenance.gcode import ReaderSettings, accounting, planning, read_job, running, scanning
from maintenance.kernels import load_kernels
from spools.physics import forecasting, stepping, surroundings
from spools.physics.isotherm import KINDS, Isotherm
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, join, uniform

def signatures():
    modules = (accounting, forecasting, planning, running, scanning, stepping, surroundings)
    found = {(m.__name__, k): v for m in modules for k, v in vars(m).items() if isinstance(v, CPUDispatcher)}
    return {name: set(kernel.signatures) for name, kernel in found.items()}

load_kernels()
compiled = signatures()
assert compiled["spools.physics.stepping", "run"] and compiled["maintenance.gcode.running", "run"]

geometry = Geometry.from_mass(0.7, core_radius_m=0.05, width_m=0.06, density_kg_m3=1130)
airs = join([Surroundings(3600 * n, 296.15 + n, 0.3 + n / 20, True) for n in range(1, 9)])
for kind in KINDS:
    material = Material(np.array([4e-13, 5e-13]), 44e3, Isotherm(kind, np.array([0.02, 0.03]), 4.6, 0.768))
    lane = Lane(geometry, material, uniform(geometry, material, 0.01, 296.15), airs)
    outcomes = advance([lane], heat=False, record=True)
    advance([Lane(geometry, material, outcomes[0].state, airs)])
with open("job.gcode", "w") as file:
    file.write("G28\\nG90\\nM82\\nM140 S60\\nM109 S210\\nT1\\nM600\\nG4 P500\\nM204 P900\\nSET_LIGHT A=1\\n")
    for n in range(9000):
        file.write(f"G1 X{n} Y{n % 7} E{n / 30} F3000 ; {n}\\nG3 X{n} I1 J1 E{n / 29}\\n")
read_job("job.gcode", ReaderSettings(diameter_mm=2.85))
more = {name: found - compiled[name] for name, found in signatures().items() if found != compiled[name]}
assert not more, more
"""


@pytest.fixture
def ask(tmp_path):
    """Runs code in a new process that sees the folder of a package before the repository."""

    def run(code: str, folder: Path, **env: str) -> str:
        done = subprocess.run(
            [sys.executable, "-c", code],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": f"{folder}:{REPOSITORY}", **env},
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout.strip()

    return run


def write_package(folder: Path, answer: int) -> Path:
    package = folder / "sample"
    package.mkdir(parents=True, exist_ok=True)
    (package / "__init__.py").touch()
    (package / "outer.py").write_text(OUTER)
    (package / "inner.py").write_text(INNER.format(answer))
    return folder


def test_a_change_in_a_module_that_is_inlined_elsewhere_compiles_again(ask, tmp_path):
    cache = str(tmp_path / "cache")
    assert ask(ASK, write_package(tmp_path, 1), NUMBA_CACHE_DIR=cache) == "1 1"
    assert ask(ASK, tmp_path, NUMBA_CACHE_DIR=cache) == "1 0"
    assert ask(ASK, write_package(tmp_path, 2), NUMBA_CACHE_DIR=cache) == "2 1"


def test_equal_packages_share_compiled_code_wherever_they_lie(ask, tmp_path):
    first, second = (write_package(tmp_path / name, 1) for name in ("first", "second"))
    env = {"NUMBA_CACHE_DIR": "", "XDG_CACHE_HOME": str(tmp_path / "cache")}
    assert ask(ASK, first, **env) == "1 1"
    assert ask(ASK, second, **env) == "1 0"


def test_without_a_home_folder_the_data_folder_holds_the_compiled_code(ask, tmp_path):
    (tmp_path / "file").touch()
    env = {
        "NUMBA_CACHE_DIR": "",
        "XDG_CACHE_HOME": str(tmp_path / "file" / "below"),
        "LOADWORTHY_DATA": str(tmp_path / "data"),
    }
    assert ask(ASK, write_package(tmp_path, 1), **env) == "1 1"
    assert list((tmp_path / "data" / "cache").glob("sample-*/*.nbc"))
    assert ask(ASK, tmp_path, **env) == "1 0"


def test_without_any_folder_to_write_to_each_process_compiles_for_itself(ask, tmp_path):
    (tmp_path / "file").touch()
    nowhere = str(tmp_path / "file" / "below")
    env = {"NUMBA_CACHE_DIR": "", "XDG_CACHE_HOME": nowhere, "LOADWORTHY_DATA": nowhere}
    assert ask(ASK, write_package(tmp_path, 1), **env) == "1 1"
    assert ask(ASK, tmp_path, **env) == "1 1"


def test_real_use_needs_no_code_beyond_that_compiled_at_the_start(ask, tmp_path):
    ask(SIGNATURES, tmp_path)
