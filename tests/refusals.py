"""Tests compare the code of a refusal, so that its wording can change."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager

import pytest
from django.core.exceptions import ValidationError


def reasons_of(error: ValidationError) -> list[tuple[str, str, str]]:
    """The input, the code and the sentence of each reason that a refusal has."""
    by_field = error.error_dict if hasattr(error, "error_dict") else {"": error.error_list}
    return [
        (field, str(reason.code), message)
        for field, reasons in by_field.items()
        for reason in reasons
        for message in reason.messages
    ]


def codes_of(error: ValidationError | None) -> list[str]:
    """The codes of the reasons of a refusal; none without one."""
    return [] if error is None else [code for _, code, _ in reasons_of(error)]


@contextmanager
def refuses(
    code: str, field: str | None = None, *, names: Iterable[str] = ()
) -> Iterator[pytest.ExceptionInfo[ValidationError]]:
    """Checks that the block is refused for the reason that the code names.

    field: the input that the reason is about. names: numbers with their units, times and names of things that the
    sentence has to give, such as the limit; never its words.
    """
    with pytest.raises(ValidationError) as caught:
        yield caught
    reasons = reasons_of(caught.value)
    found = [message for at, its, message in reasons if its == code and field in (None, at)]
    assert found, reasons
    assert any(all(name in message for name in names) for message in found), found
