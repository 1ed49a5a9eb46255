"""The demo shop's job file: an invented tray."""

import math
from collections.abc import Iterator
from itertools import pairwise


def desk_tray() -> Iterator[str]:
    """An invented tray of 80 x 50 x 30 mm in PLA: a floor of four layers, then walls of two lines."""
    width_mm, depth_mm, line_mm, layer_mm = 80.0, 50.0, 0.45, 0.2
    # Filament for a millimetre of line: a rounded oblong of that width and height, from 1.75 mm filament.
    bead_mm2 = layer_mm * (line_mm - layer_mm) + math.pi * layer_mm**2 / 4
    feed = bead_mm2 / (math.pi * 1.75**2 / 4)

    def to(x_mm: float, y_mm: float, from_x_mm: float, from_y_mm: float) -> str:
        length_mm = math.hypot(x_mm - from_x_mm, y_mm - from_y_mm)
        return f"G1 X{x_mm:.3f} Y{y_mm:.3f} E{feed * length_mm:.5f}"

    yield from ("G21", "G90", "M83", "M140 S60", "M104 S215", "M190 S60", "M109 S215", "G28", "G92 E0")
    for layer in range(1, 151):
        loops = range(54) if layer <= 4 else range(2)
        yield f"G1 Z{layer * layer_mm:.2f} F600"
        for loop in loops:
            inset_mm = (loop + 0.5) * line_mm
            low_x, low_y, high_x, high_y = inset_mm, inset_mm, width_mm - inset_mm, depth_mm - inset_mm
            corners = [(low_x, low_y), (high_x, low_y), (high_x, high_y), (low_x, high_y), (low_x, low_y)]
            yield f"G0 X{low_x:.3f} Y{low_y:.3f} F9000"
            yield f"G1 F{1500 if layer == 1 else 3000}"
            yield from (to(*corner, *before) for before, corner in pairwise(corners))
        yield "G1 E-0.8 F2400"
        yield "G1 E0.8 F2400"
    yield from ("M104 S0", "M140 S0", "G0 Z60 F600", "M84")
