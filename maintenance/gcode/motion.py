"""Moves: the machine's state, and what a motion or a pause puts into the buffer. Parts of the second kernel.

A move is a path with a unit vector (X, Y, Z, E per mm of path) where it begins and where it ends. Speeds and
accelerations are cut to what each axis may do. At a corner no axis may change its speed by more than its jump
in one go; or, where a junction deviation is set, the speed is that of an arc which stays so near the corner.
"""

import math

import numpy as np

from .layout import (
    CE,
    CF,
    CI,
    CJ,
    CK,
    CR,
    CX,
    CY,
    CZ,
    MAX_USES,
    MISFIT_ARCS,
    MOVES_OF_DOUBTFUL_E,
    MOVES_WITHOUT_FEED,
    E,
    F,
    I,
    J,
    K,
    R,
    X,
    Y,
    Z,
    part,
)

# The speed of a machine before any command sets one. Common practice, no source.
SPEED_UNTOLD_MM_S = 25.0
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
        ("feedrate", "f8"),  # mm/s, 0 when never given
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


@part
def has(words, letter):
    return words >> letter & 1 == 1


@part
def _target(s, words, values, letter, column, axis):
    if not has(words, letter):
        return s.pos[axis]
    value = values[column] * s.scale
    return s.pos[axis] + value if s.relative == 1 else value


@part
def move(s, tools, words, values, moves, tallies, tool_of_use):
    """G0 to G3, and words that go on with them."""
    if has(words, F) and values[CF] > 0:
        s.feedrate = values[CF] * s.scale / 60
    x, y, z = s.pos[0], s.pos[1], s.pos[2]
    dx = _target(s, words, values, X, CX, 0) - x
    dy = _target(s, words, values, Y, CY, 1) - y
    dz = _target(s, words, values, Z, CZ, 2) - z
    tool = tools[s.tool]
    feed = 0.0
    if has(words, E):
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
        straight(s, tool, dx, dy, dz, span, level, feed, speed, moves, tool_of_use)
    else:
        _arc(s, tool, dx, dy, dz, words, values, feed, speed, moves, tallies, tool_of_use)


@part
def straight(s, tool, dx, dy, dz, span, level, feed, speed, moves, tool_of_use):
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
        has_i, has_j = has(words, I), has(words, J)
    elif s.plane == 18:
        a, b, c, i, j = dz, dx, dy, CK, CI
        has_i, has_j = has(words, K), has(words, I)
    else:
        a, b, c, i, j = dy, dz, dx, CJ, CK
        has_i, has_j = has(words, J), has(words, K)
    turn = -1.0 if s.motion == 2 else 1.0
    chord = math.sqrt(a * a + b * b)
    centre_a = values[i] * s.scale if has_i else 0.0
    centre_b = values[j] * s.scale if has_j else 0.0
    if not (has_i or has_j) and has(words, R) and chord > 0:
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
        straight(s, tool, dx, dy, dz, span, span if dz == 0 else 0.0, feed, speed, moves, tool_of_use)
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
def pause(s, tools, seconds, moves):
    """Adds a time in which the machine stands still."""
    k = s.pending
    moves.length[k], moves.speed[k], moves.acceleration[k], moves.entry2[k] = 0.0, 1.0, 1.0, 0.0
    moves.seconds[k] = seconds
    moves.feed[k], moves.melt[k], moves.flat[k], moves.span[k], moves.z[k] = 0.0, 0.0, 0.0, 0.0, s.height
    moves.use[k], moves.tool[k] = tools[s.tool].use, s.tool
    s.pending += 1
    s.moved += 1
    s.stopped = 1
