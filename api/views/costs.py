from drf_spectacular.utils import extend_schema
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.renderers import CsvRenderer
from api.serializers.costs import AskUsageSerializer, UsageSerializer
from api.views.base import Endpoint, respond
from maintenance.costs.usage import load_usage


class UsageReport(Endpoint):
    """Prints, hours, grams and cost of a span by month, material, printer or project."""

    serializer_class = UsageSerializer
    pagination_class = None
    filter_backends: list = []
    renderer_classes = [JSONRenderer, CsvRenderer]

    @extend_schema(parameters=[AskUsageSerializer], responses=UsageSerializer(many=True))
    def show(self, request: Request) -> Response:
        query = {name: value for name, value in request.query_params.items() if name != "format"}
        asked = parse(AskUsageSerializer, query)
        usage = load_usage(asked["by"], asked.get("since"), asked.get("until"))
        return respond(UsageSerializer, usage, many=True)
