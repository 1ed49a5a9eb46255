from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.authtoken.models import Token
from rest_framework.authtoken.serializers import AuthTokenSerializer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.throttling import SimpleRateThrottle

from api.views.base import Endpoint


class TriesThrottle(SimpleRateThrottle):
    """A number of attempts a minute from one address, whatever a forwarding header contains."""

    rate = "10/min"

    def get_cache_key(self, request: Request, view: object) -> str:
        return f"token:{request.META.get('REMOTE_ADDR', '')}"


class TokenSerializer(serializers.Serializer):
    token = serializers.CharField(read_only=True, help_text='send it as "Authorization: Token ..."')


class CreateTokenSerializer(AuthTokenSerializer):
    token = None


class Tokens(Endpoint):
    """The token of an account, for devices and scripts."""

    idempotent = False
    authentication_classes: list = []
    permission_classes: list = []
    throttle_classes = [TriesThrottle]
    serializer_class = TokenSerializer

    @extend_schema(request=CreateTokenSerializer, responses={200: TokenSerializer}, auth=[])
    def create(self, request: Request) -> Response:
        serializer = CreateTokenSerializer(data=request.data, context={"request": request})
        serializer.is_valid(raise_exception=True)
        token, _ = Token.objects.get_or_create(user=serializer.validated_data["user"])
        return Response({"token": token.key})
