from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.filters import DryingRunFilter
from api.serializers import drying as serializers
from api.views.base import Endpoint, WithdrawMixin, respond
from spools.drying.loss import loss_caution, loss_on_drying
from spools.drying.options import PlanRequest
from spools.drying.past_runs import correct_run, record_past_run
from spools.drying.plans import plan_together
from spools.drying.runs import DryingSettings, finish_drying
from spools.drying.starts import start_as_asked
from spools.models import DryingRun


class DryingRuns(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Spools in dryers, from start to end."""

    queryset = DryingRun.recorded.select_related(
        "spool__feedstock__polymer", "dryer", "before", "after", "recorded_by", "withdrawn_by"
    )
    serializer_class = serializers.DryingRunSerializer
    filterset_class = DryingRunFilter

    @extend_schema(
        request=serializers.StartDryingSerializer, responses={201: serializers.DryingRunSerializer(many=True)}
    )
    def create(self, request: Request) -> Response:
        """Put spools into a dryer and start it. Hours that are not given are computed for the set point.

        A set point above the lowest cap is refused; a run in which a spool does not get dry needs a reason.
        """
        data = parse(serializers.StartDryingSerializer, request.data)
        rows = data.pop("spools")
        weighed = {row["spool"].pk: row["gross_g"] for row in rows if "gross_g" in row}
        dryer, mass_g = data.pop("dryer"), data.pop("mass_g", None)
        options = {name: data.pop(name) for name in ("at", "resolution_g") if name in data}
        runs = start_as_asked(
            [row["spool"] for row in rows],
            dryer,
            DryingSettings(**data, masses_g={row["spool"].pk: mass_g for row in rows}),
            gross_g=weighed,
            by=request.user,
            **options,
        )
        return respond(serializers.DryingRunSerializer, runs, status=201, many=True)

    @extend_schema(request=serializers.PastRunSerializer, responses={201: serializers.DryingRunSerializer})
    @action(detail=False, methods=["post"], filterset_class=None)
    def past(self, request: Request) -> Response:
        """Add a run that is over; afterwards the spool was back where it had been. One above a cap has that as its hold."""
        data = parse(serializers.PastRunSerializer, request.data)
        first = {name: data[name] for name in ("first_set_point_c", "first_hours") if name in data}
        run = record_past_run(
            data["spool"],
            data["dryer"],
            DryingSettings(data["set_point_c"], **first),
            (data["start"], data["end"]),
            gross_g=(data.get("before_g"), data.get("after_g")),
            resolution_g=data.get("resolution_g", 1.0),
            by=request.user,
        )
        return self.respond_with(run, status=201)

    @extend_schema(request=serializers.CorrectRunSerializer, responses={201: serializers.DryingRunSerializer})
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, pk: str) -> Response:
        """Record the right times of a run, which is withdrawn with the wrong ones."""
        data = parse(serializers.CorrectRunSerializer, request.data)
        return self.respond_with(correct_run(self.get_object(), **data, by=request.user), status=201)

    @extend_schema(request=serializers.BatchPlanRequestSerializer, responses=serializers.BatchPlanSerializer)
    @action(detail=False, methods=["post"], filterset_class=None)
    def plan(self, request: Request) -> Response:
        """Compute a plan for drying several spools together in a dryer. Nothing is stored."""
        data = parse(serializers.BatchPlanRequestSerializer, request.data)
        spools, dryer = data.pop("spools"), data.pop("dryer")
        spools = list({spool.pk: spool for spool in spools}.values())
        return respond(serializers.BatchPlanSerializer, plan_together(spools, dryer, PlanRequest(**data)))

    @extend_schema(request=serializers.FinishDryingSerializer, responses=serializers.FinishedRunSerializer)
    @action(detail=True, methods=["post"])
    def finish(self, request: Request, pk: str) -> Response:
        """Take the spool out, into a place."""
        run = self.get_object()
        run = finish_drying(run, **parse(serializers.FinishDryingSerializer, request.data), by=request.user)
        finished = {"run": run, "loss": loss_on_drying(run), "caution": loss_caution(run)}
        return respond(serializers.FinishedRunSerializer, finished)
