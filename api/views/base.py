"""What all endpoints share: JSON in and out, a token, a size limit, pages."""

from typing import Any

from django.conf import settings
from rest_framework import mixins, viewsets
from rest_framework.pagination import LimitOffsetPagination
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer

from api.errors import TooLarge
from api.parsers import JSONParser
from api.schema import AutoSchema


class Pages(LimitOffsetPagination):
    max_limit = 500


class Endpoint(viewsets.GenericViewSet):
    """Base of every endpoint. Rows are added and corrected, never deleted."""

    parser_classes = [JSONParser]
    renderer_classes = [JSONRenderer]
    pagination_class: type[Pages] | None = Pages
    schema = AutoSchema()
    http_method_names = ["get", "post", "patch", "head", "options"]

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        if int(request.META.get("CONTENT_LENGTH") or 0) > self.most_bytes():
            raise TooLarge

    def most_bytes(self) -> int:
        """The longest body that is taken."""
        return settings.DATA_UPLOAD_MAX_MEMORY_SIZE


class Kept(
    mixins.ListModelMixin,
    mixins.RetrieveModelMixin,
    mixins.CreateModelMixin,
    mixins.UpdateModelMixin,
    Endpoint,
):
    """Rows that people add and correct. Answered as they were read back, with what hangs on them."""

    def perform_create(self, serializer: BaseSerializer) -> None:
        serializer.save()
        serializer.instance = self.get_queryset().get(pk=serializer.instance.pk)

    def perform_update(self, serializer: BaseSerializer) -> None:
        self.perform_create(serializer)


def shown(serializer: type[BaseSerializer], facts: Any, status: int = 200, **kwargs: Any) -> Response:
    return Response(serializer(facts, **kwargs).data, status=status)
