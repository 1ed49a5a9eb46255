"""The fourth kernel: timed moves and events to totals, histograms and short series."""

from typing import NamedTuple

import numpy as np

from .layout import (
    BED,
    CHANGE,
    HOT,
    MARKS,
    MAX_C,
    MAX_TOOLS,
    MAX_USES,
    Array,
    Events,
    Moves,
    kernel,
    part,
)

# Flow is counted in steps of 0.1 mm³/s up to 100; faster in the last.
FLOW_STEP_MM3_S, FLOW_STEPS = 0.1, 1001
# Levels of printing in steps of 1 µm up to 1 m.
LEVELS_PER_MM, LEVELS = 1000, 1_000_001
MOST_LAYER = 2 * LEVELS_PER_MM
# Widths of what is laid down, in steps of 0.01 mm up to 5.
WIDTHS_PER_MM, WIDTHS = 100, 501
ROUND_ENDS = 1 - np.pi / 4
# Retracted lengths in steps of 0.05 mm up to 200.
RETRACTIONS_PER_MM, RETRACTIONS = 20, 4001
# How often the same bit of filament, 0.1 mm long, was pulled back; 409.6 mm of it are remembered.
BITS_PER_MM, BITS = 10, 4096
# No job feeds as much; beyond it bits of filament are not distinguished.
FARTHEST_MM = 1e9
# The picture of flow over time: bins double in length when the job outlasts them.
SERIES, FIRST_BIN_S = 500, 1 / 16
# Flow windows: their seconds, and how many corners of the volume over time are remembered (see _window).
WINDOWS_S = np.array([1.0, 5.0])
CORNERS, LEAST_GAP_S = 16384, 5 / 8192
CHANGES = 1000


USE = np.dtype(
    [
        ("fed", "f8"),  # net, mm
        ("forward", "f8"),  # all that went forward, mm
        ("melt", "f8"),  # fed beyond what had ever been fed, mm
        ("in_place", "f8"),  # the part of it without a way
        ("seconds", "f8"),
        ("melting_s", "f8"),
        ("retractions", "i8"),
        ("retracted", "f8"),  # mm
        ("longest", "f8"),
        ("most_over_one", "i8"),
        ("peak", "f8", 2),  # most volume in each window, mm³
        ("fastest", "f8"),  # of single moves, mm³/s
    ]
)
PASSED = np.dtype(
    [
        ("t", "f8"),
        ("volume", "f8"),  # melt so far, mm³
        ("moves", "i8"),
        ("use", "i8"),
        ("changes", "i8"),
        ("marks", "i8"),
        ("travel_mm", "f8"),
        ("travel_s", "f8"),
        ("rising_mm", "f8"),  # melt on ways that rise, as in a spiral
        ("off_levels_mm", "f8"),  # melt below the bed or above the levels
        ("level", "i8"),
        ("layer_mm", "f8"),
        ("bin_s", "f8"),
        ("bed", "f8"),
        ("bed_since", "f8"),
        ("last", "i8"),  # the newest corner of the volume over time
        ("tail", "i8", 2),  # the last one at which a whole window has begun, by window; -1: none
    ]
)
TOOL_PASSED = np.dtype(
    [
        ("hot", "f8"),
        ("hot_since", "f8"),
        ("at", "f8"),  # filament fed, mm
        ("pulled_from", "f8"),  # where the retraction began that is going on
        ("pulling", "i8"),
        ("newest_bit", "i8"),
    ]
)


class Totals(NamedTuple):
    """The sums over a job. Histograms hold seconds, or mm of filament (levels) or of way (widths)."""

    passed: Array
    tools: Array
    uses: Array
    flow_s: Array
    use_hot_s: Array
    tool_hot_s: Array
    bed_s: Array
    levels: Array
    widths: Array
    retractions: Array
    bits: Array
    series: Array
    corner_t: Array
    corner_volume: Array
    marks: Array
    mark_fed: Array
    changes: Array


def new_totals() -> Totals:
    empty = Totals(
        np.zeros(1, PASSED),
        np.zeros(MAX_TOOLS, TOOL_PASSED),
        np.zeros(MAX_USES, USE),
        np.zeros((MAX_USES, FLOW_STEPS)),
        np.zeros((MAX_USES, MAX_C + 1)),
        np.zeros((MAX_TOOLS, MAX_C + 1)),
        np.zeros(MAX_C + 1),
        np.zeros(LEVELS),
        np.zeros(WIDTHS),
        np.zeros((MAX_USES, RETRACTIONS), np.int64),
        np.zeros((MAX_TOOLS, BITS), np.int32),
        np.zeros(SERIES),
        np.zeros(CORNERS),
        np.zeros(CORNERS),
        np.zeros((MARKS, 3)),
        np.zeros((MARKS, MAX_USES)),
        np.zeros((CHANGES, 3)),
    )
    empty.passed["bin_s"], empty.passed["use"], empty.passed["level"] = FIRST_BIN_S, -1, -1
    return empty


