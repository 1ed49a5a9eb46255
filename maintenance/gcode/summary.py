"""From the kernels' totals to facts, and to the words for what makes them less certain."""

from typing import Any

import numpy as np

from spools.statements import Statement

from . import layout
from .accounting import (
    CHANGES,
    FLOW_STEP_MM3_S,
    FLOW_STEPS,
    LEVELS_PER_MM,
    MOST_LAYER,
    RETRACTIONS_PER_MM,
    SERIES,
    WIDTHS_PER_MM,
    WINDOWS_S,
    Totals,
)
from .facts import JobFacts, Layers, Mark, Retractions, Span, ToolChange, ToolUse
from .layout import Array, Unread
from .settings import ReaderSettings
from .source import JobSource

FLOW_SHARES = {"50": 0.5, "90": 0.9, "99": 0.99}
# Layer heights with less than this share of the filament are left out.
LEAST_SHARE = 0.001
UNTIMED = {
    "homing": layout.HOMINGS,
    "heat_wait": layout.WAITS,
    "tool_change": layout.TOOL_CHANGES,
    "colour_change": layout.COLOUR_CHANGES,
    "pause": layout.PAUSES,
}
# What makes the facts uncertain, by the tally that counts it.
REMARKED = {
    "unread_feeds": layout.UNREAD_FEEDS,
    "moves_of_doubtful_e": layout.MOVES_OF_DOUBTFUL_E,
    "moves_without_feed": layout.MOVES_WITHOUT_FEED,
    "misfit_arcs": layout.MISFIT_ARCS,
    "g10_retractions": layout.G10_RETRACTIONS,
    "modal_commands": layout.MODAL_COMMANDS,
}


def summarize(
    *,
    source: JobSource,
    lines: int,
    reading: ReaderSettings,
    totals: Totals,
    tallies: Array,
    unread: Unread,
    tool_of_use: Array,
    uses: int,
) -> JobFacts:
    """The facts of a job that has been read to its end."""
    passed = totals.passed[0]
    tool_uses = [_use(n, int(tool_of_use[n]), reading, totals) for n in range(uses)]
    bin_s = float(passed["bin_s"])
    bins = min(SERIES, int(np.ceil(passed["t"] / bin_s)))
    changes = [
        ToolChange(int(line), float(at), int(use))
        for use, line, at in totals.changes[: min(CHANGES, passed["changes"])]
    ]
    hot = {tool: _spans(row) for tool, row in enumerate(totals.tool_hot_s) if row[1:].any()}
    ends = Mark(lines, source.bytes, float(passed["t"]), [use.filament_mm for use in tool_uses])
    return JobFacts(
        packing=source.packing,
        member=source.member,
        bytes=source.bytes,
        lines=lines,
        commands=int(tallies[layout.COMMANDS_READ]),
        reading=reading,
        seconds=float(passed["t"]),
        uses=tool_uses,
        changes=changes,
        change_count=int(passed["changes"]),
        bed=_spans(totals.bed_s),
        hot_by_tool=hot,
        travel_mm=float(passed["travel_mm"]),
        travel_s=float(passed["travel_s"]),
        layers=_layers(totals),
        flow_bin_s=bin_s,
        flow_mm3_s=(totals.series[:bins] / bin_s).tolist(),
        marks=[Mark(0, 0, 0.0, [0.0] * uses), *_marks(totals, uses), ends],
        remarks=_remarks(tallies, tool_uses, reading),
        unread=_unread(tallies, unread),
    )


def _spans(seconds: Array) -> list[Span]:
    """Set points with the time at each, from a histogram by whole °C."""
    return [Span(float(c), float(seconds[c])) for c in np.flatnonzero(seconds)]


def _use(n: int, tool: int, reading: ReaderSettings, totals: Totals) -> ToolUse:
    row, seconds = totals.uses[n], totals.flow_s[n]
    metres = row["fed"] / 1000
    lengths = totals.retractions[n]
    peak_1s, peak_5s = (row["peak"] / WINDOWS_S).tolist()
    return ToolUse(
        tool=tool,
        filament_mm=float(row["fed"]),
        forward_mm=float(row["forward"]),
        melt_mm=float(row["melt"]),
        in_place_mm=float(row["in_place"]),
        seconds=float(row["seconds"]),
        melting_s=float(row["melting_s"]),
        flow_mm3_s={name: _flow_below(seconds, share) for name, share in FLOW_SHARES.items()},
        peak_1s_mm3_s=peak_1s,
        peak_5s_mm3_s=peak_5s,
        fastest_mm3_s=float(row["fastest"]),
        retractions=Retractions(
            count=int(row["retractions"]),
            length_mm=float(row["retracted"]),
            usual_mm=_quantile(lengths, 0.5) / RETRACTIONS_PER_MM,
            longest_mm=float(row["longest"]),
            per_m=float(row["retractions"] / metres) if metres > 0 else 0.0,
            most_over_one=int(row["most_over_one"]),
        ),
        hot=_spans(totals.use_hot_s[n]),
    )


