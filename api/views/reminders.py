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
from maintenance.reminders.lifecycle import complete, snooze

EVENTS = Prefetch("events", ReminderEvent.objects.select_related("by"))


class Reminders(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Reminders that are due, snoozed or ended, with their history. One is open per condition; it is resolved
    when the condition is gone."""

    queryset = Reminder.objects.select_related("spool").prefetch_related(EVENTS)
    serializer_class = shapes.ReminderHistorySerializer
    filterset_class = ReminderFilter

    @extend_schema(request=shapes.SnoozeSerializer, responses=shapes.ReminderHistorySerializer)
    @action(detail=True, methods=["post"])
    def snooze(self, request: Request, pk: str) -> Response:
        """Snooze until a time, or until the monitored amount reaches a threshold."""
        snooze(self.get_object(), **given(shapes.SnoozeSerializer, request.data), by=request.user)
        return shown(shapes.ReminderHistorySerializer, self.get_object())

    @extend_schema(request=shapes.CompleteSerializer, responses=shapes.ReminderHistorySerializer)
    @action(detail=True, methods=["post"])
    def complete(self, request: Request, pk: str) -> Response:
        """Mark it as done."""
        complete(self.get_object(), **given(shapes.CompleteSerializer, request.data), by=request.user)
        return shown(shapes.ReminderHistorySerializer, self.get_object())
