"""Tests compare the code of a refusal, so that its wording can change."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from django.core.exceptions import ValidationError

from spools.refusals import codes_of


@contextmanager
def refuses(code: str) -> Iterator[pytest.ExceptionInfo[ValidationError]]:
    """Checks that the block is refused for the reason that the code names."""
    with pytest.raises(ValidationError) as caught:
        yield caught
    assert code in codes_of(caught.value), caught.value
