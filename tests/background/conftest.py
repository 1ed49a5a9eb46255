from collections.abc import Iterator

import pytest

from tests.background.registry import registered_work


@pytest.fixture
def empty_registry() -> Iterator[None]:
    """No background work but what the test registers."""
    with registered_work():
        yield
