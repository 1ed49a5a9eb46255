"""Statements: answers as data, a code with values; pages, messages and the API render the sentence.

A statement is stored and sent as data. The function that is registered for its code builds its sentence, so a
page, a message and the API show the same one, and a script compares codes and numbers. The modules of words are
imported when the apps are ready.
"""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

# Numbers, names of things in the shop, and lists or mappings of these, as JSON holds them. The names of numbers
# end in their unit (``mass_g``, ``limit_pct``); times are ISO 8601 texts.
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
        """The statement in words, for a person."""
        return render(self)

    @property
    def title(self) -> str:
        """Its title: the words that are registered for its code with ".title". KeyError: none."""
        return _words[f"{self.code}.title"](**self.values)

    @property
    def short(self) -> str:
        """Its one number: the words that are registered for its code with ".short", else the sentence."""
        words = _words.get(f"{self.code}.short") or _words[self.code]
        return words(**self.values)


def words_for(*codes: str) -> Callable[[Words], Words]:
    """Register a function that builds the sentence of these codes from the values of a statement, passed by name."""

    def register(function: Words) -> Words:
        for code in codes:
            if code in _words:
                raise ValueError(f"{code} has words already")
            _words[code] = function
        return function

    return register


def join(*statements: Statement) -> Statement:
    """Join statements into one, in their order."""
    if len(statements) == 1:
        return statements[0]
    return Statement("joined", {"statements": [statement.as_data() for statement in statements]})


def render(statement: Statement) -> str:
    """The sentence of a statement. KeyError: no words are registered for its code."""
    return _words[statement.code](**statement.values)


@words_for("joined")
def _joined(statements: list[dict[str, Any]]) -> str:
    return " ".join(Statement.from_data(data).sentence for data in statements)


def list_codes() -> frozenset[str]:
    """All codes that have words."""
    return frozenset(_words)
