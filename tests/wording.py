"""Checks that every code of a wording module is rendered with real values."""

from collections.abc import Mapping
from typing import Any

from spools.statements import Statement, list_codes

# By code: the values of a statement, and its sentence.
Examples = Mapping[str, tuple[Mapping[str, Any], str]]


def assert_words(examples: Examples, *subjects: str) -> None:
    """The examples give the words of all codes of these subjects, the part of a code before its first point."""
    codes = {code for code in list_codes() if code.partition(".")[0] in subjects}
    assert {code for code in codes if not code.endswith((".short", ".why"))} == set(examples)
    rendered = {code: Statement(code, values).sentence for code, (values, _) in examples.items()}
    assert rendered == {code: sentence for code, (_, sentence) in examples.items()}
