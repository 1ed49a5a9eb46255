from rest_framework import mixins, serializers

from access.models import AuditEntry
from api.views.base import Endpoint


class AuditEntrySerializer(serializers.ModelSerializer):
    class Meta:
        model = AuditEntry
        fields = [
            *("id", "at", "user_id", "user_name", "token", "address", "request_id", "action"),
            *("subject", "subject_id", "title", "before", "after"),
        ]


class AuditEntries(mixins.ListModelMixin, Endpoint):
    """Who came in, and who changed accounts, tokens, channels, the catalogue and machines; the latest first."""

    queryset = AuditEntry.objects.all()
    serializer_class = AuditEntrySerializer
    filterset_fields = ["action", "user_name"]
