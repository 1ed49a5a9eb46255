from rest_framework import serializers

from api.fields import Moment, Number
from api.serializers.statements import StatementSerializer
from maintenance.costs.usage import GROUPS


class CostSerializer(serializers.Serializer):
    """Money in the shop's currency, by the prices and rates that are stored now."""

    filament = Number()
    purge = Number(help_text="the part of filament that changes of spool purged")
    wear = Number()
    machine = Number()
    energy = Number()
    total = Number()
    gaps = StatementSerializer(many=True, help_text="prices that are missing: the total is at least as high")


class JobCostSerializer(serializers.Serializer):
    currency = serializers.CharField(allow_blank=True)
    cost = CostSerializer()


class UsageSerializer(serializers.Serializer):
    """Prints of a group; those that failed or were stopped are included, and counted apart."""

    name = serializers.CharField(allow_blank=True)
    jobs = serializers.SerializerMethodField()
    failed = serializers.SerializerMethodField()
    hours = Number()
    mass_g = Number()
    failed_g = Number()
    purge_g = Number(help_text="the part of mass_g that changes of spool purged")
    cost = CostSerializer()
    failed_cost = CostSerializer()

    def get_jobs(self, usage: object) -> int:
        return len(usage.jobs)  # type: ignore[attr-defined]

    def get_failed(self, usage: object) -> int:
        return len(usage.failed)  # type: ignore[attr-defined]


class AskUsageSerializer(serializers.Serializer):
    by = serializers.ChoiceField(list(GROUPS), default="month")
    since = Moment(required=False, help_text="of prints that began at this time or later")
    until = Moment(required=False, help_text="of prints that began before this time")
