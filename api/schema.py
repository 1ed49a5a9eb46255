"""Adds to the OpenAPI schema of every operation: its refusals, and that unknown fields are refused."""

from typing import Any

from drf_spectacular.openapi import AutoSchema as BaseSchema
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers

from api.fields import StrictSerializer
from spools.edits.idempotency import MAX_KEY_LENGTH

REFUSALS = {
    "400": "Something in the request is wrong; the message says what. Nothing was stored.",
    "401": "The token is missing or not known.",
    "403": "The role of the account does not include this.",
    "404": "There is no such thing.",
    "406": "The header Accept admits no form that this address has.",
    "409": "It clashes with something recorded at the same moment.",
    "412": "Somebody else changed it since the version in If-Match; present is how it is stored now.",
    "413": "The body is too large.",
    "415": "The body's media type is not understood.",
    "422": "The Idempotency-Key was sent before with other content.",
    "429": "Too many tries; wait as long as Retry-After says.",
    "503": "Other passwords are tested just now; wait as long as Retry-After says.",
}


IDEMPOTENCY_KEY = OpenApiParameter(
    "Idempotency-Key",
    {"type": "string", "minLength": 1, "maxLength": MAX_KEY_LENGTH},
    OpenApiParameter.HEADER,
    description="Any text, new for each request. Sent again within a week with the same content, the request "
    "is not carried out again and has the first answer.",
)


IF_MATCH = OpenApiParameter(
    "If-Match",
    str,
    OpenApiParameter.HEADER,
    description="The ETag with which the row was read. The change is refused if somebody else changed it since.",
)


class ErrorSerializer(serializers.Serializer):
    field = serializers.CharField(help_text="dotted name of the input that was wrong, or empty")
    code = serializers.CharField(help_text="name of the reason; stays the same when the wording changes")
    message = serializers.CharField(help_text="a sentence for a person that says what to do")


class ErrorsSerializer(serializers.Serializer):
    errors = ErrorSerializer(many=True)


class AutoSchema(BaseSchema):
    def _map_basic_serializer(self, serializer: Any, direction: Any) -> Any:
        shape = super()._map_basic_serializer(serializer, direction)
        if direction == "request" and isinstance(serializer, StrictSerializer):
            shape["additionalProperties"] = False
        return shape

    def get_override_parameters(self) -> list[Any]:
        return [IDEMPOTENCY_KEY] * self._takes_key() + [IF_MATCH] * (self.method == "PATCH")

    def _takes_key(self) -> bool:
        return self.method == "POST" and getattr(self.view, "idempotent", False)

    def _get_response_bodies(self, direction: Any = "response") -> Any:
        bodies = super()._get_response_bodies(direction)
        for code, meaning in REFUSALS.items():
            if self._may_refuse_with(code):
                body = self._get_response_for_code(ErrorsSerializer, code, self.map_renderers("media_type"))
                bodies.setdefault(code, body | {"description": meaning})
        return bodies

    def _may_refuse_with(self, code: str) -> bool:
        match code:
            case "401" | "403":
                return bool(self.view.authentication_classes)
            case "404":
                return "{" in self.path
            case "409" | "413" | "415":
                return self.method != "GET"
            case "412":
                return self.method == "PATCH"
            case "422":
                return self._takes_key()
            case "429" | "503":
                return getattr(self.view, "tests_passwords", False)
        return True
