"""The second kernel: commands to moves and events. It keeps the machine's state and gives commands a meaning.

A move is a path with a unit vector (X, Y, Z, E per mm of path) where it begins and where it ends. Speeds and
accelerations are cut to what each axis may do. At a corner no axis may change its speed by more than its jump
in one go; or, where a junction deviation is set, the speed is that of an arc which stays so near the corner.
"""

import math

import numpy as np

from .layout import (
    BED,
    CD,
    CE,
    CF,
    CHANGE,
    CI,
    CJ,
    CK,
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
    MAX_USES,
    MISFIT_ARCS,
    MODAL,
    MODAL_COMMANDS,
    MOVES,
    MOVES_OF_DOUBTFUL_E,
    MOVES_WITHOUT_FEED,
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
    part,
)

MM_PER_INCH = 25.4
# Common practice, no source: what a machine does that was never told a speed.
SPEED_UNTOLD_MM_S = 25.0
# Filament of other diameters, and other factors of speed and flow, there are not.
THINNEST_MM, THICKEST_MM = 0.5, 10.0
MOST_PERCENT = 1000
# An arc that ends this near to its start is a full circle.
SAME_POINT_MM = 1e-6

STATE = np.dtype(
    [
        ("pos", "f8", 4),  # logical X Y Z E, mm (E in its own unit: mm, or mm³)
        ("height", "f8"),  # Z since the start or the last homing, whatever G92 says
        ("scale", "f8"),
        ("relative", "i8"),
        ("e_relative", "i8"),  # as this machine understands it
        ("e_relative_else", "i8"),  # as a machine of the other kind would
        ("e_follows", "i8"),  # whether G90 and G91 count for E too
        ("motion", "i8"),  # the last of G0 to G3, -1 before
        ("plane", "i8"),  # 17, 18, 19
        ("feedrate", "f8"),  # mm/s, 0 when never told
        ("speed_factor", "f8"),
        ("print_acceleration", "f8"),
        ("travel_acceleration", "f8"),
        ("retract_acceleration", "f8"),
        ("slowness", "f8", 4),  # 1 / highest speed of each axis
        ("laziness", "f8", 4),  # 1 / highest acceleration
        ("stiffness", "f8", 4),  # 1 / highest jump of speed
        ("deviation", "f8"),  # junction deviation, mm; 0: jumps count
        ("unit", "f8", 4),  # direction in which the last move ended
        ("speed", "f8"),  # its speed
        ("stopped", "i8"),  # nothing is carried over from the last move
        ("retract_mm", "f8"),
        ("retract_speed", "f8"),
        ("recover_extra_mm", "f8"),
        ("recover_speed", "f8"),
        ("tool", "i8"),
        ("uses", "i8"),  # spools used so far
        ("feeding", "i8"),  # the spool that was moved last, -1: none yet
        ("bed", "f8"),
        ("moved", "i8"),  # moves made since the start of the file
        ("pending", "i8"),  # moves in the buffer
        ("waiting", "i8"),  # events in the buffer
        ("next_mark", "i8"),
        ("stride", "i8"),
        ("marks", "i8"),
    ]
)
TOOL = np.dtype(
    [
        ("flow", "f8"),  # M221, as a factor
        ("area", "f8"),  # mm² of the filament where E is a volume (M200), 0: E is a length
        ("diameter", "f8"),  # of M200, mm
        ("fed", "f8"),  # filament fed since the start, net, mm
        ("most", "f8"),  # the most that this ever was
        ("use", "i8"),  # which spool of the job feeds it, -1: none yet
        ("retracted", "i8"),  # by G10
        ("hot", "f8"),  # set point, °C
    ]
)


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
            tallies[UNREAD_FEEDS] += _has(words, E)
        elif kind == MODAL:
            tallies[MODAL_COMMANDS] += 1
            kind, number = KIND_G, 10 * s.motion
        if kind == KIND_G:
            if 0 <= number <= 30 and number % 10 == 0:
                s.motion = number // 10
                _count_odd_words(words, s.motion, unread.words)
                _move(s, tools, words, values, moves, tallies, tool_of_use)
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
def _has(words, letter):
    return words >> letter & 1 == 1


@part
def _count_odd_words(words, motion, counts):
    """Words in a move that mean nothing here."""
    known = 1 << X | 1 << Y | 1 << Z | 1 << E | 1 << F
    if motion >= 2:
        known |= 1 << I | 1 << J | 1 << K | 1 << R
    odd = words & ~known
    if odd != 0:
        for letter in range(26):
            counts[letter] += odd >> letter & 1


# Moves


@part
def _target(s, words, values, letter, column, axis):
    if not _has(words, letter):
        return s.pos[axis]
    value = values[column] * s.scale
    return s.pos[axis] + value if s.relative == 1 else value


