"""The first kernel: bytes to commands.

A line is a block of words, a letter and a number each (ISO 6983-1); a G, an M or a T at its start begins a
command, a further G or M the next one. Comments run from ; to the end of the line or stand in brackets, what
follows * is a checksum. Letters may be small, spaces left out. There are no exponents: X1E5 is X1 E5.
"""

import numpy as np

from .layout import (
    AT,
    BEGUN,
    COLUMN,
    COMMANDS,
    INSIDE,
    KIND_G,
    KIND_M,
    KIND_T,
    LINE,
    LONGEST,
    LONGEST_AT,
    MAX_NAMES,
    MODAL,
    MOST_NUMBER,
    MOST_VALUE,
    NAME_LENGTH,
    NAMES_LEFT_OUT,
    NO_NUMBER,
    STRAY_CHARACTERS,
    UNUSABLE_NUMBERS,
    Array,
    Commands,
    G,
    M,
    N,
    T,
    Unread,
    kernel,
    part,
)

LF, CR, TAB, SPACE, QUOTE, PERCENT = 10, 13, 9, 32, 34, 37
OPEN, CLOSE, STAR, PLUS, MINUS, POINT, SEMICOLON, UNDERLINE = 40, 41, 42, 43, 45, 46, 59, 95
# Commands whose line goes on in plain words: messages, names of files and machines.
SPOKEN = np.zeros(1000, np.bool_)
SPOKEN[[23, 28, 30, 32, 33, 36, 117, 118, 550, 551, 587, 588, 589, 928]] = True
TENS = 10.0 ** np.arange(19)
MOST_DIGITS = 18


@part
def _letter(c: int) -> int:
    """A letter as a number, A is 0; above 25 when it is none."""
    return (c | 32) - 97 if c >= 65 else 26


@part
def _number(text: Array, at: int) -> tuple[float, int, bool]:
    """The number that begins here, the index after it, and whether there is one."""
    c = text[at]
    negative = c == MINUS
    if negative or c == PLUS:
        at += 1
    digits, mantissa, beyond = 0, 0, 0
    d = text[at] - 48
    start = at
    while 0 <= d <= 9:
        if digits < MOST_DIGITS:
            mantissa = mantissa * 10 + d
            digits += mantissa > 0
        else:
            beyond += 1
        at += 1
        d = text[at] - 48
    digits_read = at - start
    places = 0
    if d == POINT - 48:
        at += 1
        start = at
        d = text[at] - 48
        while 0 <= d <= 9:
            if digits < MOST_DIGITS and places < MOST_DIGITS:
                mantissa = mantissa * 10 + d
                digits += mantissa > 0
                places += 1
            at += 1
            d = text[at] - 48
        digits_read += at - start
    if beyond > 0:
        return 2 * MOST_VALUE, at, True
    value = mantissa / TENS[places]
    return (-value if negative else value), at, digits_read > 0


@part
def _count_name(text: Array, at: int, unread: Unread, tallies: Array) -> None:
    """Count a command that is a word, by the first letters of its name in capitals."""
    length = 0
    while length < NAME_LENGTH and _capital(text[at + length]) > 0:
        length += 1
    for k in range(MAX_NAMES):
        if unread.named[k] == 0:
            for n in range(length):
                unread.names[k, n] = _capital(text[at + n])
        is_same = length == NAME_LENGTH or unread.names[k, length] == 0
        for n in range(length):
            is_same &= unread.names[k, n] == _capital(text[at + n])
        if is_same:
            unread.named[k] += 1
            return
    tallies[NAMES_LEFT_OUT] += 1


@part
def _capital(c: int) -> int:
    """A character of a name, as a capital letter; 0 for one that is in no name."""
    if _letter(c) <= 25:
        return c & ~32
    return c if c == UNDERLINE or 48 <= c <= 57 else 0


@kernel
def scan(
    text: Array, cursor: Array, end: int, base: int, commands: Commands, unread: Unread, tallies: Array
) -> int:
    """Fill the commands from text[cursor:end] and return their number.

    text[end - 1] is the end of a line. base: where in the file text[0] lies.
    """
    at, line, command_start, inside = cursor[AT], cursor[LINE], cursor[BEGUN], cursor[INSIDE] == 1
    count = 0
    while at < end and count < COMMANDS:
        kind, number = MODAL, NO_NUMBER
        words, flags = 0, 0
        values = commands.values[count]
        line_here, begun_here = line, command_start
        while True:
            c = text[at]
            letter = _letter(c)
            if letter <= 25:
                is_command = letter in (G, M)
                begins = kind == MODAL and words == 0 and flags == 0
                if is_command and not begins:
                    inside = True
                    break
                if begins and not inside:
                    following = text[at + 1]
                    if _letter(following) <= 25 or following == UNDERLINE:
                        _count_name(text, at, unread, tallies)
                        while text[at] != LF and text[at] != CR:
                            at += 1
                        continue
                at += 1
                while text[at] == SPACE or text[at] == TAB:
                    at += 1
                value, at, has_value = _number(text, at)
                if is_command:
                    kind = KIND_G if letter == G else KIND_M
                    number = _command_number(value, has_value)
                    if kind == KIND_M and 0 <= number < 10 * len(SPOKEN) and SPOKEN[number // 10]:
                        while text[at] != LF and text[at] != CR:
                            at += 1
                elif letter == T and begins and not inside:
                    kind, number = KIND_T, _command_number(value, has_value)
                elif letter == N and begins and not inside:
                    pass
                elif not has_value:
                    flags |= 1 << letter
                elif abs(value) > MOST_VALUE:
                    tallies[UNUSABLE_NUMBERS] += 1
                else:
                    values[COLUMN[letter]] = value
                    words |= 1 << letter
            elif c in (SPACE, TAB, PERCENT):
                at += 1
            elif c in (LF, CR):
                at += 1
                if c == CR and text[at] == LF:
                    at += 1
                line += 1
                if base + at - command_start > tallies[LONGEST]:
                    tallies[LONGEST], tallies[LONGEST_AT] = base + at - command_start, command_start
                command_start = base + at
                inside = False
                break
            elif c in (SEMICOLON, STAR):
                while text[at] != LF and text[at] != CR:
                    at += 1
            elif c == OPEN:
                while text[at] != CLOSE and text[at] != LF and text[at] != CR:
                    at += 1
                at += text[at] == CLOSE
            elif c == QUOTE:
                at += 1
                while text[at] != QUOTE and text[at] != LF and text[at] != CR:
                    at += 1
                at += text[at] == QUOTE
            else:
                tallies[STRAY_CHARACTERS] += 1
                at += 1
        if kind != MODAL or words != 0 or flags != 0:
            commands.kind[count], commands.number[count] = kind, number
            commands.words[count], commands.flags[count] = words, flags
            commands.line[count], commands.byte[count] = line_here + 1, begun_here
            count += 1
    cursor[AT], cursor[LINE], cursor[BEGUN], cursor[INSIDE] = at, line, command_start, inside
    return count


@part
def _command_number(value: float, has_value: bool) -> int:
    """In tenths; NO_NUMBER when there is none or one that no command has."""
    if not has_value or not 0 <= value <= MOST_NUMBER:
        return NO_NUMBER
    tenths = int(value * 10 + 0.5)
    return tenths if abs(value * 10 - tenths) < 1e-6 else NO_NUMBER
