"""The same totals as two readers that know nothing of this one: gcodeparser 0.3 and pygcode 0.2 (PyPI)."""

import math

import pygcode
import pytest
from gcodeparser import parse_gcode_lines

from .invented import long_job

MM_PER_INCH = 25.4


def totals(commands: list[tuple[str, dict[str, float]]]) -> tuple[float, float, int]:
    """Filament, way without feeding, both mm, and retractions, from another reader's commands and words."""
    at = {"X": 0.0, "Y": 0.0, "Z": 0.0, "E": 0.0}
    scale, relative = 1.0, False
    fed, travel, back = [], [], 0
    for command, words in commands:
        if command in ("G20", "G21"):
            scale = MM_PER_INCH if command == "G20" else 1.0
        elif command in ("M82", "M83"):
            relative = command == "M83"
        elif command == "G92":
            at["E"] = words["E"] * scale
        elif command in ("G0", "G1"):
            was = dict(at)
            for axis in "XYZ":
                at[axis] = words[axis] * scale if axis in words else at[axis]
            step = 0.0
            if "E" in words:
                step = words["E"] * scale - (0 if relative else at["E"])
                at["E"] += step
            fed.append(step)
            back += step < 0
            if step <= 0:
                travel.append(math.dist([at[a] for a in "XYZ"], [was[a] for a in "XYZ"]))
    return math.fsum(fed), math.fsum(travel), back


def by_gcodeparser(text: str) -> list[tuple[str, dict[str, float]]]:
    return [(line.command_str, line.params) for line in parse_gcode_lines(text)]


def by_pygcode(text: str) -> list[tuple[str, dict[str, float]]]:
    found = []
    for row in text.splitlines():
        words = [(word.letter, word.value) for word in pygcode.Line(row).block.words]
        if words:
            (letter, number), *rest = words
            found.append((f"{letter}{number:g}", dict(rest)))
    return found


@pytest.mark.parametrize("reader", [by_gcodeparser, by_pygcode])
@pytest.mark.parametrize("relative", [False, True])
@pytest.mark.parametrize("inches", [False, True])
def test_filament_travel_and_retractions(facts_of, reader, relative, inches):
    text = long_job(7, relative, inches)
    filament_mm, travel_mm, retractions = totals(reader(text))
    facts = facts_of(text)
    assert facts.filament_mm == pytest.approx(filament_mm, rel=1e-9)
    assert facts.travel_mm == pytest.approx(travel_mm, rel=1e-9)
    assert facts.uses[0].retractions.count == retractions == 600
