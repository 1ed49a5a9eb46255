"""Codes on labels: short, without look-alikes, and with a check character (ISO/IEC 7064, MOD 37,36)."""

import re
import secrets
from collections.abc import Iterable

import segno
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _
from stdnum import luhn
from stdnum.exceptions import ValidationError as InvalidNumber
from stdnum.iso7064 import mod_37_36

from spools.refusals import refusal
from spools.wording import format_list

# Without the look-alikes 0 O, 1 I L, 2 Z, 5 S, 8 B; without vowels no code spells a word.
ALPHABET = "34679CDFGHJKMNPQRTVWXY"
LENGTH = 6
_LEFT_OUT = re.compile(r"[\s\-\u2010-\u2015.]")
_ADDRESS = re.compile(r"/[SC]/([^/?#]*)")
# The first letter of the code of a place and of a part. Theirs have 5 or 7 characters, those of spools 6.
PLACE, PART = "P", "T"
_SHORT = re.compile(f"[{PLACE}{PART}]([{ALPHABET}]{{3}}|[{ALPHABET}]{{5}})[{ALPHABET}]")


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
    code = _take_code(text)
    if not code:
        raise refusal("code_missing", _("Type the code on the label, such as 7KD-4QM."))
    foreign = next((character for character in code if character not in ALPHABET), None)
    if foreign is not None:
        if foreign.isalpha():
            sentence = _(
                "The codes have no letter {character}; they are written with {alphabet}. Look at the label again."
            )
        elif foreign.isdigit():
            sentence = _(
                "The codes have no digit {character}; they are written with {alphabet}. Look at the label again."
            )
        else:
            sentence = _(
                "The codes have no sign {character}; they are written with {alphabet}. Look at the label again."
            )
        raise refusal(
            "code_character",
            sentence.format(character=foreign, alphabet=" ".join(ALPHABET)),
        )
    if len(code) != LENGTH:
        raise refusal(
            "code_length",
            _("A code has {length} characters; this has {count}.").format(length=LENGTH, count=len(code)),
        )
    if not mod_37_36.is_valid(code):
        raise refusal(
            "code_check",
            _(
                "{code} is no code: one character is wrong or two are swapped. Look at the label again."
            ).format(code=pretty(code)),
        )
    return code


def _take_code(text: str) -> str:
    """The code in what was typed or scanned, not checked yet. Refused: an address of something else."""
    text = text.strip().upper()
    if "/" in text:
        address = _ADDRESS.search(text)
        if address is None:
            raise refusal("not_a_label", _("This address is not the one on a label. Scan or type the code."))
        text = address[1]
    return _LEFT_OUT.sub("", text)


def build_short(kind: str, number: int) -> str:
    """The code of a place or a part: its letter, its number in the alphabet of the codes, a check character.

    kind: PLACE or PART; number: of its row, from 1. The check is that of Luhn for 22 characters.
    """
    digits = ""
    while number:
        number, rest = divmod(number, len(ALPHABET))
        digits = ALPHABET[rest] + digits
    payload = kind + digits.rjust(3 if len(digits) <= 3 else 5, ALPHABET[0])
    return payload + luhn.calc_check_digit(payload, ALPHABET)


def read_short(text: str) -> tuple[str, int] | None:
    """PLACE or PART and the number of its row, of a code that was typed or scanned; None: it is of another form.

    Refused: one whose check character is wrong.
    """
    code = _take_code(text)
    if _SHORT.fullmatch(code) is None:
        return None
    try:
        luhn.validate(code, ALPHABET)
    except InvalidNumber:
        raise refusal(
            "code_check",
            _(
                "{code} is no code: one character is wrong or two are swapped. Look at the label again."
            ).format(code=code),
        ) from None
    number = 0
    for character in code[1:-1]:
        number = number * len(ALPHABET) + ALPHABET.index(character)
    return code[0], number


def pretty(code: str) -> str:
    """The code as people read it: two groups of three."""
    return f"{code[:3]}-{code[3:]}"


def label_address(code: str, base: str) -> str:
    """The address in the QR code: the page of its subject under ``base`` (scheme and host), in capitals.

    Capitals let a QR code use its denser alphanumeric mode; hosts know no case, and the page takes both.
    """
    return f"{base.rstrip('/')}/{'s' if len(code) == LENGTH else 'c'}/{code}".upper()


def qr_svg(text: str) -> SafeString:
    """A QR code as inline SVG that fills the width it is given, with its quiet zone.

    Correction level M or better: a label in a workshop gets scratched.
    """
    code = segno.make_qr(text, error="m")
    # Only path data comes out of this; the text itself is not in it.
    return mark_safe(code.svg_inline(border=4, light="#fff", omitsize=True))  # noqa: S308  see above


def join_codes(codes: Iterable[str]) -> str:
    """Codes as people read them: "7KD-4QM and 9RY-WKV"."""
    return format_list([pretty(code) for code in codes])