@part
def _move(s, tools, words, values, moves, tallies, tool_of_use):
    """G0 to G3, and words that go on with them."""
    if _has(words, F) and values[CF] > 0:
        s.feedrate = values[CF] * s.scale / 60
    x, y, z = s.pos[0], s.pos[1], s.pos[2]
    dx = _target(s, words, values, X, CX, 0) - x
    dy = _target(s, words, values, Y, CY, 1) - y
    dz = _target(s, words, values, Z, CZ, 2) - z
    tool = tools[s.tool]
    feed = 0.0
    if _has(words, E):
        scale = s.scale**3 if tool.area > 0 else s.scale
        value = values[CE] * scale
        if s.e_relative != s.e_relative_else:
            tallies[MOVES_OF_DOUBTFUL_E] += 1
        step = value if s.e_relative == 1 else value - s.pos[3]
        s.pos[3] = s.pos[3] + value if s.e_relative == 1 else value
        feed = (step / tool.area if tool.area > 0 else step) * tool.flow
    s.pos[0], s.pos[1], s.pos[2] = x + dx, y + dy, z + dz
    s.height += dz
    if s.feedrate == 0:
        tallies[MOVES_WITHOUT_FEED] += 1
    speed = (s.feedrate if s.feedrate > 0 else SPEED_UNTOLD_MM_S) * s.speed_factor
    if s.motion <= 1:
        span = math.sqrt(dx * dx + dy * dy + dz * dz)
        level = span if dz == 0 else 0.0
        _straight(s, tool, dx, dy, dz, span, level, feed, speed, moves, tool_of_use)
    else:
        _arc(s, tool, dx, dy, dz, words, values, feed, speed, moves, tallies, tool_of_use)


@part
def _straight(s, tool, dx, dy, dz, span, level, feed, speed, moves, tool_of_use):
    """Also what only feeds: its path is the filament's."""
    length = span if span > 0 else abs(feed)
    if length > 0:
        unit = (dx / length, dy / length, dz / length, feed / length)
        _add(s, tool, length, span, level, feed, speed, unit, unit, np.inf, moves, tool_of_use)


@part
def _arc(s, tool, dx, dy, dz, words, values, feed, speed, moves, tallies, tool_of_use):
    """An arc in the selected plane, a helix where the third axis moves too."""
    # a, b: the plane's axes in order, so that G3 turns from a to b; c: the third.
    if s.plane == 17:
        a, b, c, i, j = dx, dy, dz, CI, CJ
        has_i, has_j = _has(words, I), _has(words, J)
    elif s.plane == 18:
        a, b, c, i, j = dz, dx, dy, CK, CI
        has_i, has_j = _has(words, K), _has(words, I)
    else:
        a, b, c, i, j = dy, dz, dx, CJ, CK
        has_i, has_j = _has(words, J), _has(words, K)
    turn = -1.0 if s.motion == 2 else 1.0
    chord = math.sqrt(a * a + b * b)
    centre_a = values[i] * s.scale if has_i else 0.0
    centre_b = values[j] * s.scale if has_j else 0.0
    if not (has_i or has_j) and _has(words, R) and chord > 0:
        radius = values[CR] * s.scale
        if chord > 2 * abs(radius) * 1.001:
            tallies[MISFIT_ARCS] += 1
        rise = math.sqrt(max(0.0, radius * radius - chord * chord / 4))
        side = turn if radius >= 0 else -turn
        centre_a = a / 2 - side * rise * b / chord
        centre_b = b / 2 + side * rise * a / chord
    radius = math.sqrt(centre_a * centre_a + centre_b * centre_b)
    if radius == 0:
        # No centre: nothing to turn about.
        tallies[MISFIT_ARCS] += 1
        span = math.sqrt(dx * dx + dy * dy + dz * dz)
        _straight(s, tool, dx, dy, dz, span, span if dz == 0 else 0.0, feed, speed, moves, tool_of_use)
        return
    end_a, end_b = a - centre_a, b - centre_b
    if abs(math.sqrt(end_a * end_a + end_b * end_b) - radius) > 0.01 * radius + 0.01:
        tallies[MISFIT_ARCS] += 1
    swept = math.atan2(-centre_a * end_b + centre_b * end_a, -centre_a * end_a - centre_b * end_b) * turn
    if chord < SAME_POINT_MM or swept <= 0:
        swept += 2 * math.pi
    flat = radius * swept
    span = math.sqrt(flat * flat + c * c)
    share, rise, feeding = flat / span, c / span, feed / span
    end_radius = math.sqrt(end_a * end_a + end_b * end_b)
    if end_radius == 0:
        end_a, end_b, end_radius = -centre_a, -centre_b, radius
    in_a, in_b = turn * centre_b / radius * share, -turn * centre_a / radius * share
    out_a, out_b = -turn * end_b / end_radius * share, turn * end_a / end_radius * share
    if s.plane == 17:
        into, out = (in_a, in_b, rise, feeding), (out_a, out_b, rise, feeding)
    elif s.plane == 18:
        into, out = (in_b, rise, in_a, feeding), (out_b, rise, out_a, feeding)
    else:
        into, out = (rise, in_a, in_b, feeding), (rise, out_a, out_b, feeding)
    level = flat if s.plane == 17 and c == 0 else 0.0
    _add(s, tool, span, span, level, feed, speed, into, out, radius, moves, tool_of_use)


