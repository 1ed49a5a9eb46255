"""Notices at the top of the next page. Each has its level as a tag, and a refusal also the codes of its reasons."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest


def notify_refused(request: HttpRequest, error: ValidationError) -> None:
    """Show a refusal on the next page, where no form can show it."""
    by_field = error.error_dict.values() if hasattr(error, "error_dict") else [error.error_list]
    codes = [str(reason.code) for reasons in by_field for reason in reasons]
    messages.error(request, " ".join(error.messages), extra_tags=" ".join(codes))
