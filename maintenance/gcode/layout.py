"""The arrays that the reader's four kernels hand on to each other, and their sizes.

    scanning: bytes to commands; running: commands to moves and events; planning: how long moves take;
    accounting: moves and events to totals.

All sizes are fixed, so memory does not grow with the file.
"""

from typing import Any, NamedTuple

import numpy as np

from spools.physics import kernels

# Without the interpreter's lock, and without counting references to arrays, which would take three quarters
# of the time; so kernels allocate nothing.
OPTIONS: dict[str, Any] = {"nogil": True, "_nrt": False}
kernel = kernels.kernel(**OPTIONS)
# Inlined into the kernel that calls it.
part = kernels.kernel(**OPTIONS, forceinline=True)

Array = np.ndarray[Any, np.dtype[Any]]

# Letters as numbers, A is 0; the column of a letter's value, NO_COLUMN for letters that nothing reads.
A, B, C, D, E, F, G, H, I, J, K, L, M, N, O, P, Q, R, S, T, U, V, W, X, Y, Z = range(26)  # noqa: E741
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
VALUED = (X, Y, Z, E, F, I, J, K, R, S, P, T, D)
NO_COLUMN = len(VALUED)
COLUMN = np.full(26, NO_COLUMN, np.int64)
COLUMN[list(VALUED)] = np.arange(len(VALUED))
(CX, CY, CZ, CE, CF, CI, CJ, CK, CR, CS, CP, CT, CD) = range(len(VALUED))

# Kinds of command: words without one are MODAL (they go on with the last motion, ISO 6983-1).
MODAL, KIND_G, KIND_M, KIND_T = range(4)
# Command numbers are stored in tenths: 921 is G92.1. Those that do not fit are NO_NUMBER.
NO_NUMBER, MOST_NUMBER = -1, 9999.9
# Numbers beyond this are taken for damage, not for millimetres.
MOST_VALUE = 1e8

# The cursor of the scan: index in the buffer, lines ended, where in the file the present line began, whether
# it has had a command.
AT, LINE, BEGUN, INSIDE = range(4)

COMMANDS, MOVES, EVENTS = 2048, 4096, 8192
# So many moves ahead of the one that is timed are known, unless the job ends.
LOOK_AHEAD = 256
MAX_TOOLS, MAX_C = 32, 600
# The most spools of one job that are counted apart; later ones are counted with the last.
MAX_USES = 64
# The most kinds of named commands (macros) that are counted apart, and the letters of a name that are stored.
MAX_NAMES, NAME_LENGTH = 64, 24

# The most checkpoints of the file; at this number every second one is dropped.
MARKS = 1024

# Oddities that are counted, by index of the tallies.
(
    COMMANDS_READ,
    UNUSABLE_NUMBERS,
    STRAY_CHARACTERS,
    MODAL_COMMANDS,
    HOMINGS,
    WAITS,
    TOOL_CHANGES,
    COLOUR_CHANGES,
    PAUSES,
    MOVES_WITHOUT_FEED,
    MOVES_OF_DOUBTFUL_E,
    UNREAD_FEEDS,
    MISFIT_ARCS,
    G10_RETRACTIONS,
    NAMES_LEFT_OUT,
    LONGEST,  # the longest line, bytes
    LONGEST_AT,  # where it begins
    TALLIES,
) = range(18)


class Commands(NamedTuple):
    """The commands that the scan read. words, flags: bits of the letters with and without a number."""

    kind: Array
    number: Array
    words: Array
    flags: Array
    values: Array
    line: Array
    byte: Array


class Unread(NamedTuple):
    """How often each command was met that has no meaning here, by number in tenths, or by name."""

    g: Array
    m: Array
    words: Array
    names: Array
    named: Array


class Moves(NamedTuple):
    """Moves and pauses in order. Lengths mm, speeds mm/s, accelerations mm/s².

    entry2: the square of the speed that the corner into it allows, later of the speed at which it begins.
    seconds: of a pause, later of each. feed, melt: filament moved, and moved beyond what had ever been fed.
    flat: length of what is laid down level. span: length through space, 0 when only E moves.
    """

    length: Array
    speed: Array
    acceleration: Array
    entry2: Array
    seconds: Array
    feed: Array
    melt: Array
    flat: Array
    span: Array
    z: Array
    use: Array
    tool: Array


# Kinds of event, which happen before the move of that number.
HOT, BED, MARK, CHANGE = range(4)


class Events(NamedTuple):
    """HOT: tool, °C. BED: °C. MARK: number of a line that begins, its first byte. CHANGE: spool, line."""

    move: Array
    kind: Array
    a: Array
    b: Array


def commands() -> Commands:
    count = COMMANDS
    return Commands(
        np.zeros(count, np.int64),
        np.zeros(count, np.int64),
        np.zeros(count, np.int64),
        np.zeros(count, np.int64),
        np.zeros((count, NO_COLUMN + 1)),
        np.zeros(count, np.int64),
        np.zeros(count, np.int64),
    )


def unread() -> Unread:
    columns = round(10 * MOST_NUMBER) + 1
    return Unread(
        np.zeros(columns, np.int64),
        np.zeros(columns, np.int64),
        np.zeros(26, np.int64),
        np.zeros((MAX_NAMES, NAME_LENGTH), np.uint8),
        np.zeros(MAX_NAMES, np.int64),
    )


def moves() -> Moves:
    whole = {"use", "tool"}
    return Moves._make(np.zeros(MOVES, np.int64 if name in whole else float) for name in Moves._fields)


def events() -> Events:
    return Events(np.zeros(EVENTS, np.int64), np.zeros(EVENTS, np.int64), np.zeros(EVENTS), np.zeros(EVENTS))
