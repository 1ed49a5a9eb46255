"""What a file changes, and the options of its reading."""

from typing import Any

from rest_framework import serializers

from api.fields import Id, StrictSerializer, Text
from spools.files.loading import SAME, Outcome
from spools.models import Place

MOST_CHANGES = 2000


class WritingSerializer(StrictSerializer):
    spreadsheet = serializers.BooleanField(required=False)


class LoadingSerializer(StrictSerializer):
    place = Id(queryset=Place.objects.all(), required=False)
    preview = serializers.BooleanField(required=False)
    digest = Text(required=False, max_length=64)


class FileSerializer(serializers.Serializer):
    file = serializers.FileField(help_text="CSV or JSON")


class DifferenceSerializer(serializers.Serializer):
    column = serializers.CharField()
    before = serializers.CharField(allow_blank=True)
    after = serializers.CharField(allow_blank=True)


class ChangeSerializer(serializers.Serializer):
    line = serializers.IntegerField(help_text="of the CSV, or the number of the row in JSON")
    result = serializers.ChoiceField(["new", "changed"])
    label = serializers.CharField()
    id = serializers.CharField(
        allow_null=True, help_text="code of a spool, else the number; null of a new row"
    )
    differences = DifferenceSerializer(many=True)
    assumed = serializers.ListField(child=serializers.CharField(), help_text="columns that were guessed")
    note = serializers.CharField(allow_blank=True)


class FileOutcomeSerializer(serializers.Serializer):
    stored = serializers.BooleanField(help_text="false: only looked through")
    digest = serializers.CharField(help_text="the same while the file would do the same")
    counts = serializers.DictField(child=serializers.IntegerField(), help_text="rows: new, changed, same")
    ignored = serializers.ListField(child=serializers.CharField(), help_text="unknown columns")
    changes = ChangeSerializer(many=True, help_text="without rows that are as stored; at most 2,000")

    def to_representation(self, outcome: Outcome) -> dict[str, Any]:
        changes = [change for change in outcome.changes if change.result != SAME][:MOST_CHANGES]
        rows = [
            {
                "line": change.line,
                "result": change.result,
                "label": change.label,
                "id": _id_of(change.row) if outcome.is_stored else None,
                "differences": [
                    dict(zip(("column", "before", "after"), row, strict=True)) for row in change.differences
                ],
                "assumed": change.assumed,
                "note": change.note,
            }
            for change in changes
        ]
        return {
            "stored": outcome.is_stored,
            "digest": outcome.digest,
            "counts": outcome.counts,
            "ignored": outcome.ignored,
            "changes": rows,
        }


def _id_of(row: Any) -> str | None:
    return None if row is None else str(getattr(row, "code", row.pk))
