"""A verdict: the checks of a spool on a toolhead, and the worst state among them."""

from dataclasses import dataclass

CLEAR, CAUTION, HOLD = "clear", "caution", "hold"
STATES = [CLEAR, CAUTION, HOLD]
# Probabilities above which something is taken as likely, and as possible (design/verdicts).
LIKELY, POSSIBLE = 0.8, 0.2


@dataclass(frozen=True)
class ReadinessCheck:
    """One answer: its state, a sentence with number and limit, and what to do about it.

    action: the remedy as a key, for a button: "dry", "weigh", "replace", "fit", "wait", "other_printer",
    "other_spool", "change_job", "check_flow", "ventilate", "service", "clean" or "purge"; "" where nothing
    needs doing.
    """

    name: str
    state: str
    sentence: str
    remedy: str = ""
    action: str = ""


@dataclass(frozen=True)
class Verdict:
    """All checks of a pair, in the order of RULES."""

    checks: list[ReadinessCheck]

    @property
    def state(self) -> str:
        """The worst of the checks; without any nothing is known, which is a caution."""
        return max((check.state for check in self.checks), key=STATES.index, default=CAUTION)

    @property
    def reasons(self) -> list[ReadinessCheck]:
        """The checks that are not clear, the worst first."""
        unclear = [check for check in self.checks if check.state != CLEAR]
        return sorted(unclear, key=lambda check: -STATES.index(check.state))

    @property
    def holds(self) -> list[ReadinessCheck]:
        return [check for check in self.checks if check.state == HOLD]
