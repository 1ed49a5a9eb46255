"""Codes on labels: short, without look-alikes, and with a check character (ISO/IEC 7064, MOD 37,36)."""

import re
import secrets
from collections.abc import Iterable

import segno
from django.utils.safestring import SafeString, mark_safe
from stdnum.iso7064 import mod_37_36

from spools.refusals import refusal

# Without the look-alikes 0 O, 1 I L, 2 Z, 5 S, 8 B; without vowels no code spells a word.
ALPHABET = "34679CDFGHJKMNPQRTVWXY"
LENGTH = 6
_LEFT_OUT = re.compile(r"[\s\-\u2010-\u2015.]")
_ADDRESS = re.compile(r"/S/([^/?#]*)")


def new_code() -> str:
    """A random code: five characters and their check character. 3.1 million of them may come out.

    The caller checks that no spool has it yet (spools/inventory/receiving.py).
    """
    while True:
        payload = "".join(secrets.choice(ALPHABET) for _ in range(LENGTH - 1))
        code = payload + mod_37_36.calc_check_digit(payload)
        if issuable(code):
            return code


def issuable(code: str) -> bool:
    """Whether a valid code may be on a label.

    Its check character must be in the alphabet. The standard's check misses about one swap of neighbours
    in a thousand (while it detects every single wrong character): codes with such a swap stay unused.
    """
    swaps = {code[:n] + code[n + 1] + code[n] + code[n + 2 :] for n in range(LENGTH - 1)} - {code}
    return code[-1] in ALPHABET and not any(mod_37_36.is_valid(swap) for swap in swaps)


def normalise(text: str) -> str:
    """The code in what was typed or scanned: any case, with spaces or dashes, or a label's whole address.

    Raises ValidationError that says what is wrong with it.
    """
    text = text.strip().upper()
    if "/" in text:
        address = _ADDRESS.search(text)
        if address is None:
            raise refusal(
                "not_a_label", "This address is not the one on a spool's label. Scan or type the code."
            )
        text = address[1]
    code = _LEFT_OUT.sub("", text)
    if not code:
        raise refusal("code_missing", "Type the code on the label, such as 7KD-4QM.")
    foreign = next((character for character in code if character not in ALPHABET), None)
    if foreign is not None:
        kind = "letter" if foreign.isalpha() else "digit" if foreign.isdigit() else "sign"
        raise refusal(
            "code_character",
            f"The codes have no {kind} {foreign}; they are written with {' '.join(ALPHABET)}. "
            "Look at the label again.",
        )
    if len(code) != LENGTH:
        raise refusal("code_length", f"A code has {LENGTH} characters; this has {len(code)}.")
    if not mod_37_36.is_valid(code):
        raise refusal(
            "code_check",
            f"{pretty(code)} is no code: one character is wrong or two are swapped. Look at the label again.",
        )
    return code


def pretty(code: str) -> str:
    """The code as people read it: two groups of three."""
    return f"{code[:3]}-{code[3:]}"


def label_address(code: str, base: str) -> str:
    """The address in the QR code: the spool's page under ``base`` (scheme and host), in capitals.

    Capitals let a QR code use its denser alphanumeric mode; hosts know no case, and the page takes both.
    """
    return f"{base.rstrip('/')}/s/{code}".upper()


def qr_svg(text: str) -> SafeString:
    """A QR code as inline SVG that fills the width it is given, with its quiet zone.

    Correction level M or better: a label in a workshop gets scratched.
    """
    code = segno.make_qr(text, error="m")
    # Only path data comes out of this; the text itself is not in it.
    return mark_safe(code.svg_inline(border=4, light="#fff", omitsize=True))  # noqa: S308  see above


def join_codes(codes: Iterable[str]) -> str:
    """Codes as people read them: "7KD-4QM and 9RY-WKV"."""
    return " and ".join(pretty(code) for code in codes)
