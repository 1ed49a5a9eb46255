"""Lists of spools from a spreadsheet, received as a whole."""

from django.utils.translation import gettext as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.parsers import CSVParser
from api.serializers import spools as serializers
from api.views.base import Endpoint, respond
from spools.inventory.listed import COLUMNS, receive_list
from spools.models import Spool
from spools.refusals import refusal


class SpoolLists(Endpoint):
    """Spools as lines of a CSV file."""

    queryset = Spool.objects.none()
    serializer_class = serializers.ListedSerializer
    parser_classes = [CSVParser, MultiPartParser]

    @extend_schema(
        request={"text/csv": OpenApiTypes.STR, "multipart/form-data": serializers.ListFileSerializer},
        parameters=[
            OpenApiParameter("place", int, description="of lines that name none"),
            OpenApiParameter("preview", bool, description="look it through and store nothing"),
        ],
        responses={201: serializers.ListedSerializer(many=True)},
        description=f"A spool for each line, with makers and feedstocks that are new. Columns: {', '.join(COLUMNS)}. "
        "One bad line refuses all, and each is named.",
    )
    def create(self, request: Request) -> Response:
        options = parse(serializers.ListOptionsSerializer, request.query_params.dict())
        file, preview = request.data.get("file"), options.get("preview", False)
        if not hasattr(file, "read"):
            raise refusal(
                "file_missing", _("Send the CSV file as the body, or as the form's field file."), "file"
            )
        listed = receive_list(file, options.get("place"), by=request.user, preview=preview)
        context = {"preview": preview}
        return respond(serializers.ListedSerializer, listed, 201, many=True, context=context)
