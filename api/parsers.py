"""Bodies that the interface reads: JSON, and a logger's CSV file, bare or as a form's file."""

from io import BytesIO
from typing import Any

from django.utils.translation import gettext as _
from rest_framework import parsers
from rest_framework.exceptions import ParseError


class JSONParser(parsers.JSONParser):
    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        try:
            return super().parse(stream, media_type, parser_context)
        except RecursionError:
            raise ParseError(_("The JSON is nested too deeply.")) from None


class CSVParser(parsers.BaseParser):
    """Hands the body over as a file; the view has checked its length."""

    media_type = "text/csv"

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        return {"file": BytesIO(stream.read())}


class JSONFileParser(CSVParser):
    """Hands JSON over as a file, as it came."""

    media_type = "application/json"
