"""A verdict: the checks of a spool on a toolhead, and the worst state among them."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec

from spools.statements import Statement

CLEAR, CAUTION, HOLD = "clear", "caution", "hold"
STATES = [CLEAR, CAUTION, HOLD]
# Probabilities above which something is taken as likely, and as possible.
LIKELY, POSSIBLE = 0.8, 0.2


@dataclass(frozen=True)
class Remedy:
    """An act that ends a caution or a hold.

    action: its kind as a key, for a button: "dry", "weigh", "replace", "fit", "wait", "other_printer",
    "other_spool", "change_job", "check_flow", "ventilate", "service", "clean", "purge" or "record".
    """

    action: str
    statement: Statement

    @property
    def sentence(self) -> str:
        return self.statement.sentence


@dataclass(frozen=True)
class ReadinessCheck:
    """A check: its state, a statement with numbers and limits, and its remedy.

    spool: the code of the spool that it is about, in a job of several; "" in all others. slot: that this spool is in;
    0: its toolhead has no several. decided_by: the unknowns that
    most of its uncertainty comes from, and the measurements that would narrow it; none where it is certain.
    """

    name: str
    state: str
    statement: Statement
    remedy: Remedy | None = None
    spool: str = ""
    slot: int = 0
    decided_by: list[Statement] = field(default_factory=list)

    @property
    def sentence(self) -> str:
        if not self.spool:
            return self.statement.sentence
        values = {"slot": self.slot, "spool": self.spool, "check": self.statement.as_data()}
        return Statement("readiness.of_spool", values).sentence

    @property
    def advice(self) -> str:
        """The sentence and that of the remedy."""
        return f"{self.sentence} {self.remedy.sentence}" if self.remedy else self.sentence


def build_check(
    name: str, state: str, code: str, remedy: Remedy | None = None, /, **values: Any
) -> ReadinessCheck:
    """A check of this subject with the values that its words need."""
    return ReadinessCheck(name, state, Statement(f"readiness.{code}", values), remedy)


def build_remedy(action: str, code: str, /, **values: Any) -> Remedy:
    return Remedy(action, Statement(f"readiness.{code}", values))


def encode_checks(checks: Sequence[ReadinessCheck]) -> list[dict[str, Any]]:
    """Checks as JSON stores them."""
    return msgspec.to_builtins(checks)


def decode_checks(rows: Sequence[dict[str, Any]]) -> list[ReadinessCheck]:
    """Checks as they were stored."""
    return msgspec.convert(rows, list[ReadinessCheck])


@dataclass(frozen=True)
class Verdict:
    """All checks of a pair, in the order of ORDER."""

    checks: list[ReadinessCheck]

    @property
    def state(self) -> str:
        """The worst state of the checks; a caution where there are none."""
        return max((check.state for check in self.checks), key=STATES.index, default=CAUTION)

    @property
    def reasons(self) -> list[ReadinessCheck]:
        """The checks that are not clear, the worst first."""
        unclear = [check for check in self.checks if check.state != CLEAR]
        return sorted(unclear, key=lambda check: -STATES.index(check.state))

    @property
    def holds(self) -> list[ReadinessCheck]:
        return [check for check in self.checks if check.state == HOLD]
