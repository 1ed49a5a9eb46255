from django.contrib.auth import authenticate
from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import NotAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response

from access.models import Token, User
from access.second_factor import has_second_factor, must_add_factor, require_code
from access.tokens import MOST_DAYS, add_token, end_token
from api.fields import StrictSerializer, parse
from api.views.base import Endpoint
from spools.models import Place
from spools.refusals import refusal


class TokenSerializer(serializers.Serializer):
    token = serializers.CharField(
        read_only=True, help_text='shown once; send it as "Authorization: Token ..."'
    )


class AddTokenSerializer(StrictSerializer):
    username = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=4096, trim_whitespace=False)
    code = serializers.CharField(
        max_length=40, required=False, help_text="of the second factor, if there is one"
    )
    name = serializers.CharField(max_length=80, help_text="of the device")
    scope = serializers.ChoiceField(Token.Scope.choices)
    place = serializers.PrimaryKeyRelatedField(
        queryset=Place.objects.all(), required=False, help_text="whose readings it may send"
    )
    days = serializers.IntegerField(
        min_value=1, max_value=MOST_DAYS, required=False, help_text="until it expires; without, it does not"
    )


class Tokens(Endpoint):
    """Tokens for devices and scripts."""

    idempotent = False
    permission_classes: list = []
    tests_passwords = True
    serializer_class = TokenSerializer
    http_method_names = [*Endpoint.http_method_names, "delete"]

    @extend_schema(request=AddTokenSerializer, responses={200: TokenSerializer}, auth=[])
    def create(self, request: Request) -> Response:
        """Make a token for one device, with the name and password of an account."""
        data = parse(AddTokenSerializer, request.data)
        user = authenticate(request._request, username=data.pop("username"), password=data.pop("password"))
        if not isinstance(user, User):
            raise refusal(
                "not_signed_in", _("There is no account with this name and password, or it is closed.")
            )
        code = data.pop("code", "")
        if user.must_change_password:
            raise refusal("must_change_password", _("Sign in on the pages and change the password first."))
        if must_add_factor(user):
            raise refusal("must_add_factor", _("Sign in on the pages and add a second factor first."))
        if has_second_factor(user):
            require_code(user, code)
        place = data.pop("place", None)
        key = add_token(user, place=place and place.pk, **data)[1]
        return Response({"token": key})

    @extend_schema(request=None, responses={204: None})
    def destroy(self, request: Request) -> Response:
        """End the token that is sent."""
        if not isinstance(request.auth, Token):
            raise NotAuthenticated
        end_token(request.auth)
        return Response(status=204)
