from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import given
from api.filters import ReminderFilter
from api.serializers import reminders as shapes
from api.views.base import Endpoint, shown
from maintenance.models import Reminder
from maintenance.reminders import done, snooze


class Reminders(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """What is due, and what was. Each is raised once and ends by itself when its cause is gone."""

    queryset = Reminder.objects.select_related("spool")
    serializer_class = shapes.ReminderSerializer
    filterset_class = ReminderFilter

    @extend_schema(request=shapes.SnoozeSerializer, responses=shapes.ReminderSerializer)
    @action(detail=True, methods=["post"])
    def snooze(self, request: Request, pk: str) -> Response:
        """Say it again later."""
        reminder = self.get_object()
        snooze(reminder, **given(shapes.SnoozeSerializer, request.data))
        return shown(shapes.ReminderSerializer, self.get_object())

    @extend_schema(request=shapes.DoneSerializer, responses=shapes.ReminderSerializer)
    @action(detail=True, methods=["post"])
    def done(self, request: Request, pk: str) -> Response:
        """It was done."""
        reminder = self.get_object()
        done(reminder, **given(shapes.DoneSerializer, request.data), by=request.user)
        return shown(shapes.ReminderSerializer, self.get_object())
