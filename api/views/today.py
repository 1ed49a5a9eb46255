from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from api.serializers.today import TodaySerializer
from api.views.base import Endpoint, respond
from maintenance.today import build_today


class Now(Endpoint):
    """Materials that may be printed now, with toolhead and spool; when the others become ready; what is due."""

    serializer_class = TodaySerializer
    pagination_class = None

    @extend_schema(responses=TodaySerializer)
    def show(self, request: Request) -> Response:
        return respond(TodaySerializer, build_today())
