from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import given
from api.filters import DryingRunFilter
from api.serializers import drying as shapes
from api.views.base import Endpoint, shown
from spools.drying.loss import loss_caution, loss_on_drying
from spools.drying.options import PlanRequest
from spools.drying.plans import plan_together
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.models import DryingRun


class DryingRuns(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Spools in dryers, from start to end."""

    queryset = DryingRun.objects.select_related("spool__feedstock__polymer", "dryer", "before", "after")
    serializer_class = shapes.DryingRunSerializer
    filterset_class = DryingRunFilter

    @extend_schema(
        request=shapes.StartDryingSerializer, responses={201: shapes.DryingRunSerializer(many=True)}
    )
    def create(self, request: Request) -> Response:
        """Put spools into a dryer and start it. A set point above the lowest cap is refused."""
        asked = given(shapes.StartDryingSerializer, request.data)
        rows = asked.pop("spools")
        weighed = {row["spool"].pk: row["gross_g"] for row in rows if "gross_g" in row}
        dryer = asked.pop("dryer")
        options = {name: asked.pop(name) for name in ("at", "resolution_g") if name in asked}
        runs = start_drying(
            [row["spool"] for row in rows],
            dryer,
            DryingSettings(**asked),
            gross_g=weighed,
            by=request.user,
            **options,
        )
        return shown(shapes.DryingRunSerializer, runs, status=201, many=True)

    @extend_schema(request=shapes.BatchPlanAskedSerializer, responses=shapes.BatchPlanSerializer)
    @action(detail=False, methods=["post"], filterset_class=None)
    def plan(self, request: Request) -> Response:
        """How several spools can be dried together in a dryer. Nothing is stored."""
        asked = given(shapes.BatchPlanAskedSerializer, request.data)
        spools, dryer = asked.pop("spools"), asked.pop("dryer")
        spools = list({spool.pk: spool for spool in spools}.values())
        return shown(shapes.BatchPlanSerializer, plan_together(spools, dryer, PlanRequest(**asked)))

    @extend_schema(request=shapes.FinishDryingSerializer, responses=shapes.FinishedRunSerializer)
    @action(detail=True, methods=["post"])
    def finish(self, request: Request, pk: str) -> Response:
        """Take the spool out, into a place."""
        run = self.get_object()
        run = finish_drying(run, **given(shapes.FinishDryingSerializer, request.data), by=request.user)
        finished = {"run": run, "loss": loss_on_drying(run), "caution": loss_caution(run)}
        return shown(shapes.FinishedRunSerializer, finished)
