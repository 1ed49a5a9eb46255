from rest_framework import serializers


class StatementSerializer(serializers.Serializer):
    """An answer as data, with its sentence."""

    code = serializers.CharField(help_text="stays the same, however the sentence is worded")
    values = serializers.DictField(
        help_text="numbers, whose names end in their units; texts; times as ISO 8601"
    )
    sentence = serializers.CharField(help_text="for a person")
