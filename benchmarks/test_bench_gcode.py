"""Reading a job of 100 MB, beside wc, grep and other readers in the same run.

Run with: pytest benchmarks/test_bench_gcode.py -n 0 --benchmark-enable
"""

import math
import subprocess
import sys
import time
from pathlib import Path

import pygcode
import pytest
from gcodeparser import parse_gcode_lines

from maintenance.gcode import read_job

MEGABYTES = 100
# The share of the file that other readers get, since they take seconds a megabyte.
PART_BYTES = 2_000_000
# The peak of a process of its own (VmHWM); getrusage would count what the parent held before exec.
MEMORY = """
import re, sys
from pathlib import Path
from maintenance.gcode import read_job
read_job(sys.argv[1])
print(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1])
"""


def write_job(path: Path, megabytes: float) -> None:
    """Rings of short moves, each begun with travel and a retraction: about 22 bytes and one move a line."""
    size, e, z = 0, 0.0, 0.2
    with path.open("w") as file:
        file.write("G21\nG90\nM82\nM104 S210\nM140 S60\nG92 E0\n")
        while size < megabytes * 1e6:
            rows = [f"G92 E0\nG1 Z{z:.1f} F600\n"]
            e, z = 0.0, z + 0.2 if z < 250 else 0.2
            for ring in range(20):
                radius = 5 + ring / 2
                rows.append(
                    f"G1 E{e - 0.8:.2f} F2400\nG0 X{50 + radius:.2f} Y50 F9000\nG1 E{e:.2f}\nG1 F3000\n"
                )
                for k in range(1, 121):
                    e += 2 * math.pi * radius / 120 * 0.033
                    turn = 2 * math.pi * k / 120
                    x, y = 50 + radius * math.cos(turn), 50 + radius * math.sin(turn)
                    rows.append(f"G1X{x:.2f}Y{y:.2f}E{e:.3f}\n")
            file.writelines(rows)
            size += sum(map(len, rows))


@pytest.fixture(scope="module")
def job(tmp_path_factory, request) -> Path:
    path = tmp_path_factory.mktemp("bench") / "job.gcode"
    write_job(path, MEGABYTES if request.config.getoption("benchmark_enable") else 1)
    return path


def seconds_of(run, *arguments) -> float:
    began = time.perf_counter()
    run(*arguments)
    return time.perf_counter() - began


def by_pygcode(text: str) -> None:
    for row in text.splitlines():
        pygcode.Line(row)


def test_job_file(benchmark, job):
    facts = benchmark.pedantic(read_job, args=(job,), rounds=3, warmup_rounds=1)
    assert facts.unread == {} and facts.bytes == job.stat().st_size
    if benchmark.stats is None:
        return
    megabytes = facts.bytes / 1e6
    speed = {"this reader": megabytes / benchmark.stats.stats.min}
    for name, command in (("wc -l", ["wc", "-l"]), ("grep -c G1", ["grep", "-c", "G1"])):
        times = [seconds_of(subprocess.check_output, [*command, str(job)]) for _ in range(3)]
        speed[name] = megabytes / min(times)
    with job.open() as file:
        part = file.read(PART_BYTES)
    for name, reader in (("gcodeparser", parse_gcode_lines), ("pygcode", by_pygcode)):
        speed[name] = PART_BYTES / 1e6 / seconds_of(lambda: list(reader(part) or []))  # noqa: B023
    memory = subprocess.check_output([sys.executable, "-c", MEMORY, str(job)], text=True)
    benchmark.extra_info |= {f"{name}, MB/s": round(value, 2) for name, value in speed.items()}
    benchmark.extra_info["commands a second"] = round(facts.commands / benchmark.stats.stats.min)
    benchmark.extra_info["peak memory, MiB"] = int(memory) // 1024
    print("\n", benchmark.extra_info, f"{facts.commands:,} commands")
    assert int(memory) < 300 * 1024
