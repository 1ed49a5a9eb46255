"""The service worker and the manifest: the program on a phone's home screen, and its last board without a connection."""

from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.templatetags.static import static
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_safe


@require_safe
@cache_control(no_cache=True)
def worker(request: HttpRequest) -> HttpResponse:
    """The service worker, at the root of the site: it serves what lies under its own address."""
    script = settings.BASE_DIR / "static" / "worker.js"
    return HttpResponse(script.read_bytes(), content_type="text/javascript; charset=utf-8")


@require_safe
@cache_control(no_cache=True)
def manifest(request: HttpRequest) -> HttpResponse:
    """The web app manifest (W3C): name, icons and the first page."""
    icons = [
        {"src": static(f"icon-{size}.png"), "sizes": f"{size}x{size}", "type": "image/png"}
        for size in (192, 512)
    ]
    pages = [("scan", _("Scan")), ("spools-move", _("Move several")), ("drying", _("Drying"))]
    content = {
        "name": "Loadworthy",
        "short_name": "Loadworthy",
        "start_url": reverse("today"),
        "scope": "/",
        "display": "standalone",
        "background_color": "#fffdf9",
        "theme_color": "#1d5a6b",
        "icons": icons,
        "shortcuts": [{"name": name, "url": reverse(page)} for page, name in pages],
    }
    return JsonResponse(content, content_type="application/manifest+json")
