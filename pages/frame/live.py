"""The version of the board, which open pages ask for every few seconds."""

from django.http import HttpRequest, JsonResponse

from maintenance.board.version import board_version


def live(request: HttpRequest) -> JsonResponse:
    return JsonResponse({"version": board_version()})
