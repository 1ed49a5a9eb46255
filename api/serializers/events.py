from typing import Any

from django.utils.translation import gettext as _
from rest_framework import serializers

from api.fields import StrictSerializer, Text, Whole
from maintenance.events.feed import LATEST
from maintenance.models import ShopEvent

MOST, USUAL = 1000, 100
LARGEST_CURSOR = 2**63 - 1


class AskEventsSerializer(StrictSerializer):
    after = Text(
        required=False,
        max_length=20,
        help_text="the cursor: next of the answer before. Without it the oldest events that are stored come first; "
        "latest: none but those to come",
    )
    kinds = Text(required=False, max_length=1000, help_text="with commas between them; without it all")
    limit = Whole(default=USUAL, min_value=1, max_value=MOST)

    def validate_after(self, text: str) -> int | str:
        if text == LATEST:
            return text
        if not (text.isascii() and text.isdecimal() and int(text) <= LARGEST_CURSOR):
            raise serializers.ValidationError(
                _("Give next of the answer before, or latest."), code="unknown_cursor"
            )
        return int(text)

    def validate_kinds(self, text: str) -> list[str]:
        kinds = [kind.strip() for kind in text.split(",") if kind.strip()]
        if not kinds or not {*kinds} <= {*ShopEvent.Kind.values}:
            raise serializers.ValidationError(
                _("Give some of: {kinds}.").format(kinds=", ".join(ShopEvent.Kind.values)),
                code="unknown_kind",
            )
        return kinds


class ShopEventSerializer(serializers.Serializer):
    """An event. data: the code of a spool, the ids and names of other subjects, numbers."""

    sequence = serializers.IntegerField(help_text="its place in the log, from 1, without gaps")
    id = serializers.UUIDField(help_text="the same wherever the event is sent")
    kind = serializers.ChoiceField(ShopEvent.Kind.choices)
    at = serializers.DateTimeField(help_text="when it happened")
    recorded_at = serializers.DateTimeField()
    fact = serializers.CharField(help_text="the kind and id of the fact that it is about")
    withdraws = serializers.UUIDField(
        allow_null=True, help_text="the id of an earlier event that no longer counts"
    )
    data: Any = serializers.DictField()
    sentence = serializers.CharField(help_text="for a person, in the language of the request")


class EventsSerializer(serializers.Serializer):
    """A part of the log."""

    events = ShopEventSerializer(many=True)
    next = serializers.IntegerField(help_text="the cursor with which to go on")
    more = serializers.BooleanField(help_text="whether there are events after these already")