@part
def _largest(unit, weights):
    """The largest of |component| times weight: 1 / it is what the slowest axis allows."""
    return max(
        max(abs(unit[0]) * weights[0], abs(unit[1]) * weights[1]),
        max(abs(unit[2]) * weights[2], abs(unit[3]) * weights[3]),
    )


@part
def _add(s, tool, length, span, level, feed, speed, into, out, radius, moves, tool_of_use):
    """Put a move into the buffer. into, out: its direction where it begins and ends; radius: of its curve."""
    slowness = _largest(into, s.slowness)
    if speed * slowness > 1:
        speed = 1 / slowness
    if span == 0:
        acceleration = s.retract_acceleration
    else:
        acceleration = s.print_acceleration if feed != 0 else s.travel_acceleration
    laziness = _largest(into, s.laziness)
    if acceleration * laziness > 1:
        acceleration = 1 / laziness
    if radius < np.inf:
        speed = min(speed, math.sqrt(acceleration * radius))
    k = s.pending
    moves.length[k], moves.speed[k], moves.acceleration[k] = length, speed, acceleration
    moves.entry2[k] = 0.0 if s.stopped == 1 else _corner2(s, into, min(speed, s.speed), acceleration)
    moves.seconds[k] = 0.0
    before = tool.most
    tool.fed += feed
    if tool.fed > before:
        tool.most = tool.fed
    if feed != 0:
        if tool.use < 0:
            tool.use = min(s.uses, MAX_USES - 1)
            tool_of_use[tool.use] = s.tool
            s.uses += 1
        s.feeding = tool.use
    moves.feed[k], moves.melt[k] = feed, tool.most - before
    moves.flat[k], moves.span[k], moves.z[k] = level, span, s.height
    moves.use[k], moves.tool[k] = tool.use, s.tool
    s.pending += 1
    s.moved += 1
    s.unit[0], s.unit[1], s.unit[2], s.unit[3] = out
    s.speed, s.stopped = speed, 0


@part
def _corner2(s, into, speed, acceleration):
    """The square of the speed with which the corner between the last move and this one may be taken."""
    u = s.unit
    if s.deviation > 0:
        cosine = -(u[0] * into[0] + u[1] * into[1] + u[2] * into[2])
        before = u[0] * u[0] + u[1] * u[1] + u[2] * u[2]
        now = into[0] * into[0] + into[1] * into[1] + into[2] * into[2]
        if before == 0 or now == 0:
            return 0.0
        cosine /= math.sqrt(before * now)
        half = math.sqrt(max(0.0, (1 - cosine) / 2))
        if half > 0.999999:
            return speed * speed
        return min(speed * speed, acceleration * s.deviation * half / (1 - half))
    jump = (into[0] - u[0], into[1] - u[1], into[2] - u[2], into[3] - u[3])
    stiffness = _largest(jump, s.stiffness)
    return speed * speed if speed * stiffness <= 1 else 1 / (stiffness * stiffness)


@part
def _pause(s, tools, seconds, moves):
    """The machine stands still for so long."""
    k = s.pending
    moves.length[k], moves.speed[k], moves.acceleration[k], moves.entry2[k] = 0.0, 1.0, 1.0, 0.0
    moves.seconds[k] = seconds
    moves.feed[k], moves.melt[k], moves.flat[k], moves.span[k], moves.z[k] = 0.0, 0.0, 0.0, 0.0, s.height
    moves.use[k], moves.tool[k] = tools[s.tool].use, s.tool
    s.pending += 1
    s.moved += 1
    s.stopped = 1


# Other commands


