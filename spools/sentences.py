"""Sentences of statements as templates that name the values, for codes whose sentence needs no condition."""

from collections.abc import Mapping
from datetime import datetime
from functools import partial
from string import Formatter
from typing import Any

from spools.codes import join_codes
from spools.statements import Statement, words_for
from spools.wording import format_day, format_duration, format_number, format_time


class _Sentences(Formatter):
    """Fills templates.

    A conversion turns a value into words: !c the code of a spool, or codes of several; !d the day of an ISO 8601 time; !h
    hours as a duration; !n a number as exact as on the pages; !p a share as %; !t an ISO 8601 time; !w a statement.
    """

    def convert_field(self, value: Any, conversion: Any) -> Any:
        match conversion:
            case "c":
                return join_codes([value] if isinstance(value, str) else value)
            case "d":
                return format_day(datetime.fromisoformat(value))
            case "h":
                return format_duration(value)
            case "n":
                return format_number(value)
            case "p":
                return f"{100 * value:.0f} %"
            case "t":
                return format_time(datetime.fromisoformat(value))
            case "w":
                return Statement.from_data(value).sentence
        return super().convert_field(value, conversion)


def register_sentences(templates: Mapping[str, str]) -> None:
    """Register a template as the sentence of each of these codes."""
    for code, template in templates.items():
        words_for(code)(partial(_Sentences().format, template))