@kernel
def account(
    moves: Moves, commit: int, events: Events, waiting: int, last: bool, area_mm2: float, totals: Totals
) -> int:
    """Add the first ``commit`` moves and the events before each; returns how many events were passed.

    last: nothing follows, so what is open is closed.
    """
    p = totals.passed[0]
    event = 0
    for k in range(commit):
        while event < waiting and events.move[event] <= p.moves:
            _happen(p, events.kind[event], events.a[event], events.b[event], totals)
            event += 1
        p.moves += 1
        _add(p, moves, k, area_mm2, totals)
    while event < waiting and events.move[event] <= p.moves:
        _happen(p, events.kind[event], events.a[event], events.b[event], totals)
        event += 1
    if last:
        _close(p, totals)
    return event


@part
def _add(p, moves, k, area_mm2, totals):
    seconds, feed, melt = moves.seconds[k], moves.feed[k], moves.melt[k]
    before = p.t
    p.t += seconds
    tool = totals.tools[moves.tool[k]]
    n = moves.use[k]
    volume = melt * area_mm2
    if n >= 0:
        use = totals.uses[n]
        if n != p.use:
            p.use = n
            _begin_windows(p, before, totals)
        use.seconds += seconds
        totals.use_hot_s[n, int(tool.hot + 0.5)] += seconds
        if feed != 0:
            _feed(n, moves.tool[k], feed, totals)
        use.melt += melt
        if melt > 0 and seconds > 0:
            use.melting_s += seconds
            flow = volume / seconds
            use.fastest = max(use.fastest, flow)
            totals.flow_s[n, int(min(flow / FLOW_STEP_MM3_S, FLOW_STEPS - 1))] += seconds
            _spread(p, before, volume, totals.series)
            if moves.span[k] == 0:
                use.in_place += melt
            else:
                _lay(p, moves.z[k], moves.flat[k], melt, volume, totals)
        _windows(p, use, before, volume, totals)
    if feed <= 0 and moves.span[k] > 0:
        p.travel_mm += moves.span[k]
        p.travel_s += seconds


