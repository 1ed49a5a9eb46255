"""Removal of secrets from log lines and errors: parameters of addresses, and addresses that are keys."""

import re

# A calendar's address, a webhook's: long, with digits or capitals, after a slash.
SECRET_PART = re.compile(r"(?<=/)(?=[a-z_-]*[A-Z0-9])[A-Za-z0-9_:-]{20,}")
QUERY = re.compile(r"(?<=[\w/.~-])\?[\w.~%\[\]-]+=[^\s\"'<>]*")
ACCOUNT = re.compile(r"(?<=://)[^\s/@]+@")


def scrub(text: str) -> str:
    """The text without secret parts of addresses, query strings, and names and passwords before a host."""
    return ACCOUNT.sub("…@", SECRET_PART.sub("…", QUERY.sub("?…", text)))
