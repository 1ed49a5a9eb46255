"""The OpenAPI schema: the same for everybody until the program changes."""

from functools import cache
from threading import Lock
from typing import Any

from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from drf_spectacular.views import SpectacularAPIView
from rest_framework.request import Request

_building = Lock()


class SchemaView(SpectacularAPIView):
    """Built once in each form, by one request while others wait: it takes half a second, and needs no account."""

    @extend_schema(exclude=True)
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        renderer: Any = request.accepted_renderer
        with _building:
            content = _build(type(renderer))  # type: ignore[arg-type]
        return HttpResponse(content, content_type=f"{renderer.media_type}; charset=utf-8")


@cache
def _build(renderer: type[Any]) -> bytes:
    generator = SchemaView.generator_class(urlconf=SchemaView.urlconf)
    return renderer().render(generator.get_schema(request=None, public=True), renderer_context={})
