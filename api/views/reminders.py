from django.db.models import Prefetch
from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import given
from api.filters import ReminderFilter
from api.serializers import reminders as shapes
from api.views.base import Endpoint, shown
from maintenance.models import Reminder, ReminderEvent
from maintenance.reminders.lifecycle import done, snooze

EVENTS = Prefetch("events", ReminderEvent.objects.select_related("by"))


class Reminders(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """What is due, and what was, with its history. Each is raised once and ends by itself when its cause is
    gone."""

    queryset = Reminder.objects.select_related("spool").prefetch_related(EVENTS)
    serializer_class = shapes.ReminderHistorySerializer
    filterset_class = ReminderFilter

    @extend_schema(request=shapes.SnoozeSerializer, responses=shapes.ReminderHistorySerializer)
    @action(detail=True, methods=["post"])
    def snooze(self, request: Request, pk: str) -> Response:
        """Say it again at a time, or when the number that it is told by has come to an amount."""
        snooze(self.get_object(), **given(shapes.SnoozeSerializer, request.data), by=request.user)
        return shown(shapes.ReminderHistorySerializer, self.get_object())

    @extend_schema(request=shapes.DoneSerializer, responses=shapes.ReminderHistorySerializer)
    @action(detail=True, methods=["post"])
    def done(self, request: Request, pk: str) -> Response:
        """It was done."""
        done(self.get_object(), **given(shapes.DoneSerializer, request.data), by=request.user)
        return shown(shapes.ReminderHistorySerializer, self.get_object())
