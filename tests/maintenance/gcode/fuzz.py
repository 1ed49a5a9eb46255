"""Fuzzing of the job reader with a corpus: whatever the bytes are, it tells facts or refuses in a sentence.

Not one of the tests. Atheris is in no lock file; it goes into an environment of its own:

    python3.11 -m venv /somewhere && /somewhere/bin/pip install atheris -r requirements.lock
    PYTHONPATH=. /somewhere/bin/python tests/maintenance/gcode/fuzz.py -max_total_time=120 CORPUS_FOLDER

Coverage guides it through the containers and the plain Python; what Numba compiles cannot be watched.
"""

import inspect
import math
import sys
import tempfile
from pathlib import Path

import atheris

import maintenance.gcode.wording  # noqa: F401
from maintenance.gcode import GcodeError, ReaderSettings, read_job, reading, source

for module in (source, reading):
    for function in list(vars(module).values()):
        if inspect.isfunction(function) and function.__module__ == module.__name__:
            atheris.instrument_func(function)

FILE = Path(tempfile.mkdtemp()) / "job.gcode"


def one_input(data: bytes) -> None:
    FILE.write_bytes(data)
    try:
        facts = read_job(FILE, ReaderSettings(diameter_mm=1.75))
    except GcodeError as refusal:
        assert str(refusal).endswith(".")
        return
    assert math.isfinite(facts.filament_mm) and math.isfinite(facts.seconds)


if __name__ == "__main__":
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
