"""Bytes that differ from real ones in a few places."""

from collections.abc import Sequence
from random import Random

# Values at which readers of numbers and lengths trip.
INTERESTING = [
    *(b"\0", b"\xff", b"\x80", b"\x7f", b"\n", b"\r\n", b'"', b"\\", b";", b",", b".", b"-", b"/", b"%00"),
    *(
        b"-1",
        b"0",
        b"1e308",
        b"1e999",
        b"-0.0",
        b"nan",
        b"inf",
        b"9" * 30,
        b"0x10",
        b"1_0",
        b"\xc2\xa0",
        b"+",
    ),
    *(b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b"\xe2\x80\xae", b"\xd9\xa3", b"\xe2\x91\xa0"),
    *(
        n.to_bytes(size, "little")
        for size in (1, 2, 4, 8)
        for n in (0, 1, 2 ** (8 * size - 1), 2 ** (8 * size) - 1)
    ),
]


def mutate(draw: Random, whole: bytes, others: Sequence[bytes]) -> bytes:
    """A few changes of some bytes; now and then none."""
    data = bytearray(whole)
    for _ in range(draw.choice((0, 1, 1, 1, 2, 2, 3, 5, 8, 16))):
        at = draw.randrange(len(data) + 1)
        span = min(draw.choice((1, 1, 2, 4, 8, 32, 200)), len(data) - at)
        match draw.randrange(9):
            case 0 if at < len(data):
                data[at] ^= 1 << draw.randrange(8)
            case 1 if at < len(data):
                data[at] = draw.randrange(256)
            case 2:
                del data[at : at + span]
            case 3:
                data[at:at] = data[at : at + span] * draw.choice((1, 2, 50))
            case 4:
                data[at:at] = draw.choice(INTERESTING)
            case 5:
                found = draw.choice(INTERESTING)
                data[at : at + len(found)] = found
            case 6:
                del data[at:]
            case 7:
                other = draw.choice(others)
                start = draw.randrange(len(other) + 1)
                data[at:at] = other[start : start + 4 * span]
            case _:
                data[at:at] = draw.randbytes(span)
    return bytes(data)
