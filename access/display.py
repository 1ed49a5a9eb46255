"""Language and units as a person chose them: stored in the browser and on the account, see docs/translation.md."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils import translation

from access.models import User
from background.units import METRIC, UNITS, activate_units, use_units

UNITS_COOKIE = "units"


def display_middleware(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Shows pages as the account asks for, else as the browser does.

    Inside LocaleMiddleware, which has activated the language of the browser (cookie, Accept-Language, English).
    """

    def middleware(request: HttpRequest) -> HttpResponse:
        user = request.user
        units = request.COOKIES.get(UNITS_COOKIE, METRIC)
        if user.is_authenticated:
            if is_offered(user.language):
                translation.activate(user.language)
                request.LANGUAGE_CODE = user.language
            units = user.units or units
        activate_units(units)
        return get_response(request)

    return middleware


def is_offered(language: str) -> bool:
    return language in dict(settings.LANGUAGES)


@contextmanager
def shown_for(user: User | None) -> Iterator[None]:
    """Texts and numbers inside the block are written as this person reads them; None: as the shop does."""
    language = user.language if user is not None else ""
    units = user.units if user is not None else ""
    if not is_offered(language):
        language = settings.SHOP_LANGUAGE
    with translation.override(language), use_units(units or settings.SHOP_UNITS):
        yield


def store_display(request: HttpRequest, response: HttpResponse, language: str, units: str) -> None:
    """Store the choice in this browser, and on the account of whoever is signed in."""
    for name, value in ((settings.LANGUAGE_COOKIE_NAME, language), (UNITS_COOKIE, units)):
        response.set_cookie(
            name,
            value,
            max_age=settings.LANGUAGE_COOKIE_AGE,
            secure=settings.LANGUAGE_COOKIE_SECURE,
            httponly=True,
            samesite="Lax",
        )
    if request.user.is_authenticated:
        User.objects.filter(pk=request.user.pk).update(language=language, units=units)


def units_now(request: HttpRequest) -> str:
    """The units of this request, one of UNITS."""
    units = (request.user.units if request.user.is_authenticated else "") or request.COOKIES.get(UNITS_COOKIE)
    return units if units in dict(UNITS) else METRIC
