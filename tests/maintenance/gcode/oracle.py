"""The obvious way to read a job: a regular expression, a state in plain Python, lists of all moves.

Slow, and it keeps everything in memory; what it says is what the kernels must say.
"""

import math
import re
from collections import Counter
from dataclasses import dataclass, field

from maintenance.gcode import ReaderSettings

TOKEN = re.compile(
    r"(?P<rest>[;*].*)|(?P<bracket>\([^)]*\)?)|(?P<quoted>\"[^\"]*\"?)|(?P<space>[ \t%])"
    r"|(?P<letter>[A-Za-z])[ \t]*(?P<number>[+-]?\d*(?:\.\d*)?)|(?P<stray>.)",
    re.ASCII | re.DOTALL,
)
NAME = re.compile(r"[A-Za-z][A-Za-z_][A-Za-z_0-9]*", re.ASCII)
SPOKEN = {23, 28, 30, 32, 33, 36, 117, 118, 550, 551, 587, 588, 589, 928}
NOT_COUNTED = {0, 1, 25, 106, 107, 226, 400, 600, 601}
HOME = (0.0, 0.0, 0.0)


@dataclass
class Move:
    """length: of the path, of filament where only that moves. into, out: directions (X, Y, Z, E per mm)."""

    length: float
    span: float
    feed: float
    speed: float
    acceleration: float
    corner: float
    tool: int
    use: int
    line: int
    z: float
    level: bool
    seconds: float = 0.0
    melt: float = 0.0


@dataclass
class OracleJob:
    moves: list[Move] = field(default_factory=list)
    unread: Counter = field(default_factory=Counter)
    commands: int = 0
    lines: int = 0
    tool_of_use: list[int] = field(default_factory=list)
    heat: list[tuple[int, str, int, float]] = field(default_factory=list)  # before which move, what, tool, °C


def number_of(text: str) -> float | None:
    return float(text) if any(c.isdigit() for c in text) else None


def commands_of(line: str, unread: Counter):
    """The commands of a line: (letter, number, words with a number, words without)."""
    found: list[tuple[str, float | None, dict[str, float], set[str]]] = []
    started_at = False
    at = 0
    while match := TOKEN.match(line, at):
        if not started_at and (name := NAME.match(line, at)):
            unread[name[0].upper()[:24]] += 1
            break
        at = match.end()
        if match["stray"]:
            unread["stray characters"] += 1
        if match["rest"]:
            break
        if not (letter := (match["letter"] or "").upper()):
            continue
        number = number_of(match["number"])
        if letter in "GM" or (letter == "T" and not started_at):
            found.append((letter, number, {}, set()))
            started_at = True
            if letter == "M" and number is not None and number <= 9999 and int(number + 0.05) in SPOKEN:
                break
        elif letter != "N" or started_at:
            if not started_at:
                found.append(("", None, {}, set()))
                started_at = True
            if number is None:
                found[-1][3].add(letter)
            elif abs(number) > 1e8:
                unread["numbers beyond all measure"] += 1
            else:
                found[-1][2][letter] = number
    return found


