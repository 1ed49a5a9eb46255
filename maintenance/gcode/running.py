"""The second kernel: commands to moves and events. Here a command gets its meaning."""

import math

from .layout import (
    BED,
    CD,
    CE,
    CF,
    CHANGE,
    CJ,
    COLOUR_CHANGES,
    COMMANDS_READ,
    CP,
    CR,
    CS,
    CT,
    CX,
    CY,
    CZ,
    EVENTS,
    G10_RETRACTIONS,
    HOMINGS,
    HOT,
    KIND_G,
    KIND_M,
    KIND_T,
    MARK,
    MARKS,
    MAX_C,
    MAX_TOOLS,
    MODAL,
    MODAL_COMMANDS,
    MOVES,
    NO_NUMBER,
    PAUSES,
    TOOL_CHANGES,
    UNREAD_FEEDS,
    WAITS,
    Array,
    Commands,
    D,
    E,
    Events,
    F,
    I,
    J,
    K,
    L,
    Moves,
    P,
    R,
    S,
    T,
    Unread,
    X,
    Y,
    Z,
    kernel,
    np,
    part,
)
from .motion import has, move, pause, straight

MM_PER_INCH = 25.4
# Filament of other diameters, and other factors of speed and flow, there are not.
THINNEST_MM, THICKEST_MM = 0.5, 10.0
MOST_PERCENT = 1000


@kernel
def run(
    commands: Commands,
    first: int,
    count: int,
    states: Array,
    tools: Array,
    moves: Moves,
    events: Events,
    unread: Unread,
    tallies: Array,
    tool_of_use: Array,
) -> int:
    """Carry out commands until all are done or a buffer is nearly full; returns the index of the next."""
    s = states[0]
    at = first
    while at < count and s.pending < MOVES and s.waiting < EVENTS - 3:
        if commands.line[at] >= s.next_mark:
            _mark(s, events, commands.line[at], commands.byte[at])
        tallies[COMMANDS_READ] += 1
        fed = s.feeding
        kind, number = commands.kind[at], commands.number[at]
        words, values = commands.words[at], commands.values[at]
        if kind == MODAL and s.motion < 0:
            _count_odd_words(words, 0, unread.words)
            tallies[UNREAD_FEEDS] += has(words, E)
        elif kind == MODAL:
            tallies[MODAL_COMMANDS] += 1
            kind, number = KIND_G, 10 * s.motion
        if kind == KIND_G:
            if 0 <= number <= 30 and number % 10 == 0:
                s.motion = number // 10
                _count_odd_words(words, s.motion, unread.words)
                move(s, tools, words, values, moves, tallies, tool_of_use)
            else:
                _run_g(
                    s, tools, number, words, commands.flags[at], values, moves, unread, tallies, tool_of_use
                )
        elif kind == KIND_M:
            _run_m(s, tools, number, words, values, moves, events, unread, tallies)
        elif kind == KIND_T:
            _change_tool(s, number, unread.words, tallies)
        if s.feeding != fed:
            _event(s, events, CHANGE, s.feeding, commands.line[at])
        at += 1
    return at


