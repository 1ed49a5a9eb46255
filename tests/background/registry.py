"""Background work for a single test."""

from collections.abc import Iterator
from contextlib import contextmanager

from background.queue import REGISTRY


@contextmanager
def registered_work(*names: str) -> Iterator[None]:
    """Only the work of these names is registered, and what the test registers itself."""
    everything = dict(REGISTRY)
    for name in everything.keys() - set(names):
        del REGISTRY[name]
    try:
        yield
    finally:
        REGISTRY.clear()
        REGISTRY.update(everything)