class Machine:
    def __init__(self, reading: ReaderSettings) -> None:
        self.reading, self.job = reading, OracleJob()
        motion = reading.motion
        self.pos = {"X": 0.0, "Y": 0.0, "Z": 0.0, "E": 0.0}
        self.height = 0.0
        self.unit = 1.0
        self.relative = self.e_relative = False
        self.mode: int | None = None
        self.plane = "XYZ"
        self.feedrate, self.speed_factor = None, 1.0
        self.flow, self.volumetric, self.diameter = Counter(), {}, {}
        self.fastest = dict(zip("XYZE", motion.speed_mm_s, strict=True))
        self.hardest = dict(zip("XYZE", motion.axis_acceleration_mm_s2, strict=True))
        self.jump = dict(zip("XYZE", motion.jump_mm_s, strict=True))
        self.print_a = motion.print_acceleration_mm_s2
        self.travel_a = motion.travel_acceleration_mm_s2
        self.retract_a = motion.retract_acceleration_mm_s2
        self.deviation = motion.junction_deviation_mm
        self.retract = (reading.retract_mm, reading.retract_mm_s)
        self.recover = (0.0, reading.retract_mm_s)
        self.retracted: set[int] = set()
        self.tool = 0
        self.use_of_tool: dict[int, int] = {}
        self.hot, self.bed = Counter(), 0.0
        self.last: tuple[dict[str, float], float] | None = None  # direction and speed of the last move

    def run(self, letter: str, number: float | None, words: dict[str, float], flags: set[str], line: int):
        self.line = line
        self.job.commands += 1
        if letter == "":
            if self.mode is None:
                self.job.unread.update(f"word {w}" for w in words if w not in "XYZEF")
                return
            letter, number = "G", self.mode
        if number is None or number > 9999.9 or number < 0 or abs(number * 10 - round(number * 10)) > 1e-6:
            self.job.unread["word T" if letter == "T" else f"{letter} without a usable number"] += 1
        elif letter == "T":
            if number == int(number) and number < 32:
                if number != self.tool:
                    self.tool, self.last = int(number), None
            else:
                self.job.unread["word T"] += 1
        elif letter == "G":
            self.run_g(round(number, 1), words, flags)
        else:
            self.run_m(round(number, 1), words)

    def run_g(self, g: float, words: dict[str, float], flags: set[str]) -> None:
        if g in (0, 1, 2, 3):
            self.mode = int(g)
            self.job.unread.update(f"word {w}" for w in words if w not in ("XYZEF" if g < 2 else "XYZEFIJKR"))
            self.move(words)
        elif g == 4:
            seconds = words.get("S", words.get("P", 0.0) / 1000)
            self.add_pause(max(0.0, seconds))
        elif g in (10, 11) and not {"P", "L"} & set(words):
            if (g == 10) == (self.tool in self.retracted):
                return
            if g == 10:
                self.retracted.add(self.tool)
                self.feed_only(-self.retract[0], self.retract[1])
            else:
                self.retracted.discard(self.tool)
                self.feed_only(self.retract[0] + self.recover[0], self.recover[1])
        elif g in (17, 18, 19):
            self.plane = {17: "XYZ", 18: "ZXY", 19: "YZX"}[int(g)]
        elif g in (20, 21):
            self.unit = 25.4 if g == 20 else 1.0
        elif g == 28:
            named = [a for a in "XYZ" if a in words or a in flags] or list("XYZ")
            self.pos.update(dict.fromkeys(named, 0.0))
            if "Z" in named:
                self.height = 0.0
            self.last = None
        elif g in (90, 91):
            self.relative = g == 91
            if self.reading.e_follows_g90:
                self.e_relative = g == 91
        elif g == 92:
            axes = [a for a in "XYZE" if a in words]
            for a in axes or "XYZE":
                scale = self.e_scale() if a == "E" else self.unit
                self.pos[a] = words[a] * scale if axes else 0.0
        else:
            self.job.unread[f"G{g:g}"] += 1

    def run_m(self, m: float, words: dict[str, float]) -> None:
        def given(letter: str, low: float = 0.0, high: float = math.inf) -> bool:
            return letter in words and low < words[letter] <= high

        here = "T" not in words or 0 <= words["T"] < 32
        tool = int(words.get("T", self.tool))
        if m in (104, 109):
            if m == 109:
                self.last = None
            celsius = words.get("S", words.get("R", -1))
            if 0 <= celsius <= 600 and here:
                self.hot[tool] = celsius
                self.job.heat.append((len(self.job.moves), "hot", tool, celsius))
        elif m in (140, 190):
            if m == 190:
                self.last = None
            celsius = words.get("S", words.get("R", -1))
            if 0 <= celsius <= 600:
                self.job.heat.append((len(self.job.moves), "bed", 0, celsius))
        elif m in (82, 83):
            self.e_relative = m == 83
        elif m == 200:
            if here:
                if "D" in words:
                    d = words["D"] * self.unit
                    self.diameter[tool] = d if 0.5 <= d <= 10 else 0.0
                d = self.diameter.get(tool, 0.0)
                on = words["S"] > 0 if "S" in words else d > 0
                self.volumetric[tool] = math.pi / 4 * d**2 if on else 0.0
        elif m in (201, 203, 205):
            limits = {201: self.hardest, 203: self.fastest, 205: self.jump}[int(m)]
            if m == 205 and given("X") and "Y" not in words:
                limits["Y"] = words["X"] * self.unit
            limits.update({a: words[a] * self.unit for a in "XYZE" if given(a)})
            if m == 205 and "J" in words:
                self.deviation = max(0.0, words["J"] * self.unit)
        elif m == 204:
            if given("S"):
                self.print_a = self.travel_a = words["S"] * self.unit
            self.print_a = words["P"] * self.unit if given("P") else self.print_a
            self.travel_a = words["T"] * self.unit if given("T") else self.travel_a
            self.retract_a = words["R"] * self.unit if given("R") else self.retract_a
        elif m == 207:
            length, speed = self.retract
            if words.get("S", -1) >= 0:
                length = words["S"] * self.unit
            self.retract = (length, words["F"] * self.unit / 60 if given("F") else speed)
        elif m == 208:
            extra, speed = self.recover
            self.recover = (
                words["S"] * self.unit if "S" in words else extra,
                words["F"] * self.unit / 60 if given("F") else speed,
            )
        elif m == 220:
            self.speed_factor = words["S"] / 100 if given("S", 0, 1000) else self.speed_factor
        elif m == 221:
            if 0 <= words.get("S", -1) <= 1000 and here:
                self.flow[tool] = words["S"] / 100 - 1
        elif m == 600:
            self.use_of_tool.pop(self.tool, None)
            self.last = None
        elif m in (0, 1, 25, 226, 400, 601):
            self.last = None
        elif m not in (106, 107) and not 201 <= m <= 208:
            self.job.unread[f"M{m:g}"] += 1
        elif m in (202, 206):
            pass
        elif m != int(m):
            self.job.unread[f"M{m:g}"] += 1

    # Moves

    def e_scale(self) -> float:
        return self.unit**3 if self.volumetric.get(self.tool) else self.unit

    def move(self, words: dict[str, float]) -> None:
        if words.get("F", 0) > 0:
            self.feedrate = words["F"] * self.unit / 60
        d = {}
        for a in "XYZ":
            target = words[a] * self.unit if a in words else 0.0 if self.relative else self.pos[a]
            d[a] = target if self.relative else target - self.pos[a]
            self.pos[a] = self.pos[a] + d[a]
        feed = 0.0
        if "E" in words:
            value = words["E"] * self.e_scale()
            feed = value if self.e_relative else value - self.pos["E"]
            self.pos["E"] = self.pos["E"] + value if self.e_relative else value
        area = self.volumetric.get(self.tool, 0.0)
        feed = (feed / area if area else feed) * (1 + self.flow[self.tool])
        self.height += d["Z"]
        speed = (self.feedrate or 25.0) * self.speed_factor
        if self.mode in (2, 3) and (arc := self.arc(d, words)):
            length, into, out, radius, level = arc
            self.add(length, length, feed, speed, into, out, radius, level)
            return
        span = math.hypot(*d.values())
        if span == 0:
            self.feed_only(feed, speed)
        else:
            direction = {a: d[a] / span for a in "XYZ"}
            self.add(span, span, feed, speed, direction, direction, math.inf, d["Z"] == 0)

    def arc(self, d: dict[str, float], words: dict[str, float]):
        """Length, direction at both ends, radius, whether it is level; nothing where there is no centre."""
        p, q, r = self.plane
        end = complex(d[p], d[q])
        left = self.mode == 3
        to_p, to_q = ({"X": "I", "Y": "J", "Z": "K"}[a] for a in (p, q))
        if to_p in words or to_q in words or "R" not in words or end == 0:
            centre = complex(words.get(to_p, 0.0), words.get(to_q, 0.0)) * self.unit
        else:
            radius = words["R"] * self.unit
            rise = math.sqrt(max(0.0, radius**2 - abs(end) ** 2 / 4))
            # Left of the chord for the short way round to the left, and for the long way to the right.
            centre = end / 2 + 1j * end / abs(end) * rise * (1 if left == (radius >= 0) else -1)
        if centre == 0:
            return None
        start, stop = -centre, end - centre
        turned = math.atan2((start.conjugate() * stop).imag, (start.conjugate() * stop).real)
        turned = turned if left else -turned
        if turned <= 0 or abs(end) < 1e-6:
            turned += 2 * math.pi
        radius = abs(start)
        length = math.hypot(radius * turned, d[r])
        if stop == 0:
            stop = start
        way = 1j if left else -1j
        ends = []
        for spoke in (start, stop):
            tangent = way * spoke / abs(spoke) * radius * turned / length
            ends.append({p: tangent.real, q: tangent.imag, r: d[r] / length})
        return length, *ends, radius, self.plane == "XYZ" and d["Z"] == 0

    def feed_only(self, feed: float, speed: float) -> None:
        if feed != 0:
            still = dict.fromkeys("XYZ", 0.0)
            self.add(abs(feed), 0.0, feed, speed, still, still, math.inf, False)

    def add(self, length, span, feed, speed, into, out, radius, level) -> None:
        into, out = into | {"E": feed / length}, out | {"E": feed / length}
        speed = min([speed, *(self.fastest[a] / abs(into[a]) for a in "XYZE" if into[a])])
        acceleration = self.retract_a if span == 0 else self.print_a if feed else self.travel_a
        acceleration = min([acceleration, *(self.hardest[a] / abs(into[a]) for a in "XYZE" if into[a])])
        speed = min(speed, math.sqrt(acceleration * radius))
        corner = 0.0
        if self.last is not None:
            corner = self.corner(self.last[0], into, min(speed, self.last[1]), acceleration)
        if feed and self.tool not in self.use_of_tool:
            self.use_of_tool[self.tool] = len(self.job.tool_of_use)
            self.job.tool_of_use.append(self.tool)
        use = self.use_of_tool.get(self.tool, -1)
        self.job.moves.append(
            Move(
                length,
                span,
                feed,
                speed,
                acceleration,
                corner,
                self.tool,
                use,
                self.line,
                self.height,
                level,
            )
        )
        self.last = (out, speed)

    def corner(self, before: dict[str, float], after: dict[str, float], speed: float, a: float) -> float:
        if self.deviation > 0:
            one, two = ([u[axis] for axis in "XYZ"] for u in (before, after))
            if not any(one) or not any(two):
                return 0.0
            cosine = -sum(i * j for i, j in zip(one, two, strict=True)) / math.hypot(*one) / math.hypot(*two)
            half = math.sqrt(max(0.0, (1 - cosine) / 2))
            if half > 0.999999:
                return speed
            return min(speed, math.sqrt(a * self.deviation * half / (1 - half)))
        jumps = {axis: abs(after[axis] - before[axis]) for axis in "XYZE"}
        return min([speed, *(self.jump[axis] / jump for axis, jump in jumps.items() if jump)])

    def add_pause(self, seconds: float) -> None:
        use = self.use_of_tool.get(self.tool, -1)
        pause = Move(0, 0, 0, 1, 1, 0, self.tool, use, self.line, self.height, False, seconds)
        self.job.moves.append(pause)
        self.last = None