@part
def _mark(s, events, line, byte):
    """Note where in the file we are; less often as it gets longer."""
    _event(s, events, MARK, line, byte)
    s.marks += 1
    if s.marks == MARKS:
        s.marks = MARKS // 2
        s.stride *= 2
    s.next_mark = (line // s.stride + 1) * s.stride


@part
def _event(s, events, kind, a, b):
    k = s.waiting
    events.move[k], events.kind[k], events.a[k], events.b[k] = s.moved, kind, a, b
    s.waiting += 1


@part
def _count_odd_words(words, motion, counts):
    """Words in a move that mean nothing here."""
    expected = 1 << X | 1 << Y | 1 << Z | 1 << E | 1 << F
    if motion >= 2:
        expected |= 1 << I | 1 << J | 1 << K | 1 << R
    odd = words & ~expected
    if odd != 0:
        for letter in range(26):
            counts[letter] += odd >> letter & 1


@part
def _run_g(s, tools, number, words, flags, values, moves, unread, tallies, tool_of_use):
    if number == 40:
        seconds = values[CS] if has(words, S) else values[CP] / 1000 if has(words, P) else 0.0
        pause(s, tools, max(0.0, seconds), moves)
    elif (number == 100 or number == 110) and not (has(words, P) or has(words, L)):
        _retract_or_recover(s, tools, number == 100, moves, tallies, tool_of_use)
    elif number == 170 or number == 180 or number == 190:
        s.plane = number // 10
    elif number == 200 or number == 210:
        s.scale = MM_PER_INCH if number == 200 else 1.0
    elif number == 280:
        tallies[HOMINGS] += 1
        present = words | flags
        all_axes = not (has(present, X) or has(present, Y) or has(present, Z))
        if all_axes or has(present, X):
            s.pos[0] = 0.0
        if all_axes or has(present, Y):
            s.pos[1] = 0.0
        if all_axes or has(present, Z):
            s.pos[2] = 0.0
            s.height = 0.0
        s.stopped = 1
    elif number == 900 or number == 910:
        s.relative = number == 910
        if s.e_follows == 1:
            s.e_relative = s.relative
        else:
            s.e_relative_else = s.relative
    elif number == 920:
        axes = has(words, X) or has(words, Y) or has(words, Z) or has(words, E)
        if has(words, X) or not axes:
            s.pos[0] = values[CX] * s.scale if axes else 0.0
        if has(words, Y) or not axes:
            s.pos[1] = values[CY] * s.scale if axes else 0.0
        if has(words, Z) or not axes:
            s.pos[2] = values[CZ] * s.scale if axes else 0.0
        if has(words, E) or not axes:
            scale = s.scale**3 if tools[s.tool].area > 0 else s.scale
            s.pos[3] = values[CE] * scale if axes else 0.0
    else:
        unread.g[max(number, 0)] += 1
        tallies[UNREAD_FEEDS] += has(words, E)


@part
def _retract_or_recover(s, tools, back, moves, tallies, tool_of_use):
    """G10 and G11: lengths and speeds are the machine's, or those of M207 and M208."""
    tool = tools[s.tool]
    if back == (tool.retracted == 1):
        return
    tool.retracted = back
    tallies[G10_RETRACTIONS] += back
    feed = -s.retract_mm if back else s.retract_mm + s.recover_extra_mm
    speed = s.retract_speed if back else s.recover_speed
    straight(s, tool, 0.0, 0.0, 0.0, 0.0, 0.0, feed, speed, moves, tool_of_use)


@part
def _run_m(s, tools, number, words, values, moves, events, unread, tallies):
    if number % 10 != 0 or number == NO_NUMBER:
        unread.m[max(number, 0)] += 1
        return
    m = number // 10
    if m == 104 or m == 109:
        _set_hot(s, tools, m == 109, words, values, events, tallies)
    elif m == 140 or m == 190:
        if m == 190:
            tallies[WAITS] += 1
            s.stopped = 1
        celsius = values[CS] if has(words, S) else values[CR]
        if (has(words, S) or has(words, R)) and celsius != s.bed and 0 <= celsius <= MAX_C:
            s.bed = celsius
            _event(s, events, BED, celsius, 0)
    elif m == 82 or m == 83:
        s.e_relative = m == 83
        s.e_relative_else = m == 83
    elif m == 200:
        _set_volumetric(s, tools, words, values)
    elif 201 <= m <= 208:
        _set_limits(s, m, words, values)
    elif m == 220:
        if has(words, S) and 0 < values[CS] <= MOST_PERCENT:
            s.speed_factor = values[CS] / 100
    elif m == 221:
        tool = _tool_named(s, words, values)
        if has(words, S) and 0 <= values[CS] <= MOST_PERCENT and tool >= 0:
            tools[tool].flow = values[CS] / 100
    elif m == 600:
        tallies[COLOUR_CHANGES] += 1
        tools[s.tool].use = -1
        s.stopped = 1
    elif m == 0 or m == 1 or m == 25 or m == 226 or m == 601:
        tallies[PAUSES] += 1
        s.stopped = 1
    elif m == 400:
        s.stopped = 1
    elif m != 106 and m != 107:
        unread.m[number] += 1


@part
def _tool_named(s, words, values):
    """The tool of a word T, else the selected one; -1 for one that there is not."""
    if not has(words, T):
        return s.tool
    return np.int64(values[CT]) if 0 <= values[CT] < MAX_TOOLS else -1


@part
def _set_hot(s, tools, wait, words, values, events, tallies):
    if wait:
        tallies[WAITS] += 1
        s.stopped = 1
    tool = _tool_named(s, words, values)
    celsius = values[CS] if has(words, S) else values[CR]
    is_valid = (has(words, S) or has(words, R)) and 0 <= celsius <= MAX_C
    if is_valid and tool >= 0 and celsius != tools[tool].hot:
        tools[tool].hot = celsius
        _event(s, events, HOT, tool, celsius)


@part
def _set_volumetric(s, tools, words, values):
    """M200: E is a volume from now on, of filament of that diameter; D0 or S0: a length again."""
    number = _tool_named(s, words, values)
    if number < 0:
        return
    tool = tools[number]
    if has(words, D):
        diameter = values[CD] * s.scale
        tool.diameter = diameter if THINNEST_MM <= diameter <= THICKEST_MM else 0.0
    on = values[CS] > 0 if has(words, S) else tool.diameter > 0
    tool.area = math.pi * tool.diameter**2 / 4 if on else 0.0


@part
def _change_tool(s, number, odd_words, tallies):
    if number % 10 != 0 or not 0 <= number < 10 * MAX_TOOLS:
        odd_words[T] += 1
    elif number // 10 != s.tool:
        tallies[TOOL_CHANGES] += 1
        s.tool = number // 10
        s.stopped = 1


@part
def _set_limits(s, m, words, values):
    """M201 to M205: what axes may do; M207, M208: how G10 and G11 move filament."""
    if m == 201:
        _set_axes(s.laziness, s.scale, words, values)
    elif m == 203:
        _set_axes(s.slowness, s.scale, words, values)
    elif m == 204:
        if has(words, S) and values[CS] > 0:
            s.print_acceleration = values[CS] * s.scale
            s.travel_acceleration = values[CS] * s.scale
        if has(words, P) and values[CP] > 0:
            s.print_acceleration = values[CP] * s.scale
        if has(words, T) and values[CT] > 0:
            s.travel_acceleration = values[CT] * s.scale
        if has(words, R) and values[CR] > 0:
            s.retract_acceleration = values[CR] * s.scale
    elif m == 205:
        if has(words, X) and not has(words, Y) and values[CX] > 0:
            s.stiffness[1] = 1 / (values[CX] * s.scale)
        _set_axes(s.stiffness, s.scale, words, values)
        if has(words, J):
            s.deviation = max(0.0, values[CJ] * s.scale)
    elif m == 207:
        if has(words, S) and values[CS] >= 0:
            s.retract_mm = values[CS] * s.scale
        if has(words, F) and values[CF] > 0:
            s.retract_speed = values[CF] * s.scale / 60
    elif m == 208:
        if has(words, S):
            s.recover_extra_mm = values[CS] * s.scale
        if has(words, F) and values[CF] > 0:
            s.recover_speed = values[CF] * s.scale / 60


@part
def _set_axes(inverses, scale, words, values):
    """A limit for each axis that is named; others stay."""
    if has(words, X) and values[CX] > 0:
        inverses[0] = 1 / (values[CX] * scale)
    if has(words, Y) and values[CY] > 0:
        inverses[1] = 1 / (values[CY] * scale)
    if has(words, Z) and values[CZ] > 0:
        inverses[2] = 1 / (values[CZ] * scale)
    if has(words, E) and values[CE] > 0:
        inverses[3] = 1 / (values[CE] * scale)
