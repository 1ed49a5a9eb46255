from django.utils.translation import gettext as _
from rest_framework.exceptions import NotFound
from rest_framework.request import Request
from rest_framework.views import APIView


class NotFoundView(APIView):
    """An address under /api/ that does not exist. The answer is the same with and without a token."""

    authentication_classes: list = []
    permission_classes: list = []
    schema = None

    def initial(self, request: Request, *args: object, **kwargs: object) -> None:
        raise NotFound(_("There is nothing at this address. All addresses are listed at /api/docs/."))