def read(text: str, reading: ReaderSettings | None = None) -> OracleJob:
    machine = Machine(reading or ReaderSettings())
    lines = re.split(r"\r\n|\r|\n", text)
    if lines[-1] == "":
        lines.pop()
    machine.job.lines = len(lines)
    for n, line in enumerate(lines, 1):
        for command in commands_of(line, machine.job.unread):
            machine.run(*command, n)
    time_moves(machine.job.moves)
    return machine.job


def time_moves(moves: list[Move]) -> None:
    """The reference planner: both passes over the whole job, speeds rather than their squares."""
    begins = [move.corner for move in moves] + [0.0]
    for k in reversed(range(len(moves))):
        move = moves[k]
        begins[k] = min(begins[k], math.sqrt(begins[k + 1] ** 2 + 2 * move.acceleration * move.length))
    for k, move in enumerate(moves):
        begins[k + 1] = min(begins[k + 1], math.sqrt(begins[k] ** 2 + 2 * move.acceleration * move.length))
    for move, start, end in zip(moves, begins[:-1], begins[1:], strict=True):
        if move.length == 0:
            continue
        up = (move.speed**2 - start**2) / 2 / move.acceleration
        down = (move.speed**2 - end**2) / 2 / move.acceleration
        top, cruise = move.speed, move.length - up - down
        if cruise < 0:
            top, cruise = math.sqrt((start**2 + end**2) / 2 + move.acceleration * move.length), 0.0
        move.seconds = (2 * top - start - end) / move.acceleration + cruise / top
