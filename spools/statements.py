"""Statements: answers as data, each a code with its values; the words come last, when a door renders them.

A statement is stored and sent as it is. Its sentence is made by the function that is registered for its code, so
a page, a message and the API say the same, and a script compares codes and numbers. The modules of words are
imported when the apps are ready.
"""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

# A number, a text that names something of the shop, or a list or mapping of these: what JSON can hold. The names
# of numbers end in their unit (``mass_g``, ``limit_pct``); times are ISO 8601 texts.
Values = Mapping[str, Any]
Words = Callable[..., str]

_words: dict[str, Words] = {}


@dataclass(frozen=True)
class Statement:
    """An answer: its code ("moisture.over_limit") and the values that its sentence names."""

    code: str
    values: Values = field(default_factory=dict)

    def as_data(self) -> dict[str, Any]:
        """The stored and sent form."""
        return asdict(self)

    def with_sentence(self) -> dict[str, Any]:
        """Its data and its sentence, for a receiver outside."""
        return self.as_data() | {"sentence": self.sentence}

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> "Statement":
        return cls(data["code"], data["values"])

    @property
    def sentence(self) -> str:
        """In words, for a person."""
        return render(self)


def words_for(*codes: str) -> Callable[[Words], Words]:
    """Registers a function as the words of statements: it takes their values by name and returns a sentence."""

    def register(function: Words) -> Words:
        for code in codes:
            if code in _words:
                raise ValueError(f"{code} has words already")
            _words[code] = function
        return function

    return register


def join(*statements: Statement) -> Statement:
    """Several statements as one, in their order."""
    if len(statements) == 1:
        return statements[0]
    return Statement("joined", {"statements": [statement.as_data() for statement in statements]})


def render(statement: Statement) -> str:
    """The sentence of a statement. KeyError: no words are registered for its code."""
    return _words[statement.code](**statement.values)


@words_for("joined")
def _joined(statements: list[dict[str, Any]]) -> str:
    return " ".join(Statement.from_data(data).sentence for data in statements)


def title_of(statement: Statement) -> str:
    """Its title, where the code has one: the words of the code with ".title", for the same values."""
    return _words[f"{statement.code}.title"](**statement.values)


def list_codes() -> frozenset[str]:
    """All codes that have words."""
    return frozenset(_words)
