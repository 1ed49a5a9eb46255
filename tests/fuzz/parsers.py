"""The parsers that take bytes from outside, each with real inputs, inputs of its own kind and its refusals.

A parser's feed() returns a short name of what came of the bytes. What it raises is a defect.
"""

import gzip
import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from io import BytesIO
from pathlib import Path
from random import Random

from django.core.exceptions import ValidationError
from rest_framework.exceptions import ParseError

from api.parsers import JSONParser
from maintenance.gcode import GcodeError, ReaderSettings, read_job, read_job_apart
from spools import codes
from spools.air.csv_import import read_csv
from spools.physics import scenario
from tests.fuzz.containers import draw_container
from tests.fuzz.mutations import INTERESTING, mutate

LONGEST_REFUSAL = 5000


@dataclass(frozen=True)
class Parser:
    """seeds: real bytes. generate: bytes of the parser's own kind. cheap: takes 100,000 of them in minutes."""

    name: str
    seeds: Sequence[bytes]
    generate: Callable[[Random], bytes]
    feed: Callable[[bytes], str]
    cheap: bool = True

    def draw(self, draw: Random) -> bytes:
        """Bytes of its own kind, some with changes, and real ones with changes."""
        if draw.random() < 0.4:
            return mutate(draw, draw.choice(self.seeds), self.seeds)
        whole = self.generate(draw)
        return mutate(draw, whole, self.seeds) if draw.random() < 0.3 else whole


# Jobs

JOB = b"""\
; invented
G21
G90
M82
M104 S215 T0
M190 S60
G92 E0
G1 Z0.2 F600
G1 X10 Y10.5 E1.25 F1800
G2 X20 Y20 I5 J5 E2.5
G3 X0 R12.5 E3
G10
G11
T1
M600
M83
G1 E-0.8 F2400
N12 G1 X1.5 Y-2 E0.3*71
M204 P1500 T2000
M205 X8 Y8
M221 S95
G4 P250
M106 S128
SET_PRESSURE ADVANCE=0.04
M84
"""
WORDS = (
    b"G0 G1 G2 G3 G4 G10 G11 G17 G18 G19 G20 G21 G28 G90 G91 G92 M82 M83 M104 M109 M140"
    b" M200 M201 M203 M204 M205 M207 M208 M220 M221 M600 T0 T1 T31 T-1 N5 G M MACRO_X"
).split()
NUMBERS = [*b"0 1 -1 0.4 100 1e5 -0 .5 5. 1e308 nan --1".split(), b"9" * 40, b""]
ENDS = [b"\n", b"\n", b"\r\n", b"\r", b" ;c\n", b"(c)\n", b"*12\n", b""]


def generate_job(draw: Random) -> bytes:
    rows = []
    for _ in range(draw.randrange(1, 40)):
        words = [draw.choice(WORDS)]
        letters = draw.sample("XYZEFSIJRPTD", draw.randrange(5))
        words += [letter.encode() + draw.choice(NUMBERS) for letter in letters]
        rows.append(draw.choice((b" ", b"", b"\t")).join(words) + draw.choice(ENDS))
    return b"".join(rows)


class JobReader:
    """Reads jobs from a file in a folder, here or in a process apart."""

    def __init__(self, folder: Path, apart: bool = False) -> None:
        self.path = folder / "job.gcode"
        self.read = partial(read_job_apart, progress=lambda share: None) if apart else read_job

    def feed(self, data: bytes) -> str:
        self.path.write_bytes(data)
        try:
            facts = self.read(self.path, ReaderSettings(), member="a.gcode" if self._chooses(data) else "")
        except GcodeError as refusal:
            assert len(str(refusal)) <= LONGEST_REFUSAL, len(str(refusal))
            return refusal.statement.code.partition(".")[2]
        if len(data) % 8 == 0:  # it takes as long as reading
            json.dumps(facts.as_json(), allow_nan=False)
        assert math.isfinite(facts.filament_mm) and math.isfinite(facts.seconds)
        return "read"

    @staticmethod
    def _chooses(data: bytes) -> bool:
        return data.startswith(b"PK") and len(data) % 2 == 1


def pack(draw: Random) -> bytes:
    job = generate_job(draw)
    return b"".join(
        gzip.compress(part, draw.choice((0, 6)), mtime=0) for part in (job, job[:9])[: draw.choice((1, 2))]
    )


# Texts


def refused(act: Callable[[], object]) -> str:
    """ "taken", or the code of the refusal."""
    try:
        act()
    except ValidationError as error:
        assert all(len(message) <= LONGEST_REFUSAL for message in error.messages)
        by_field = error.error_dict if hasattr(error, "error_dict") else {"": error.error_list}
        return next(iter(by_field.values()))[0].code or "invalid"
    return "taken"


READINGS = b"time,temperature_c,rh_pct\n2026-01-31 08:00,21.5,44\n2026-01-31T09:00:00+01:00,21,45.5\n"
LOGGER = "\ufefftime;battery;Temperature_C;rh_pct\r\n2026-01-31 08:00;3,1;21,5;44,0\r\n".encode()
CELLS = b"2026-01-31 08:00|0001-01-01T00:00+14:00|9999-12-31T23:59:59-12:00|2026-03-29 02:30|20260131T0800|2026-W05-6".split(
    b"|"
)
CELLS += [*b'21.5 1_000 "21" " -274 101 1e400'.split(), b"", b" 21 ", b"\xd9\xa3"]


