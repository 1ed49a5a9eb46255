"""The third kernel: how long moves take, with constant acceleration and a look ahead over the corners.

Each move runs at its speed except where it has to come from, or get down to, the speed of a corner:
v1² = v0² + 2 a s. Backwards each corner is made slow enough for all that follows, forwards for all that came
before; then times follow from the trapezoid, or the triangle, of speed over distance.
"""

import math

from .layout import Array, Moves, kernel


@kernel
def plan(moves: Moves, pending: int, commit: int, slow2: Array, carried2: Array) -> None:
    """Put the seconds of the first ``commit`` of ``pending`` moves into moves.seconds.

    The last pending move is taken to end at rest. carried2[0]: the square of the speed at which the first
    one begins, afterwards that of the first which was not committed. slow2: room for what a corner allows in
    view of what follows; the next call finds the corners as they were and looks at them with more of it.
    """
    length, speed, acceleration, entry2 = moves.length, moves.speed, moves.acceleration, moves.entry2
    slow2[pending] = 0.0
    for k in range(pending - 1, -1, -1):
        slow2[k] = min(entry2[k], slow2[k + 1] + 2 * acceleration[k] * length[k])
    start2 = carried2[0]
    start = math.sqrt(start2)
    for k in range(commit):
        a, way, v = acceleration[k], length[k], speed[k]
        end2 = min(slow2[k + 1], start2 + 2 * a * way)
        end = math.sqrt(end2)
        if way > 0:
            ramps = (v * v - start2 / 2 - end2 / 2) / a
            if ramps <= way:
                moves.seconds[k] = (2 * v - start - end) / a + (way - ramps) / v
            else:
                top = math.sqrt(a * way + (start2 + end2) / 2)
                moves.seconds[k] = (2 * top - start - end) / a
        start2, start = end2, end
    carried2[0] = start2
