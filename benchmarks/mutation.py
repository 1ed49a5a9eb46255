"""Do the tests notice a small fault? Mutants of the rules and gates, a random sample of them, each tested.

    .venv/bin/python -m uv pip install -r pyproject.toml --extra mutation
    nice .venv/bin/python -m benchmarks.mutation readiness --sample 100 --seed 1

A mutant is the code with one operator, number or condition changed. It is killed when a test fails. Survivors
are printed with their change: a missing test, or a change that alters nothing. Each line has the total so far,
so a run that is cut short still gives its figures. The work happens in a copy of the project, so a run that is
stopped leaves no mutant behind.
"""

import argparse
import random
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import chdir
from pathlib import Path
from typing import NamedTuple

from cosmic_ray.commands import init
from cosmic_ray.mutating import mutate_and_test
from cosmic_ray.work_db import WorkDB, use_db
from cosmic_ray.work_item import TestOutcome, WorkItem


class MutationTarget(NamedTuple):
    """modules: the files that are changed. tests: the files that must notice."""

    modules: list[str]
    tests: list[str]


SUBJECTS = {
    "readiness": MutationTarget(
        ["maintenance/readiness/rules", "maintenance/readiness/verdict.py"],
        ["tests/maintenance/readiness/test_rules.py", "tests/maintenance/flow/test_readiness.py"],
    ),
    "board": MutationTarget(
        ["maintenance/board/choice.py", "maintenance/board/toolheads.py"],
        ["tests/maintenance/board", "tests/maintenance/test_today.py"],
    ),
    "caps": MutationTarget(
        ["spools/drying/caps.py"],
        [
            "tests/spools/drying/test_caps.py",
            "tests/spools/drying/test_stages.py",
            "tests/spools/catalogue/test_coupons.py",
        ],
    ),
    "gate": MutationTarget(
        ["spools/drying/gate.py"],
        [
            "tests/spools/drying/test_gate.py",
            "tests/spools/drying/test_heat_gate.py",
            "tests/spools/drying/test_runs.py",
            "tests/spools/drying/test_stages.py",
            "tests/spools/drying/test_together.py",
        ],
    ),
    "ledger": MutationTarget(
        [
            "spools/inventory/corrections.py",
            "spools/inventory/ledger.py",
            "spools/inventory/receiving.py",
        ],
        ["tests/spools/inventory"],
    ),
    "moves": MutationTarget(
        ["spools/inventory/moves.py"],
        [
            "tests/spools/inventory/test_moves.py",
            "tests/spools/drying/test_heat_gate.py",
            "tests/spools/drying/test_runs.py",
        ],
    ),
    "reminders": MutationTarget(
        [
            "maintenance/reminders/lifecycle.py",
            "maintenance/reminders/reconcile.py",
            "maintenance/reminders/queries.py",
        ],
        [
            "tests/maintenance/reminders/test_lifecycle.py",
            "tests/maintenance/reminders/test_reconcile.py",
            "tests/maintenance/reminders/test_queries.py",
            "tests/maintenance/reminders/test_sweep.py",
        ],
    ),
    "delivery": MutationTarget(
        ["maintenance/reminders/delivery/outbox.py", "maintenance/reminders/delivery/schedule.py"],
        [
            "tests/maintenance/reminders/delivery/test_outbox.py",
            "tests/maintenance/reminders/delivery/test_limits.py",
        ],
    ),
    "service": MutationTarget(
        ["maintenance/service/intervals.py", "maintenance/wear/intervals.py"],
        ["tests/maintenance/service/test_records.py"],
    ),
}
# "|" joins types and conditions of queries, and decorators make classes: their mutants fail at once. "is" for
# "==" alters nothing where words are compared.
LEFT_OUT = re.compile(r"core/(ReplaceBinaryOperator_BitOr_|RemoveDecorator|\w+_(Is|IsNot)$)")
TIMEOUT_S = 600


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("subject", choices=SUBJECTS)
    parser.add_argument("--sample", type=int, default=100, help="how many mutants (default 100)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="only mutants whose line holds this text")
    options = parser.parse_args()
    subject = SUBJECTS[options.subject]
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        copy_project(copy)
        with chdir(copy):
            command = shlex.join([sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", *subject.tests])
            subprocess.run([*shlex.split(command)], check=True, stdout=subprocess.DEVNULL)
            mutants = [item for item in list_mutants(subject) if options.only in source_line(item)]
            sample = random.Random(options.seed).sample(mutants, min(options.sample, len(mutants)))
            print(f"{len(mutants)} mutants, {len(sample)} of them in the sample", flush=True)
            run(sample, command)


def copy_project(copy: Path) -> None:
    """Copies the files under version control."""
    listing = subprocess.run(["git", "ls-files", "-z"], check=True, capture_output=True, text=True).stdout
    for name in filter(None, listing.split("\0")):
        target = copy / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(name, target)


def list_mutants(subject: MutationTarget) -> list[WorkItem]:
    paths: list[Path] = []
    for name in map(Path, subject.modules):
        paths += sorted(name.rglob("*.py")) if name.is_dir() else [name]
    with (
        tempfile.TemporaryDirectory() as folder,
        use_db(str(Path(folder) / "mutants.sqlite"), WorkDB.Mode.create) as db,
    ):
        init(paths, db, {})
        items = list(db.work_items)
    items = [item for item in items if not (LEFT_OUT.match(operator_name(item)) or is_mark(item))]
    return sorted(items, key=lambda item: (*place(item), operator_name(item), occurrence(item)))


def place(item: WorkItem) -> tuple[str, int, int]:
    return str(item.mutations[0].module_path), *item.mutations[0].start_pos


def operator_name(item: WorkItem) -> str:
    return str(item.mutations[0].operator_name)


def is_mark(item: WorkItem) -> bool:
    """Whether the mutant changes a mark of arguments, as in "/, *, now" or "**values", listed as an operator."""
    line, column = source_line(item), place(item)[2]
    return re.match(r"(^|[\s({\[])(\*{1,2}[^\s*]|/[,)])", line[max(column - 1, 0) :]) is not None


def occurrence(item: WorkItem) -> int:
    return item.mutations[0].occurrence


def source_line(item: WorkItem) -> str:
    path, line, _ = place(item)
    return Path(path).read_text().splitlines()[line - 1]


def run(sample: list[WorkItem], command: str) -> None:
    counts: Counter[str] = Counter()
    began = time.monotonic()
    for item in sample:
        result = mutate_and_test(item.mutations, command, TIMEOUT_S)
        survived = result.test_outcome == TestOutcome.SURVIVED
        outcome = "survived" if survived else "killed"
        counts[outcome] += 1
        print(
            f"{counts['killed']} of {counts.total()} killed, {time.monotonic() - began:.0f} s; {outcome}: "
            f"{':'.join(map(str, place(item)))} {operator_name(item)}",
            flush=True,
        )
        if survived:
            print(f"{result.diff}\n", flush=True)


if __name__ == "__main__":
    main()
