"""What the OpenAPI schema says of every operation: its refusals, and that unknown fields are refused."""

from typing import Any

from drf_spectacular.openapi import AutoSchema as BaseSchema
from rest_framework import serializers

from api.fields import StrictSerializer

REFUSALS = {
    "400": "Something in the request is wrong; the message says what. Nothing was stored.",
    "401": "The token is missing or not known.",
    "404": "There is no such thing.",
    "409": "It clashes with something recorded at the same moment.",
    "413": "The body is too large.",
    "415": "The body's media type is not understood.",
    "429": "Too many tries; wait.",
}


class ErrorSerializer(serializers.Serializer):
    field = serializers.CharField(help_text="dotted name of the input that was wrong, or empty")
    message = serializers.CharField()


class ErrorsSerializer(serializers.Serializer):
    errors = ErrorSerializer(many=True)


class AutoSchema(BaseSchema):
    def _map_basic_serializer(self, serializer: Any, direction: Any) -> Any:
        shape = super()._map_basic_serializer(serializer, direction)
        if direction == "request" and isinstance(serializer, StrictSerializer):
            shape["additionalProperties"] = False
        return shape

    def _get_response_bodies(self, direction: Any = "response") -> Any:
        bodies = super()._get_response_bodies(direction)
        for code, meaning in REFUSALS.items():
            if self._may_refuse_with(code):
                body = self._get_response_for_code(ErrorsSerializer, code, ["application/json"])
                bodies.setdefault(code, body | {"description": meaning})
        return bodies

    def _may_refuse_with(self, code: str) -> bool:
        match code:
            case "401":
                return bool(self.view.authentication_classes)
            case "404":
                return "{" in self.path
            case "409" | "413" | "415":
                return self.method != "GET"
            case "429":
                return bool(self.view.throttle_classes)
        return True