@part
def _happen(p, kind, a, b, totals):
    if kind == HOT:
        tool = totals.tools[int(a)]
        totals.tool_hot_s[int(a), int(tool.hot + 0.5)] += p.t - tool.hot_since
        tool.hot, tool.hot_since = b, p.t
    elif kind == BED:
        totals.bed_s[int(p.bed + 0.5)] += p.t - p.bed_since
        p.bed, p.bed_since = a, p.t
    elif kind == CHANGE:
        if p.changes < CHANGES:
            row = totals.changes[p.changes]
            row[0], row[1], row[2] = a, b, p.t
        p.changes += 1
    else:
        row = totals.marks[p.marks]
        row[0], row[1], row[2] = a, b, p.t
        for n in range(MAX_USES):
            totals.mark_fed[p.marks, n] = totals.uses[n].fed
        p.marks += 1
        if p.marks == MARKS:
            for half in range(MARKS // 2):
                for n in range(3):
                    totals.marks[half, n] = totals.marks[2 * half + 1, n]
                for n in range(MAX_USES):
                    totals.mark_fed[half, n] = totals.mark_fed[2 * half + 1, n]
            p.marks = MARKS // 2


@part
def _close(p, totals):
    """The job ends: temperatures last until now, retractions under way are complete."""
    totals.bed_s[int(p.bed + 0.5)] += p.t - p.bed_since
    for n in range(MAX_TOOLS):
        tool = totals.tools[n]
        totals.tool_hot_s[n, int(tool.hot + 0.5)] += p.t - tool.hot_since
        if tool.pulling > 0:
            _let_go(n, totals)


# Retractions


@part
def _feed(n, t, feed, totals):
    """Filament goes forward or back. A retraction is all that goes back until the next goes forward."""
    use, tool = totals.uses[n], totals.tools[t]
    use.fed += feed
    if feed > 0:
        use.forward += feed
        if tool.pulling > 0:
            _let_go(t, totals)
    else:
        use.retracted -= feed
        if tool.pulling == 0:
            tool.pulling, tool.pulled_from = n + 1, tool.at
            use.retractions += 1
    tool.at += feed


@part
def _let_go(t, totals):
    """A retraction is over: its length, and how often each bit of that filament was pulled back."""
    tool, bits = totals.tools[t], totals.bits[t]
    n = tool.pulling - 1
    tool.pulling = 0
    use = totals.uses[n]
    length = tool.pulled_from - tool.at
    use.longest = max(use.longest, length)
    totals.retractions[n, int(min(length * RETRACTIONS_PER_MM + 0.5, RETRACTIONS - 1))] += 1
    if not -FARTHEST_MM < tool.at <= tool.pulled_from < FARTHEST_MM:
        return
    # A bit counts where its middle was pulled back.
    low = int(np.ceil(tool.at * BITS_PER_MM - 0.5))
    high = int(np.floor(tool.pulled_from * BITS_PER_MM - 0.5))
    for bit in range(max(tool.newest_bit, high - BITS) + 1, high + 1):
        bits[bit % BITS] = 0
    tool.newest_bit = max(tool.newest_bit, high)
    for bit in range(max(low, tool.newest_bit - BITS + 1), high + 1):
        bits[bit % BITS] += 1
        use.most_over_one = max(use.most_over_one, bits[bit % BITS])


# Melt by level and width


@part
def _lay(p, z, flat, melt, volume, totals):
    """Melt along a way: levels of printing from level ways, widths from the layer's height and the volume."""
    if flat == 0:
        p.rising_mm += melt
        return
    level = int(min(max(z * LEVELS_PER_MM + 0.5, 0.0), LEVELS))
    if not 0 < level < LEVELS:
        p.off_levels_mm += melt
        return
    if level != p.level:
        p.level = level
        p.layer_mm = _height_over_next(level, totals.levels)
    totals.levels[level] += melt
    if p.layer_mm > 0:
        width = volume / (flat * p.layer_mm) + p.layer_mm * ROUND_ENDS
        totals.widths[int(min(width * WIDTHS_PER_MM + 0.5, WIDTHS - 1))] += flat


@part
def _height_over_next(level, levels):
    """mm over the next level that has been printed on, or over the bed; 0 when neither is near."""
    for below in range(level - 1, max(level - MOST_LAYER - 1, 0), -1):
        if levels[below] > 0:
            return (level - below) / LEVELS_PER_MM
    return level / LEVELS_PER_MM if level <= MOST_LAYER else 0.0


# Flow over time


@part
def _spread(p, before, volume, series):
    """Volume that melted between then and now, into the bins of the picture."""
    while p.t >= SERIES * p.bin_s:
        for n in range(SERIES // 2):
            series[n] = series[2 * n] + series[2 * n + 1]
        for n in range(SERIES // 2, SERIES):
            series[n] = 0.0
        p.bin_s *= 2
    first, last = int(before / p.bin_s), int(p.t / p.bin_s)
    if first == last:
        series[first] += volume
        return
    rate = volume / (p.t - before)
    series[first] += rate * ((first + 1) * p.bin_s - before)
    for n in range(first + 1, last):
        series[n] += rate * p.bin_s
    series[last] += rate * (p.t - last * p.bin_s)


@part
def _begin_windows(p, t, totals):
    """Windows do not reach back to another spool."""
    p.last = 0
    p.tail[0], p.tail[1] = -1, -1
    totals.corner_t[0], totals.corner_volume[0] = t, p.volume


@part
def _windows(p, use, before, volume, totals):
    """The most volume in any 1 s and in any 5 s, exactly: windows that begin or end at a corner.

    Volume over time is a chain of straight pieces, so the fullest window has a corner at one of its ends.
    Corners nearer than LEAST_GAP_S to each other are made one, which bounds how many there are.
    """
    times, volumes = totals.corner_t, totals.corner_volume
    t_was, v_was = before, p.volume
    p.volume += volume
    t, v = p.t, p.volume
    if t > t_was:
        rate = (v - v_was) / (t - t_was)
        for w in range(2):
            window = WINDOWS_S[w]
            a = p.tail[w]
            best = use.peak[w]
            while a < p.last and times[(a + 1) % CORNERS] <= t - window:
                a += 1
                begin = times[a % CORNERS]
                best = max(best, v_was + rate * max(0.0, begin + window - t_was) - volumes[a % CORNERS])
            if volume > 0:
                best = max(best, v - _volume_at(t - window, a, p.last, t_was, v_was, rate, times, volumes))
            p.tail[w] = a
            use.peak[w] = best
    if p.last > 0 and times[p.last % CORNERS] - times[(p.last - 1) % CORNERS] < LEAST_GAP_S:
        if p.tail[0] == p.last:
            p.tail[0] -= 1
        if p.tail[1] == p.last:
            p.tail[1] -= 1
    else:
        p.last += 1
    times[p.last % CORNERS], volumes[p.last % CORNERS] = t, v


@part
def _volume_at(t, a, last, t_was, v_was, rate, times, volumes):
    """Volume at a time that is not before corner a; a is -1 before all corners."""
    if a < 0:
        return volumes[0]
    begin, volume_then = times[a % CORNERS], volumes[a % CORNERS]
    if a == last:
        return v_was + rate * (t - t_was) if t > t_was else volume_then
    ends, volume_next = times[(a + 1) % CORNERS], volumes[(a + 1) % CORNERS]
    return volume_then + (volume_next - volume_then) * (t - begin) / (ends - begin)
