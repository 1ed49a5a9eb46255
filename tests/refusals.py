"""Tests compare the code of a refusal, so that its wording can change."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from django.core.exceptions import ValidationError


def codes_of(error: ValidationError) -> set[str]:
    """The codes of all reasons that a refusal has."""
    errors = [*error.error_dict.values()] if hasattr(error, "error_dict") else [error.error_list]
    return {str(reason.code) for reasons in errors for reason in reasons}


@contextmanager
def refuses(code: str) -> Iterator[pytest.ExceptionInfo[ValidationError]]:
    """Checks that the block is refused for the reason that the code names."""
    with pytest.raises(ValidationError) as caught:
        yield caught
    assert code in codes_of(caught.value), caught.value
