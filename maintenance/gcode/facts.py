"""The facts of a job file as plain data: made from the kernels' totals, stored as JSON."""

import math
from bisect import bisect_right
from dataclasses import asdict, dataclass
from typing import Any

from spools.statements import Statement

from .settings import Motion, ReaderSettings


@dataclass(frozen=True)
class Retractions:
    """Filament pulled back: how often, how much in all, the usual (median) and the longest length, mm.

    per_m: for each metre of filament that the job takes. most_over_one: how often the same bit of filament
    (0.1 mm) was pulled back through the drive.
    """

    count: int
    length_mm: float
    usual_mm: float
    longest_mm: float
    per_m: float
    most_over_one: int


@dataclass(frozen=True)
class Span:
    """A share of something that has a value: seconds at a temperature, a share of way at a width."""

    value: float
    amount: float


@dataclass(frozen=True)
class ToolUse:
    """The filament of one spool: a tool from its first filament, or from a colour change, to the next one.

    filament_mm: fed net of retractions, which is what leaves the spool. melt_mm: fed beyond what had ever
    been fed, which is what leaves the nozzle; in_place_mm: the part of it while the head stood still.
    seconds: with this tool in use; melting_s: while filament came out.
    flow_mm3_s: what the flow stays below during 50, 90 and 99 % of that time, by moves; None where it never
    melts or is beyond 100 mm³/s. peak_1s_mm3_s, peak_5s_mm3_s: the most on average over any such time.
    hot: set points of the hot end in °C and the seconds at each, while this tool was in use.
    """

    tool: int
    filament_mm: float
    forward_mm: float
    melt_mm: float
    in_place_mm: float
    seconds: float
    melting_s: float
    flow_mm3_s: dict[str, float | None]
    peak_1s_mm3_s: float
    peak_5s_mm3_s: float
    fastest_mm3_s: float
    retractions: Retractions
    hot: list[Span]

    def cm3(self, diameter_mm: float) -> float:
        return self.filament_mm * math.pi * diameter_mm**2 / 4 / 1000

    def grams(self, density_g_cm3: float, diameter_mm: float) -> float:
        return self.cm3(diameter_mm) * density_g_cm3

    @property
    def nozzle_c(self) -> float | None:
        """The hottest set point that it melts at for at least a minute or a tenth of its time."""
        held = [span.value for span in self.hot if span.value > 0]
        long = [s.value for s in self.hot if s.value > 0 and s.amount >= min(60.0, self.seconds / 10)]
        return max(long or held, default=None)


@dataclass(frozen=True)
class Layers:
    """Known from the moves alone. levels: heights on which something is laid down, and the distances between them
    with the share of filament each (the first: over the bed). rising_share: of filament laid down on ways
    that rise, as in a spiral, which have no layers. widths: quartiles of the width of what is laid down, mm,
    taking it for as high as its layer with round ends.
    """

    levels: int
    heights: list[Span]
    top_mm: float
    rising_share: float
    widths_mm: list[float]


@dataclass(frozen=True)
class ToolChange:
    """From this line on, and at this time, filament comes from that spool of the job (index of uses)."""

    line: int
    seconds: float
    use: int


@dataclass(frozen=True)
class Mark:
    """So far the file was read: lines, bytes of text, seconds, and the filament of each spool, mm."""

    lines: int
    bytes: int
    seconds: float
    filament_mm: list[float]


@dataclass(frozen=True)
class JobFacts:
    """All of it. uses: each spool, in the order of first use; changes: the first of change_count changes.

    bed, hot_by_tool: set points in °C and the seconds at each, of tools in use or not. flow_mm3_s: the flow
    over time, in bins of flow_bin_s. marks: how far the job is at places in the file. remarks: what makes the
    numbers less certain, in words. unread: what had no meaning here, and how often.
    """

    packing: str
    member: str
    bytes: int
    lines: int
    commands: int
    reading: ReaderSettings
    seconds: float
    uses: list[ToolUse]
    changes: list[ToolChange]
    change_count: int
    bed: list[Span]
    hot_by_tool: dict[int, list[Span]]
    travel_mm: float
    travel_s: float
    layers: Layers
    flow_bin_s: float
    flow_mm3_s: list[float]
    marks: list[Mark]
    remarks: list[Statement]
    unread: dict[str, int]

    @property
    def filament_mm(self) -> float:
        return math.fsum(use.filament_mm for use in self.uses)

    @property
    def bed_c(self) -> float:
        """The hottest set point of the bed, 0 when it is never heated."""
        return max((span.value for span in self.bed), default=0.0)

    def up_to(
        self, *, line: int | None = None, byte: int | None = None, seconds: float | None = None
    ) -> Mark:
        """How far a job had got that stopped before that line, byte of text or second.

        Between the marks of the file the numbers are interpolated; there are more than 500 of them in a
        long file, so the error is at most about 0.2 % of the job.
        """
        positions = {"lines": None if line is None else line - 1, "bytes": byte, "seconds": seconds}
        (name, position), *other_positions = [
            (name, number) for name, number in positions.items() if number is not None
        ]
        if other_positions:
            raise ValueError("Give one of line, byte and seconds.")
        places = [getattr(mark, name) for mark in self.marks]
        after = bisect_right(places, position)
        if after == 0 or after == len(places):
            return self.marks[max(0, after - 1)]
        before, following = self.marks[after - 1], self.marks[after]
        share = (position - places[after - 1]) / (places[after] - places[after - 1])
        return Mark(
            round(before.lines + share * (following.lines - before.lines)),
            round(before.bytes + share * (following.bytes - before.bytes)),
            before.seconds + share * (following.seconds - before.seconds),
            [a + share * (b - a) for a, b in zip(before.filament_mm, following.filament_mm, strict=True)],
        )

    def as_json(self) -> dict[str, Any]:
        """Everything as JSON can hold it; from_json brings it back."""
        return asdict(self)

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> "JobFacts":
        def spans(rows: list[dict[str, Any]]) -> list[Span]:
            return [Span(**row) for row in rows]

        motion: dict[str, Any] = {
            k: tuple(v) if isinstance(v, list) else v for k, v in stored["reading"]["motion"].items()
        }
        fields = {
            "reading": ReaderSettings(**(stored["reading"] | {"motion": Motion(**motion)})),
            "uses": [
                ToolUse(**(u | {"retractions": Retractions(**u["retractions"]), "hot": spans(u["hot"])}))
                for u in stored["uses"]
            ],
            "changes": [ToolChange(**row) for row in stored["changes"]],
            "bed": spans(stored["bed"]),
            "remarks": [Statement.from_data(row) for row in stored["remarks"]],
            "hot_by_tool": {int(tool): spans(rows) for tool, rows in stored["hot_by_tool"].items()},
            "layers": Layers(**(stored["layers"] | {"heights": spans(stored["layers"]["heights"])})),
            "marks": [Mark(**row) for row in stored["marks"]],
        }
        return cls(**(stored | fields))
