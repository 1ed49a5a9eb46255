"""Numbers and times as people write them."""

from datetime import UTC, datetime

import pytest
from django import forms
from django.test import override_settings
from django.utils import timezone

from pages.frame.forms import WhenField, number
from spools.limits import CORE_G


class _Form(forms.Form):
    mass_g = number("Mass", "g", required=False, limits=CORE_G)
    when = WhenField()


def _code(form: forms.Form, field: str) -> str:
    return str(form.errors.as_data()[field][0].code)


@pytest.mark.parametrize(
    ("text", "value"), [("0,4", 0.4), ("0.4", 0.4), ("0,125", 0.125), (" 1200,5 ", 1200.5), ("-3,25", -3.25)]
)
def test_a_comma_or_a_point_stands_before_decimals(text, value):
    assert number("Mass").clean(text) == value


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("1,000", "comma_unclear"),
        ("1,234.5", "invalid"),
        ("1,2,3", "invalid"),
        ("nan", "invalid"),
        ("99999", "max_value"),
    ],
)
def test_what_is_no_number_or_may_be_two_is_refused(text, code):
    assert _code(_Form({"mass_g": text}), "mass_g") == code


@pytest.fixture
def berlin():
    with override_settings(TIME_ZONE="Europe/Berlin"), timezone.override("Europe/Berlin"):
        yield


def test_an_hour_that_the_clocks_showed_twice_is_asked_about(berlin):
    form = _Form({"when": "2026-10-25T02:30"})
    assert _code(form, "when") == "which_hour"
    assert 'name="when_hour"' in str(form["when"])
    for hour, utc in (("0", 0), ("1", 1)):
        form = _Form({"when": "2026-10-25T02:30", "when_hour": hour})
        assert form.is_valid() and form.cleaned_data["when"] == datetime(2026, 10, 25, utc, 30, tzinfo=UTC)
    # On another day there is nothing to choose.
    form = _Form({"when": "2026-10-26T02:30", "when_hour": "1"})
    assert form.is_valid() and form.cleaned_data["when"] == datetime(2026, 10, 26, 1, 30, tzinfo=UTC)
    assert "when_hour" not in str(form["when"])


def test_an_hour_that_the_clocks_skipped_is_refused(berlin):
    assert _code(_Form({"when": "2026-03-29T02:30"}), "when") == "no_such_hour"
    assert _code(_Form({"when": "soon"}), "when") == "invalid"
    assert _Form({"when": ""}).is_valid()
