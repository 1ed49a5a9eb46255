from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import ModelSerializer, StrictSerializer, Whole, parse
from api.views.base import Endpoint
from maintenance.models import Channel, ShopEvent
from maintenance.reminders.delivery.shop_events import choose_kinds, send_again


class WebhookSerializer(ModelSerializer):
    class Meta:
        model = Channel
        fields = ["id", "name", "address", "event_kinds", "events_until", "failures", "backoff_until"]


class EventKindsSerializer(StrictSerializer):
    kinds = serializers.MultipleChoiceField(choices=ShopEvent.Kind.choices)


class AgainSerializer(StrictSerializer):
    after = Whole(min_value=0, help_text="a cursor of the log of events")


class SentAgainSerializer(serializers.Serializer):
    sent = serializers.IntegerField(help_text="how many")


class Webhooks(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """The webhooks of the account that have not ended, and the kinds of events of the shop that each carries."""

    queryset = Channel.objects.filter(kind=Channel.Kind.WEBHOOK, ended_at=None)
    serializer_class = WebhookSerializer

    def get_queryset(self) -> QuerySet[Any]:
        return super().get_queryset().filter(user=self.request.user.pk)

    @extend_schema(request=EventKindsSerializer, responses=WebhookSerializer)
    @action(detail=True, methods=["post"], url_path="event-kinds")
    def event_kinds(self, request: Request, pk: str) -> Response:
        """Choose the kinds of events that it carries from now on."""
        choose_kinds(self.get_object(), parse(EventKindsSerializer, request.data)["kinds"])
        return Response(WebhookSerializer(self.get_object()).data)

    @extend_schema(request=AgainSerializer, responses=SentAgainSerializer)
    @action(detail=True, methods=["post"], url_path="send-again")
    def send_again(self, request: Request, pk: str) -> Response:
        """Send its events after a cursor again, with the ids that they had."""
        sent = send_again(self.get_object(), after=parse(AgainSerializer, request.data)["after"])
        return Response({"sent": sent})
