"""Feeds one parser many inputs, each within bounds of time and memory."""

import resource
import signal
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from random import Random

from tests.fuzz.parsers import Parser

# What one input may take: seconds of the processor, of this process and those that it waits for, and memory.
LONGEST_S = 10.0
ROOM_BYTES = 512 * 2**20


class TooLong(BaseException):
    """No handler of errors stops it."""


@dataclass
class Outcome:
    """counts: how often each thing came of an input. defects: by place, an input and its traceback."""

    counts: Counter[str] = field(default_factory=Counter)
    defects: dict[str, tuple[bytes, str]] = field(default_factory=dict)
    longest_s: float = 0.0


def feed_many(parser: Parser, cases: int, seed: int, bounds: bool = False) -> Outcome:
    """Feed the parser that many inputs. bounds: as bounded() has them."""
    draw, outcome = Random(f"{parser.name} {seed}"), Outcome()
    for _ in range(cases):
        data = parser.draw(draw)
        began = _spent_s()
        try:
            with bounded() if bounds else nullcontext():
                came = parser.feed(data)
        except (Exception, TooLong) as error:
            came = f"DEFECT {type(error).__name__}"
            place = traceback.extract_tb(error.__traceback__)[-1]
            where = f"{came} {place.filename}:{place.lineno}"
            outcome.defects.setdefault(where, (data, traceback.format_exc()))
        outcome.counts[came] += 1
        outcome.longest_s = max(outcome.longest_s, _spent_s() - began)
    return outcome


def _spent_s() -> float:
    return time.process_time() + sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2])


@contextmanager
def bounded() -> Iterator[None]:
    """Within it an input that takes too long or too much memory is a defect."""

    def stop(*_: object) -> None:
        raise TooLong

    with open("/proc/self/status") as status:
        data = next(1024 * int(line.split()[1]) for line in status if line.startswith("VmData:"))
    limits = resource.getrlimit(resource.RLIMIT_DATA)
    signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
    resource.setrlimit(resource.RLIMIT_DATA, (data + ROOM_BYTES, limits[1]))
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        resource.setrlimit(resource.RLIMIT_DATA, limits)
