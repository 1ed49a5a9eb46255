"""The page that a person came from, to which an act leads back."""

from urllib.parse import urlsplit

from django.http import HttpRequest
from django.utils.http import url_has_allowed_host_and_scheme

FIELD = "next"


def find_way_back(request: HttpRequest, default: str) -> str:
    """The local page to go to after the act of a form, which carries it on in a hidden field named FIELD.

    It is asked for in the address, else it is the page with the link; default: where there is none.
    """
    asked = request.POST.get(FIELD) or request.GET.get(FIELD)
    if asked is None and request.method == "GET":
        referer = urlsplit(request.headers.get("Referer", ""))
        same = referer.netloc == request.get_host() and referer.path != request.path
        asked = referer.path + ("?" + referer.query if referer.query else "") if same else None
    is_ours = url_has_allowed_host_and_scheme(asked, None) and (asked or "").startswith("/")
    return asked if asked and is_ours else default
