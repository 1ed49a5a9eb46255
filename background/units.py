"""The units that numbers are shown in, held like the active language; all that is stored or sent stays in °C, g and mm."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

METRIC, CUSTOMARY = "metric", "customary"
UNITS = [(METRIC, "°C, g, mm"), (CUSTOMARY, "°F, oz, in")]

_active: ContextVar[str] = ContextVar("units", default=METRIC)


def activate_units(units: str) -> None:
    """From now on numbers are shown in these units in this thread."""
    _active.set(units if units == CUSTOMARY else METRIC)


def are_units_customary() -> bool:
    """Whether numbers are shown in °F, oz and in."""
    return _active.get() == CUSTOMARY


@contextmanager
def use_units(units: str) -> Iterator[None]:
    """Numbers are shown in these units inside the block."""
    token = _active.set(units if units == CUSTOMARY else METRIC)
    try:
        yield
    finally:
        _active.reset(token)
