"""Numbers as people read them."""

import pytest

from pages.templatetags.sensible import sensible


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "not known"),
        ("12-16", "12-16"),
        (0, "0"),
        (0.38, "0.38"),
        (2.5001, "2.5"),
        (1234.4, "1234"),
        (4e-13, "4·10⁻¹³"),
        (-2.55e-4, "-2.55·10⁻⁴"),
    ],
)
def test_sensible_digits(value, text):
    assert sensible(value) == text
