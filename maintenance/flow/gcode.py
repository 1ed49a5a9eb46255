"""The blobs of a flow check in their order, and the lines that make a printer extrude them.

Only words that RS-274 or every filament printer knows: relative extrusion (M83), the extruder's zero
(G92 E0), a feed of filament (G1 E, mm, F, mm/min), and the stop until somebody goes on (M0).
"""

from collections.abc import Sequence

from maintenance.flow.curve import CheckSetup

# Printers may refuse a single long feed; pieces of this length pass. Common practice, no source.
PIECE_MM = 50.0


def blobs_in_order(rates_mm3_s: Sequence[float], repeats: int) -> list[float]:
    """The rate of each blob: rounds, so that drift falls on all rates alike, and the reference once more."""
    return [*list(rates_mm3_s) * repeats, rates_mm3_s[0]]


def feed_mm_min(flow_mm3_s: float, setup: CheckSetup) -> float:
    """Speed of the filament: 24.9 mm/min for 1 mm3/s of 1.75 mm filament."""
    return 60 * flow_mm3_s / setup.area_mm2


def minutes_of(blobs: Sequence[float], setup: CheckSetup) -> float:
    """Time that the blobs of these rates take to extrude, minutes."""
    return sum(setup.length_mm / feed_mm_min(flow, setup) for flow in blobs)


def commands(blobs: Sequence[float], setup: CheckSetup) -> list[str]:
    """The lines for all blobs, with a stop after each to collect it."""
    lines = ["M83"]
    for number, flow in enumerate(blobs, start=1):
        lines += [f"; blob {number}: {flow:g} mm3/s", "G92 E0"]
        speed = f"{feed_mm_min(flow, setup):.1f}"
        lines += [f"G1 E{piece:g} F{speed}" for piece in _pieces(setup.length_mm)]
        lines.append(f"M0 ; take blob {number} off, store it under its number")
    return lines


def _pieces(length_mm: float) -> list[float]:
    whole, rest = divmod(length_mm, PIECE_MM)
    return [PIECE_MM] * int(whole) + ([round(rest, 3)] if round(rest, 3) else [])
