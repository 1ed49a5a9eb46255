"""Labels. The codes' check is ISO/IEC 7064, MOD 37,36; OpenCV reads the QR codes, segno writes them."""

import io
from itertools import pairwise

import cv2
import numpy as np
import pytest
import segno
from django.core.exceptions import ValidationError
from hypothesis import given
from hypothesis import strategies as st
from stdnum.iso7064 import mod_37_36

from spools import codes
from tests.refusals import refuses

CODES = ["KC6HPW", "MNNTHN", "47H9FT", "R9FMW9", "7NGDDV"]
LOOK_ALIKES = ["0O", "1IL", "5S", "2Z", "8B"]


@st.composite
def drawn_codes(draw: st.DrawFn) -> str:
    """A code as new_code may draw it."""
    payload = draw(st.text(codes.ALPHABET, min_size=5, max_size=5))
    return payload + mod_37_36.calc_check_digit(payload)


issued = drawn_codes().filter(codes.issuable)


def test_the_standards_own_example_fits_the_check():
    # ISO/IEC 7064's example of MOD 37,36 for the string A12425GABC1234002, with check character M
    # (as python-stdnum documents it).
    assert mod_37_36.is_valid("A12425GABC1234002M")


def test_no_two_characters_of_the_alphabet_look_alike():
    for alike in LOOK_ALIKES:
        assert not set(alike) & set(codes.ALPHABET)
    assert len(set(codes.ALPHABET)) == len(codes.ALPHABET)


def test_new_codes_are_issuable_and_rarely_the_same():
    drawn = [codes.new_code() for _ in range(300)]
    # 300 of 3.1 million: the chance of three pairs alike is below one in 10 000 000.
    assert len(set(drawn)) > 297
    for code in drawn:
        assert codes.issuable(code)
        assert codes.normalise(code) == code


@pytest.mark.parametrize("code", CODES)
def test_every_single_wrong_character_is_detected(code):
    for n in range(codes.LENGTH):
        for character in set(codes.ALPHABET) - {code[n]}:
            with refuses("code_check"):
                codes.normalise(code[:n] + character + code[n + 1 :])


@given(issued)
def test_every_swap_of_neighbours_is_detected(code):
    for n, (left, right) in enumerate(pairwise(code)):
        if left != right:
            with refuses("code_check"):
                codes.normalise(code[:n] + right + left + code[n + 2 :])


@given(issued, st.integers(0, 5), st.sampled_from(codes.ALPHABET))
def test_any_code_with_one_wrong_character_is_detected(code, n, character):
    wrong = code[:n] + character + code[n + 1 :]
    if wrong != code:
        with refuses("code_check"):
            codes.normalise(wrong)


def test_a_code_that_a_swap_would_turn_into_another_is_not_issued():
    # Both are right by the standard's check, which misses this swap.
    assert mod_37_36.is_valid("H3HG9N") and mod_37_36.is_valid("H3GH9N")
    assert not codes.issuable("H3HG9N")


@given(issued)
def test_codes_are_read_as_people_type_them(code):
    for typed in (code.lower(), codes.pretty(code), f" {code[:2]} {code[2:4]}-{code[4:]} "):
        assert codes.normalise(typed) == code


@given(issued)
def test_a_whole_address_is_read(code):
    address = codes.label_address(code, "http://192.168.1.20:8000/")
    assert address == f"HTTP://192.168.1.20:8000/S/{code}"
    for typed in (address, address.lower() + "/", f"{address}?from=label"):
        assert codes.normalise(typed) == code


@pytest.mark.parametrize(
    ("typed", "code", "names"),
    [
        ("KC6HPO", "code_character", ["letter O"]),
        ("KC6HP0", "code_character", ["digit 0"]),
        ("KC6HP?", "code_character", ["sign ?"]),
        ("KC6HP", "code_length", ["6", "5"]),
        ("KC6HPWW", "code_length", ["6", "7"]),
        ("", "code_missing", []),
        ("http://example.org/login", "not_a_label", []),
        ("KC6HPM", "code_check", ["KC6-HPM"]),
    ],
)
def test_refusals_name_the_mistake(typed, code, names):
    with refuses(code, names=names):
        codes.normalise(typed)


@given(st.text(max_size=40))
def test_any_text_gives_a_code_or_a_refusal(text):
    try:
        code = codes.normalise(text)
    except ValidationError:
        return
    assert mod_37_36.is_valid(code) and set(code) <= set(codes.ALPHABET)


@pytest.mark.parametrize("code", CODES)
def test_another_reader_reads_the_address_from_the_qr_code(code):
    address = codes.label_address(code, "http://192.168.1.20:8000")
    picture = io.BytesIO()
    segno.make_qr(address, error="m").save(picture, kind="png", scale=8, border=4)
    pixels = cv2.imdecode(np.frombuffer(picture.getvalue(), np.uint8), cv2.IMREAD_GRAYSCALE)
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(pixels)
    assert text == address
    assert codes.normalise(text) == code


def test_capitals_make_a_smaller_qr_code():
    address = codes.label_address(CODES[0], "http://printshop.example:8000")
    capitals, small = segno.make_qr(address, error="m"), segno.make_qr(address.lower(), error="m")
    assert (capitals.mode, small.mode) == ("alphanumeric", "byte")
    assert capitals.version < small.version


def test_the_svg_draws_the_qr_code_with_its_quiet_zone():
    address = codes.label_address(CODES[0], "http://printshop.example")
    svg = codes.qr_svg(address)
    modules = segno.make_qr(address, error="m").symbol_size(border=4)[0]
    assert svg.startswith(f'<svg viewBox="0 0 {modules} {modules}"')
    assert CODES[0] not in svg


def test_nothing_of_the_text_gets_into_the_svg():
    assert "script" not in codes.qr_svg("<script>alert(1)</script>")
