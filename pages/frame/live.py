"""The version of the board, which open pages ask for every few seconds."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, JsonResponse

from maintenance.board.version import board_version


@login_required
def live(request: HttpRequest) -> JsonResponse:
    return JsonResponse({"version": board_version()})