@part
def _run_g(s, tools, number, words, flags, values, moves, unread, tallies, tool_of_use):
    if number == 40:
        seconds = values[CS] if _has(words, S) else values[CP] / 1000 if _has(words, P) else 0.0
        _pause(s, tools, max(0.0, seconds), moves)
    elif (number == 100 or number == 110) and not (_has(words, P) or _has(words, L)):
        _retract_or_recover(s, tools, number == 100, moves, tallies, tool_of_use)
    elif number == 170 or number == 180 or number == 190:
        s.plane = number // 10
    elif number == 200 or number == 210:
        s.scale = MM_PER_INCH if number == 200 else 1.0
    elif number == 280:
        tallies[HOMINGS] += 1
        given = words | flags
        every = not (_has(given, X) or _has(given, Y) or _has(given, Z))
        if every or _has(given, X):
            s.pos[0] = 0.0
        if every or _has(given, Y):
            s.pos[1] = 0.0
        if every or _has(given, Z):
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
        axes = _has(words, X) or _has(words, Y) or _has(words, Z) or _has(words, E)
        if _has(words, X) or not axes:
            s.pos[0] = values[CX] * s.scale if axes else 0.0
        if _has(words, Y) or not axes:
            s.pos[1] = values[CY] * s.scale if axes else 0.0
        if _has(words, Z) or not axes:
            s.pos[2] = values[CZ] * s.scale if axes else 0.0
        if _has(words, E) or not axes:
            scale = s.scale**3 if tools[s.tool].area > 0 else s.scale
            s.pos[3] = values[CE] * scale if axes else 0.0
    else:
        unread.g[max(number, 0)] += 1
        tallies[UNREAD_FEEDS] += _has(words, E)


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
    _straight(s, tool, 0.0, 0.0, 0.0, 0.0, 0.0, feed, speed, moves, tool_of_use)


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
        celsius = values[CS] if _has(words, S) else values[CR]
        if (_has(words, S) or _has(words, R)) and celsius != s.bed and 0 <= celsius <= MAX_C:
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
        if _has(words, S) and 0 < values[CS] <= MOST_PERCENT:
            s.speed_factor = values[CS] / 100
    elif m == 221:
        tool = _tool_named(s, words, values)
        if _has(words, S) and 0 <= values[CS] <= MOST_PERCENT and tool >= 0:
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
    if not _has(words, T):
        return s.tool
    return np.int64(values[CT]) if 0 <= values[CT] < MAX_TOOLS else -1


@part
def _set_hot(s, tools, wait, words, values, events, tallies):
    if wait:
        tallies[WAITS] += 1
        s.stopped = 1
    tool = _tool_named(s, words, values)
    celsius = values[CS] if _has(words, S) else values[CR]
    given = (_has(words, S) or _has(words, R)) and 0 <= celsius <= MAX_C
    if given and tool >= 0 and celsius != tools[tool].hot:
        tools[tool].hot = celsius
        _event(s, events, HOT, tool, celsius)


@part
def _set_volumetric(s, tools, words, values):
    """M200: E is a volume from now on, of filament of that diameter; D0 or S0: a length again."""
    number = _tool_named(s, words, values)
    if number < 0:
        return
    tool = tools[number]
    if _has(words, D):
        diameter = values[CD] * s.scale
        tool.diameter = diameter if THINNEST_MM <= diameter <= THICKEST_MM else 0.0
    on = values[CS] > 0 if _has(words, S) else tool.diameter > 0
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
        if _has(words, S) and values[CS] > 0:
            s.print_acceleration = values[CS] * s.scale
            s.travel_acceleration = values[CS] * s.scale
        if _has(words, P) and values[CP] > 0:
            s.print_acceleration = values[CP] * s.scale
        if _has(words, T) and values[CT] > 0:
            s.travel_acceleration = values[CT] * s.scale
        if _has(words, R) and values[CR] > 0:
            s.retract_acceleration = values[CR] * s.scale
    elif m == 205:
        if _has(words, X) and not _has(words, Y) and values[CX] > 0:
            s.stiffness[1] = 1 / (values[CX] * s.scale)
        _set_axes(s.stiffness, s.scale, words, values)
        if _has(words, J):
            s.deviation = max(0.0, values[CJ] * s.scale)
    elif m == 207:
        if _has(words, S) and values[CS] >= 0:
            s.retract_mm = values[CS] * s.scale
        if _has(words, F) and values[CF] > 0:
            s.retract_speed = values[CF] * s.scale / 60
    elif m == 208:
        if _has(words, S):
            s.recover_extra_mm = values[CS] * s.scale
        if _has(words, F) and values[CF] > 0:
            s.recover_speed = values[CF] * s.scale / 60


@part
def _set_axes(inverses, scale, words, values):
    """A limit for each axis that is named; others stay."""
    if _has(words, X) and values[CX] > 0:
        inverses[0] = 1 / (values[CX] * scale)
    if _has(words, Y) and values[CY] > 0:
        inverses[1] = 1 / (values[CY] * scale)
    if _has(words, Z) and values[CZ] > 0:
        inverses[2] = 1 / (values[CZ] * scale)
    if _has(words, E) and values[CE] > 0:
        inverses[3] = 1 / (values[CE] * scale)
