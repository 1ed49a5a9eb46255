from django.db.models import Prefetch
from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.filters import ReminderFilter
from api.serializers import reminders as serializers
from api.views.base import Endpoint, respond
from maintenance.models import Reminder, ReminderEvent
from maintenance.reminders.lifecycle import complete, snooze, snooze_several
from maintenance.reminders.queries import open_reminders

EVENTS = Prefetch("events", ReminderEvent.objects.select_related("by"))


class Reminders(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Reminders that are due, snoozed or ended, with their history. One is open per condition; it is resolved
    when the condition is gone."""

    queryset = Reminder.objects.select_related("spool").prefetch_related(EVENTS)
    serializer_class = serializers.ReminderHistorySerializer
    filterset_class = ReminderFilter

    @extend_schema(request=serializers.SnoozeSerializer, responses=serializers.ReminderHistorySerializer)
    @action(detail=True, methods=["post"])
    def snooze(self, request: Request, pk: str) -> Response:
        """Snooze until a time, or until the monitored amount reaches a threshold."""
        snooze(self.get_object(), **parse(serializers.SnoozeSerializer, request.data), by=request.user)
        return respond(serializers.ReminderHistorySerializer, self.get_object())

    @extend_schema(request=serializers.SnoozeSeveralSerializer, responses=serializers.SnoozedSerializer)
    @action(detail=False, methods=["post"], url_path="snooze-several")
    def snooze_several(self, request: Request) -> Response:
        """Snooze several until a time: those given, or all due ones of a kind."""
        data = parse(serializers.SnoozeSeveralSerializer, request.data)
        if "kind" in data:
            chosen = open_reminders(user=request.user).filter(kind=data["kind"])
        else:
            chosen = Reminder.objects.filter(pk__in=[reminder.pk for reminder in data["reminders"]])
        return Response({"snoozed": snooze_several(chosen, data["until"], by=request.user)})

    @extend_schema(request=serializers.CompleteSerializer, responses=serializers.ReminderHistorySerializer)
    @action(detail=True, methods=["post"])
    def complete(self, request: Request, pk: str) -> Response:
        """Mark it as done."""
        complete(self.get_object(), **parse(serializers.CompleteSerializer, request.data), by=request.user)
        return respond(serializers.ReminderHistorySerializer, self.get_object())
