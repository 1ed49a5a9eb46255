"""Notices at the top of the next page. Each has its level as a tag, and a refusal also the codes of its reasons."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest


def notify_result(request: HttpRequest, act: Callable[[], Any], message: str) -> None:
    """Call act() and show the message on the next page, or the refusal: for a button without a form."""
    try:
        act()
    except ValidationError as error:
        notify_refused(request, error)
    else:
        # It has no form whose former values would be the way back, see undo.
        request.applied_form = None  # type: ignore[attr-defined]
        messages.success(request, message)


def notify_refused(request: HttpRequest, error: ValidationError) -> None:
    """Show a refusal on the next page, where no form can show it."""
    by_field = error.error_dict.values() if hasattr(error, "error_dict") else [error.error_list]
    codes = [str(reason.code) for reasons in by_field for reason in reasons]
    messages.error(request, " ".join(error.messages), extra_tags=" ".join(codes))
