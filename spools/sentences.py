"""Sentences of statements as templates that name the values."""

import re
from collections.abc import Mapping
from datetime import datetime
from functools import partial
from string import Formatter
from typing import Any

from django.utils.translation import gettext

from spools.codes import join_codes
from spools.statements import Statement, words_for
from spools.wording import (
    format_chance,
    format_count,
    format_day,
    format_duration,
    format_mass,
    format_number,
    format_percent,
    format_temperature,
    format_temperature_difference,
    format_time,
    write_decimals,
)

# The words of the units of amounts, by code.
_units: dict[str, Any] = {}
_OPTIONAL = re.compile(r"\[(?:(\w+)\?)?([^]|]*)\|?([^]]*)\]")


class _Sentences(Formatter):
    """Fills templates.

    Brackets hold an optional part, "[ in {days} days]": where a value that it names is none, 0 or false, it is left
    out, or the text after a bar stands there instead, "[{days} days|today]". "[late?late|in time]" names the value
    in front.

    A conversion turns a value into words: !c the code of a spool, or codes of several; !d the day of an ISO 8601 time; !g
    a name of the catalogue in the active language; !h hours as a duration; !k a difference of temperatures in K; !l a
    chance in %; !m a mass in g; !n a number as exact as on the pages; !o a temperature in °C; !p a share as %; !t an ISO
    8601 time; !u the code of a unit; !w a statement. !k, !m and !o show the active units; the language writes the
    decimal sign of all numbers.
    """

    def vformat(self, template: str, args: Any, values: Any) -> str:
        def keep(part: re.Match[str]) -> str:
            condition, present, absent = part.groups()
            names = [condition] if condition else [name for _, name, _, _ in self.parse(present) if name]
            return present if all(values[name] for name in names) else absent

        return super().vformat(_OPTIONAL.sub(keep, template), args, values)

    def convert_field(self, value: Any, conversion: Any) -> Any:
        match conversion:
            case "c":
                return join_codes([value] if isinstance(value, str) else value)
            case "d":
                return format_day(datetime.fromisoformat(value))
            case "g":
                # The translation of an empty text is the header of the catalogue.
                return value and gettext(value)
            case "h":
                return format_duration(value)
            case "k":
                return format_temperature_difference(value)
            case "l":
                return format_chance(value)
            case "m":
                return format_mass(value)
            case "n":
                return format_number(value)
            case "o":
                return format_temperature(value)
            case "p":
                return format_percent(100 * value)
            case "t":
                return format_time(datetime.fromisoformat(value))
            case "u":
                return format_unit(value)
            case "w":
                return Statement.from_data(value).sentence
        return super().convert_field(value, conversion)

    def format_field(self, value: Any, format_spec: str) -> str:
        if format_spec == ",":
            return format_count(value)
        text = super().format_field(value, format_spec)
        return write_decimals(text) if isinstance(value, float) else text


def register_units(words: Mapping[str, Any]) -> None:
    """Register the words of units, for sentences and pages."""
    _units.update(words)


def format_unit(unit: str) -> str:
    """A unit in words. KeyError: no words are registered for its code."""
    return str(_units[unit])


def register_sentences(templates: Mapping[str, Any]) -> None:
    """Register a template, a text or a gettext_lazy, as the sentence of each of these codes."""
    for code, template in templates.items():
        words_for(code)(partial(fill, template))


def fill(template: Any, /, **values: Any) -> str:
    """A template with these values, see _Sentences."""
    return _Sentences().format(str(template), **values)