def _flow_below(seconds: Array, share: float) -> float | None:
    """The upper end of the step up to which this share of the time lies."""
    if not seconds.any():
        return None
    step = _quantile(seconds, share)
    return None if step == FLOW_STEPS - 1 else (step + 1) * FLOW_STEP_MM3_S


def _quantile(histogram: Array, share: float) -> int:
    """The first index up to which that share of the histogram lies; 0 for an empty one."""
    summed = np.cumsum(histogram)
    return int(np.searchsorted(summed, share * summed[-1]))


def _layers(totals: Totals) -> Layers:
    passed = totals.passed[0]
    used = np.flatnonzero(totals.levels)
    melt = totals.levels[used]
    level_mm = float(melt.sum())
    heights: dict[float, float] = {}
    for gap, amount in zip(np.diff(used, prepend=0), melt, strict=True):
        if gap <= MOST_LAYER:
            height = float(gap) / LEVELS_PER_MM
            heights[height] = heights.get(height, 0.0) + float(amount) / level_mm
    all_mm = level_mm + float(passed["rising_mm"] + passed["off_levels_mm"])
    quartiles = [_quantile(totals.widths, share) / WIDTHS_PER_MM for share in (0.25, 0.5, 0.75)]
    return Layers(
        levels=len(used),
        heights=[Span(h, share) for h, share in sorted(heights.items()) if share >= LEAST_SHARE],
        top_mm=float(used[-1]) / LEVELS_PER_MM if len(used) else 0.0,
        rising_share=float(passed["rising_mm"]) / all_mm if all_mm > 0 else 0.0,
        widths_mm=quartiles if totals.widths.any() else [],
    )


def _marks(totals: Totals, uses: int) -> list[Mark]:
    count = totals.passed[0]["marks"]
    return [
        Mark(int(line) - 1, int(byte), float(at), fed[:uses].tolist())
        for (line, byte, at), fed in zip(totals.marks[:count], totals.mark_fed[:count], strict=True)
    ]


def _unread(tallies: Array, unread: Unread) -> dict[str, int]:
    """The commands that were ignored, the most frequent first."""
    counts_by_name: dict[str, int] = {}
    for letter, counts in (("G", unread.g), ("M", unread.m)):
        for tenths in np.flatnonzero(counts):
            name = f"{letter}{tenths / 10:g}" if tenths else f"{letter} without a usable number"
            counts_by_name[name] = int(counts[tenths])
    for letter, count in zip(layout.LETTERS, unread.words, strict=True):
        if count:
            counts_by_name[f"word {letter}"] = int(count)
    for name, count in zip(unread.names, unread.named, strict=True):
        if count:
            counts_by_name[bytes(name).rstrip(b"\0").decode("ascii")] = int(count)
    unnamed = {
        "other named commands": layout.NAMES_LEFT_OUT,
        "numbers beyond all measure": layout.UNUSABLE_NUMBERS,
        "stray characters": layout.STRAY_CHARACTERS,
    }
    counts_by_name |= {name: int(tallies[index]) for name, index in unnamed.items() if tallies[index]}
    return dict(sorted(counts_by_name.items(), key=lambda item: (-item[1], item[0])))


def _remarks(tallies: Array, uses: list[ToolUse], reading: ReaderSettings) -> list[Statement]:
    remarks = []
    if not any(use.melt_mm > 0 for use in uses):
        remarks.append(Statement("job_remark.feeds_nothing"))
    values: dict[str, dict[str, Any]] = {
        "moves_of_doubtful_e": {"e_follows_g90": reading.e_follows_g90},
        "g10_retractions": {"retract_mm": reading.retract_mm},
    }
    for name, tally in REMARKED.items():
        if tallies[tally]:
            counted = {"count": int(tallies[tally])} | values.get(name, {})
            remarks.append(Statement(f"job_remark.{name}", counted))
    if len(uses) == layout.MAX_USES:
        remarks.append(Statement("job_remark.many_spools", {"spools": layout.MAX_USES}))
    untimed = {name: int(tallies[tally]) for name, tally in UNTIMED.items() if tallies[tally]}
    if untimed:
        remarks.append(Statement("job_remark.untimed", {"commands": untimed}))
    return remarks
