"""Refusals: errors that say what to do, each with a code for scripts and tests."""

from django.core.exceptions import ValidationError


def refusal(code: str, message: str, field: str = "") -> ValidationError:
    """The error to raise when an input is impossible or an act is not allowed now.

    code: names the reason and stays the same when the wording changes. message: a sentence for a person that says
    what to do. field: the input concerned; empty for the act as a whole.
    """
    error = ValidationError(message, code=code)
    return ValidationError({field: error}) if field else error


def list_reasons(error: ValidationError) -> list[dict[str, str]]:
    """Field, code and message of each reason of a refusal, as the API answers them."""
    by_field = error.error_dict if hasattr(error, "error_dict") else {"": error.error_list}
    whole = ("__all__", "non_field_errors")
    return [
        {"field": "" if name in whole else str(name), "code": reason.code or "invalid", "message": message}
        for name, reasons in by_field.items()
        for reason in reasons
        for message in reason.messages
    ]
