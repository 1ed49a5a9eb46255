"""What must not be written down: what addresses carry after "?", and addresses that are a key themselves."""

import re

# A calendar's address, a webhook's: long, with digits, between slashes.
SECRET_PART = re.compile(r"(?<=/)(?=[A-Za-z_-]*\d)[A-Za-z0-9_-]{20,}")
QUERY = re.compile(r"(?<=[\w/.~-])\?[\w.~%\[\]-]+=[^\s\"'<>]*")
ACCOUNT = re.compile(r"(?<=://)[^\s/@]+@")


def scrubbed(text: str) -> str:
    """The text without secret parts of addresses, query strings, and names and passwords before a host."""
    return ACCOUNT.sub("…@", SECRET_PART.sub("…", QUERY.sub("?…", text)))
