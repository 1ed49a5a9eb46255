"""Forms that are sent twice, by a second tap or from an old page, record once and lead to the same page."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.utils.translation import gettext as _

from spools.edits.idempotency import MAX_KEY_LENGTH, KeyedRequest, KeyReused, answer_once

FIELD = "form_key"
NOT_CONTENT = {FIELD, "csrfmiddlewaretoken"}


class SentTwiceMiddleware:
    """Replays the redirect of a form that was sent before; see the template tag form_key."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponse], args: Any, kwargs: Any
    ) -> HttpResponse | None:
        key = request.POST.get(FIELD, "") if request.method == "POST" else ""
        if not 0 < len(key) <= MAX_KEY_LENGTH or request.FILES or not request.user.is_authenticated:
            return None
        values = {name: inputs for name, inputs in request.POST.lists() if name not in NOT_CONTENT}
        sent = KeyedRequest(request.user, request.path, key, values)

        def replay(status: int, address: str) -> HttpResponse:
            messages.info(
                request, _("This form was sent before. It was recorded once."), extra_tags="sent_before"
            )
            return HttpResponseRedirect(address)

        try:
            return answer_once(sent, lambda: view(request, *args, **kwargs), _redirect_address, replay)
        except KeyReused:
            # A person who went back to a sent form and changed it may want a second record.
            repeated = [(name, value) for name, inputs in values.items() for value in inputs]
            return render(request, "frame/sent_before.html", {"values": repeated}, status=422)


def _redirect_address(response: HttpResponse) -> tuple[int, str] | None:
    """A redirect follows what was recorded; a page that is shown again recorded nothing."""
    return (302, response["Location"]) if response.status_code == 302 else None