def generate_readings(draw: Random) -> bytes:
    delimiter = draw.choice((b",", b";", b"\t"))
    names = draw.sample(
        [b"time", b"temperature_c", b"rh_pct", b"battery", b'"time"', b"TIME "], draw.randrange(3, 6)
    )
    rows = [delimiter.join(names if draw.random() < 0.5 else [b"time", b"temperature_c", b"rh_pct"])]
    for _ in range(draw.randrange(8)):
        right = [draw.choice(CELLS), str(draw.randrange(40)).encode(), str(draw.randrange(100)).encode()]
        cells = [cell if draw.random() < 0.9 else draw.choice(CELLS + INTERESTING) for cell in right]
        rows.append(delimiter.join((cells * 2)[: draw.choice((3, 3, 3, 3, 2, 6))]))
    return draw.choice((b"\n", b"\r\n", b"\r")).join(rows)


def feed_readings(data: bytes) -> str:
    return refused(lambda: read_csv(BytesIO(data)))


LABELS = [
    b"7KD-4QM",
    b"7kd 4qm",
    *b"HTTP://SHOP.TEST:8000/S/7KD4QM https://shop.test/s/7kd-4qm/?x=1#y /S/".split(),
]


def generate_label(draw: Random) -> bytes:
    code = "".join(draw.choice(codes.ALPHABET) for _ in range(draw.choice((5, 6, 6, 6, 7))))
    around = draw.choice(
        ("{}", " {} ", "HTTP://A/S/{}", "/s/{}/S/{}", "{}\u2011", "\uff17{}", "{}\u0131\u00df\ufb01")
    )
    return around.replace("{}", code).encode()


def feed_label(data: bytes) -> str:
    return refused(lambda: codes.normalise(data.decode("utf-8", "surrogateescape")))


VALUES: list[object] = [
    0,
    -1,
    1,
    1.5,
    1e308,
    -0.0,
    9e-324,
    10**30,
    10**400,
    2**63,
    float("nan"),
    float("inf"),
    True,
]
VALUES += [None, "", "1", "\0", "\ud800", "é", "x" * 300, "2026-01-31T08:00:00Z", "0001-01-01T00:00:00Z"]
VALUES += [[], {}, [[]], {"a": 1}]


def draw_value(draw: Random, depth: int = 0) -> object:
    """Any value of JSON, and some that are none."""
    match draw.randrange(8) if depth < 4 else 7:
        case 0:
            return [draw_value(draw, depth + 1) for _ in range(draw.randrange(4))]
        case 1:
            return {str(draw.choice(VALUES)): draw_value(draw, depth + 1) for _ in range(draw.randrange(4))}
        case 2:
            return draw.uniform(-200, 200)
    return draw.choice(VALUES)


def vary(draw: Random, value: object) -> object:
    """A value with other ones in some of its places."""
    if draw.random() < 0.12:
        return draw_value(draw)
    if isinstance(value, dict):
        kept = {key: vary(draw, inner) for key, inner in value.items() if draw.random() > 0.06}
        return kept | ({"nonsense": 1} if draw.random() < 0.03 else {})
    if isinstance(value, list):
        return [vary(draw, inner) for inner in value] * draw.choice((1, 1, 1, 1, 0, 3))
    return value


def write_json(draw: Random, value: object) -> bytes:
    text = json.dumps(value, ensure_ascii=draw.random() < 0.5)
    deep = draw.choice((0, 0, 0, 0, 0, 0, 0, 0, 0, 5000))
    return ("[" * deep + text + "]" * deep).encode("utf-8", "surrogatepass")


def feed_json(data: bytes) -> str:
    try:
        JSONParser().parse(BytesIO(data), "application/json", {"encoding": "utf-8"})
    except ParseError:
        return "refused"
    return "read"


SCENARIO = {
    "filament": {"diameter_mm": 1.75, "density_g_cm3": 1.14},
    "winding": {"core_radius_mm": 50, "outer_radius_mm": 90, "width_mm": 60, "pore_fraction": 0.25},
    "polymer": {
        "d23_m2_s": 1e-12,
        "e_d_kj_mol": 50,
        "isotherm": {"kind": "gab", "wm_pct": 2, "c": 5, "k": 0.8},
    },
    "start": {"moisture_pct": 1.5, "temperature_c": 21},
    "heat": True,
    "surroundings": [{"hours": 5, "temperature_c": 70, "rh_pct": 12, "moving_air": True}],
}


def feed_scenario(data: bytes) -> str:
    try:
        scenario.parse(json.loads(data), lambda name: None)
    except scenario.ScenarioError:
        return "refused"
    except (ValueError, RecursionError):
        return "no JSON"
    return "read"


def parsers(folder: Path) -> list[Parser]:
    """All of them. folder: where those that read files may write."""
    job, apart = JobReader(folder), JobReader(folder, apart=True)
    packed = [
        gzip.compress(JOB, mtime=0),
        gzip.compress(JOB[:90], mtime=0) + gzip.compress(JOB[90:], mtime=0),
    ]
    around = lambda draw: draw_container(draw, generate_job(draw))  # noqa: E731
    containers = [draw_container(Random(seed), JOB) for seed in range(40)]
    texts = [
        json.dumps(SCENARIO).encode(),
        b'[{"at": "2026-01-31T08:00:00Z", "rh_pct": 45.5}]',
        b"null",
        b'"\\ud83d"',
    ]
    return [
        Parser("G-code", [JOB], generate_job, job.feed),
        Parser("gzip", packed, pack, job.feed),
        Parser("container", containers, around, job.feed),
        Parser("apart", containers, around, apart.feed, cheap=False),
        Parser("readings as CSV", [READINGS, LOGGER], generate_readings, feed_readings),
        Parser("label", LABELS, generate_label, feed_label),
        Parser("JSON body", texts, lambda draw: write_json(draw, draw_value(draw)), feed_json),
        Parser("scenario", texts[:1], lambda draw: write_json(draw, vary(draw, SCENARIO)), feed_scenario),
    ]
