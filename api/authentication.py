"""Tokens of devices: Authorization: Token ..."""

from django.utils.translation import gettext as _
from rest_framework.authentication import TokenAuthentication
from rest_framework.exceptions import AuthenticationFailed

from access.models import Token, User
from access.tokens import find_token


class DeviceTokenAuthentication(TokenAuthentication):
    def authenticate_credentials(self, key: str) -> tuple[User, Token]:
        token = find_token(key)
        if token is None:
            raise AuthenticationFailed(
                _("This token is not known here, has expired or was ended: make another one.")
            )
        return token.user, token
