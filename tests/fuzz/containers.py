"""ZIP containers that are written field by field, so that each may lie."""

import struct
import zlib
from dataclasses import dataclass, field, replace
from random import Random

LOCAL, ENTRY, END, END64, LOCATOR = b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06", b"PK\x06\x06", b"PK\x06\x07"
STORED, DEFLATED = 0, 8
PACKINGS = (STORED, DEFLATED, DEFLATED, DEFLATED, 1, 6, 9, 12, 14, 93, 95, 99, 0xFFFF)
ENCRYPTED, DESCRIPTOR, PATCHED, STRONG, UTF8 = 1, 8, 32, 64, 2048
FLAGS = (0, 0, 0, ENCRYPTED, DESCRIPTOR, PATCHED, STRONG, UTF8, ENCRYPTED | DESCRIPTOR, 0xFFFF)
SIZES = (0, 1, 2**15, 2**20, 2**31 - 1, 2**31, 2**32 - 2, 2**32 - 1)
NAMES = (
    *(
        b"a.gcode",
        b"b.gcode",
        b"A.GCODE",
        b"plates/1.gcode",
        b"a.gcode\0.txt",
        b"../../a.gcode",
        b"/etc/a.gcode",
    ),
    *(b"C:\\a.gcode", b"\\\\host\\a.gcode", b"", b".gcode", b"a" * 65000 + b".gcode", b"\xff\xfe.gcode"),
    *(
        b"\xe2\x80\xae.gcode",
        b"a\r\nb.gcode",
        b"<script>.gcode",
        b"{0}%s.gcode",
        b"dir/",
        b"x.g",
        b"readme.txt",
    ),
)


@dataclass
class Member:
    """A member as it is stored. None: the true value."""

    name: bytes
    content: bytes
    packing: int = DEFLATED
    flags: int = 0
    extra: bytes = b""
    crc: int | None = None
    packed_size: int | None = None
    size: int | None = None
    offset: int | None = None
    # Of the entry in the list, where it differs from the one before the content.
    listed_name: bytes | None = None
    listed_packing: int | None = None

    def pack(self) -> bytes:
        packer = zlib.compressobj(wbits=-15)
        return packer.compress(self.content) + packer.flush() if self.packing == DEFLATED else self.content

    def head(self, packed: bytes) -> bytes:
        """Time, checksum, both sizes."""
        crc = zlib.crc32(self.content) if self.crc is None else self.crc
        packed_size = len(packed) if self.packed_size is None else self.packed_size
        size = len(self.content) if self.size is None else self.size
        return struct.pack("<HHLLL", 0, 0x21, crc, packed_size, size)


@dataclass
class Container:
    members: list[Member]
    # Of the end record. None: the true value.
    count: int | None = None
    listing_size: int | None = None
    listing_offset: int | None = None
    comment: bytes = b""
    comment_size: int | None = None
    before: bytes = b""
    end64: bytes = b""
    after: bytes = b""
    repeated: int = 1
    ends: list[bytes] = field(default_factory=list)

    def write(self) -> bytes:
        data, listing = bytearray(self.before), bytearray()
        for member in self.members:
            packed, at = member.pack(), len(data)
            head, name = member.head(packed), member.name
            lengths = struct.pack("<HH", len(name), len(member.extra))
            data += LOCAL + struct.pack("<HHH", 20, member.flags, member.packing) + head + lengths
            data += name + member.extra + packed
            listed = name if member.listed_name is None else member.listed_name
            packing = member.packing if member.listed_packing is None else member.listed_packing
            listing += ENTRY + struct.pack("<HHHH", 20, 20, member.flags, packing) + head
            listing += struct.pack("<HHHHHL", len(listed), len(member.extra), 0, 0, 0, 0)
            listing += (
                struct.pack("<L", at if member.offset is None else member.offset) + listed + member.extra
            )
        listing *= self.repeated
        count = len(self.members) * self.repeated if self.count is None else self.count
        size = len(listing) if self.listing_size is None else self.listing_size
        offset = len(data) if self.listing_offset is None else self.listing_offset
        comment_size = len(self.comment) if self.comment_size is None else self.comment_size
        end = struct.pack(
            "<HHHHLLH", 0, 0, count & 0xFFFF, count & 0xFFFF, size, offset & 0xFFFFFFFF, comment_size
        )
        return bytes(data + listing + self.end64 + END + end + self.comment + self.after)


def draw_container(draw: Random, job: bytes) -> bytes:
    """A container with a few lies in it, around a job."""
    members = [Member(b"a.gcode", job, draw.choice((STORED, DEFLATED)))]
    for _ in range(draw.choice((0, 0, 1, 2, 5))):
        members.append(Member(draw.choice(NAMES), draw.choice((job, b"", b"<model/>", draw.randbytes(40)))))
    draw.shuffle(members)
    container = Container(members)
    for _ in range(draw.choice((0, 1, 1, 2, 3))):
        _lie(draw, container, job)
    return container.write()


def _lie(draw: Random, container: Container, job: bytes) -> None:
    at = draw.randrange(len(container.members))
    member = container.members[at]
    size, number = draw.choice(SIZES), draw.randrange(16)
    changes: list[dict[str, object]] = [
        {"name": draw.choice(NAMES)},
        {"listed_name": draw.choice(NAMES)},
        {"packing": draw.choice(PACKINGS)},
        {"listed_packing": draw.choice(PACKINGS)},
        {"flags": draw.choice(FLAGS)},
        {"crc": draw.getrandbits(32)},
        {"packed_size": size},
        {"size": size},
        {"offset": draw.choice((size, draw.randrange(200)))},
        # Sizes of 64 bits, true, cut short or without end; an unknown field; one that is longer than it may be.
        {
            "extra": struct.pack("<HH", 1, draw.choice((8, 16, 28, 65535)))
            + draw.randbytes(draw.choice((0, 8, 28)))
        },
        # A container in a container, a bomb, one job after another.
        {
            "content": draw.choice(
                (container.write(), bytes(2**20), b"G1 X1 E1\n" * 50_000, job * 3, job + b"\0")
            )
        },
    ]
    if number < len(changes):
        container.members[at] = replace(member, **changes[number])  # type: ignore[arg-type]
        return
    match number:
        case 11:
            container.count = draw.choice((0, 1, 2, 0xFFFF))
        case 12:
            container.listing_size, container.listing_offset = draw.choice(
                ((size, None), (None, size), (size, size))
            )
        case 13:
            container.comment, container.comment_size = draw.randbytes(20), draw.choice((0, 5, 0xFFFF, None))
        case 14:
            container.before = draw.choice((b"PK\x03\x04", LOCAL * 3, END + bytes(18), draw.randbytes(30)))
            container.repeated = draw.choice((1, 1, 500))
        case _:
            numbers = [draw.choice((0, 1, 2**32, 2**63 - 1, 2**64 - 1)) for _ in range(5)]
            container.end64 = END64 + struct.pack("<QHHLLQQQQ", 44, 45, 45, 0, 0, *numbers[:4])
            container.end64 += LOCATOR + struct.pack("<LQL", 0, numbers[4], draw.choice((0, 1, 7)))
