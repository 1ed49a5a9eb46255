"""Tables of the shop as files: sent as a stream, read in as a whole."""

from collections.abc import Iterator

from django.http import StreamingHttpResponse
from django.utils.translation import gettext as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.parsers import MultiPartParser
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.parsers import CSVParser, JSONFileParser
from api.renderers import CsvRenderer
from api.serializers import files as serializers
from api.views.base import Endpoint, respond
from maintenance.files.kinds import KINDS
from spools.files.formats import read_file, write_csv, write_json
from spools.files.loading import ShopChanged, load_file
from spools.models import Spool
from spools.refusals import refusal

OPTIONS = [
    OpenApiParameter("preview", bool, description="look it through and store nothing"),
    OpenApiParameter(
        "digest", str, description="of the outcome that was looked through; another one is refused"
    ),
    OpenApiParameter("place", int, description="of spools that name none"),
]


class Files(Endpoint):
    """Rows of one kind as CSV or JSON. The columns are in docs/neighbours/files.md and on the page of files."""

    queryset = Spool.objects.none()
    serializer_class = serializers.FileOutcomeSerializer
    parser_classes = [CSVParser, JSONFileParser, MultiPartParser]
    pagination_class = None
    kind = "places"

    def get_renderers(self) -> list:
        return [JSONRenderer()] if self.request.method == "POST" else [JSONRenderer(), CsvRenderer()]

    @extend_schema(
        parameters=[OpenApiParameter("spreadsheet", bool, description="with a byte order mark")],
        responses={(200, "text/csv"): OpenApiTypes.STR},
    )
    def send_csv(self, request: Request) -> StreamingHttpResponse:
        """All rows as CSV, without pages."""
        options = parse(serializers.WritingSerializer, request.query_params.dict())
        text = write_csv(KINDS[self.kind](), for_spreadsheet=options.get("spreadsheet", False))
        return self._stream(text, "csv", "text/csv; charset=utf-8")

    @extend_schema(responses={(200, "application/json"): OpenApiTypes.OBJECT})
    def send_json(self, request: Request) -> StreamingHttpResponse:
        """All rows as one object of JSON, without pages."""
        return self._stream(write_json(KINDS[self.kind]()), "json", "application/json")

    def _stream(self, text: Iterator[str], ending: str, media_type: str) -> StreamingHttpResponse:
        name = f'attachment; filename="{self.kind}.{ending}"'
        return StreamingHttpResponse(text, content_type=media_type, headers={"Content-Disposition": name})

    @extend_schema(
        request={
            "text/csv": OpenApiTypes.STR,
            "application/json": OpenApiTypes.OBJECT,
            "multipart/form-data": serializers.FileSerializer,
        },
        parameters=OPTIONS,
        responses={200: serializers.FileOutcomeSerializer, 409: serializers.FileOutcomeSerializer},
        description="Adds and changes what its rows state, all of them or none; each bad line is named.",
    )
    def load(self, request: Request) -> Response:
        options = parse(serializers.LoadingSerializer, request.query_params.dict())
        file, preview = request.data.get("file"), options.get("preview", False)
        if not hasattr(file, "read"):
            sentence = _("Send the CSV or JSON file as the body, or as the form's field file.")
            raise refusal("file_missing", sentence, "file")
        kind = KINDS[self.kind](by=request.user, place=options.get("place"))
        try:
            outcome = load_file(
                kind, read_file(kind, file), preview=preview, expected=options.get("digest", "")
            )
        except ShopChanged as error:
            errors = [{"field": "digest", "code": error.code, "message": error.messages[0]}]
            present = serializers.FileOutcomeSerializer(error.outcome).data
            return Response({"errors": errors, "present": present}, status=409)
        return respond(serializers.FileOutcomeSerializer, outcome)
