"""Files for NFC tags: the address of a label as an NDEF message of one URI record.

Formats: NFC Forum, NFC Data Exchange Format (NDEF) 1.0, and URI Record Type Definition (RTD) 1.0. Memory of tags: NXP,
NTAG213/215/216 product data sheet, rev. 3.0.
"""

import io
import zipfile
from collections.abc import Iterable
from urllib.parse import urlsplit

# The beginnings that the record abbreviates to one byte.
PREFIXES = {"http://www.": 1, "https://www.": 2, "http://": 3, "https://": 4}
# First and last record, with a type of the NFC Forum; a payload below 256 bytes has a length of one byte.
ONLY_RECORD, SHORT, WELL_KNOWN = 0xC0, 0x10, 0x01
# What a new tag holds before the message (its lock control), and what encloses the message: 03 length ... FE.
LOCK_CONTROL_BYTES, AROUND_BYTES, MOST_BYTES_OF_SHORT_LENGTH = 5, 3, 254
TAGS = {"NTAG213": 144, "NTAG215": 504, "NTAG216": 888}


def build_tag_address(address: str) -> str:
    """The address of a label as a tag has it: scheme and host in small letters, since phones compare the scheme as it is."""
    parts = urlsplit(address)
    return parts._replace(scheme=parts.scheme.lower(), netloc=parts.netloc.lower()).geturl()


def write_ndef(address: str) -> bytes:
    """An NDEF message of one URI record."""
    prefix = max((text for text in PREFIXES if address.startswith(text)), key=len, default="")
    payload = bytes([PREFIXES.get(prefix, 0)]) + address.removeprefix(prefix).encode()
    is_short = len(payload) < 256
    header = ONLY_RECORD | WELL_KNOWN | (SHORT if is_short else 0)
    return bytes([header, 1]) + len(payload).to_bytes(1 if is_short else 4, "big") + b"U" + payload


def count_tag_bytes(message: bytes) -> int:
    """The user memory that a message takes on a new tag."""
    return LOCK_CONTROL_BYTES + AROUND_BYTES + 2 * (len(message) > MOST_BYTES_OF_SHORT_LENGTH) + len(message)


def list_fitting_tags(message: bytes) -> list[str]:
    """The usual tags that hold a message, the smallest first."""
    return [name for name, size in TAGS.items() if count_tag_bytes(message) <= size]


def pack_files(files: Iterable[tuple[str, bytes]]) -> bytes:
    """A ZIP archive of files by name."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files:
            archive.writestr(name, content)
    return packed.getvalue()
