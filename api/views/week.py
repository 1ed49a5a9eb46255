from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.exceptions import NotFound
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.filters import PrintRequestFilter
from api.schema import ErrorsSerializer
from api.serializers import week as serializers
from api.serializers.machines import PairVerdictSerializer
from api.views.base import Endpoint, WithdrawMixin, respond
from maintenance.jobs.requested import judge_request
from spools.drying.week.changes import cancel_drying, move_drying, pin_drying
from spools.drying.week.plans import accept_plan, accepted_plan, create_plan, reject_plan
from spools.drying.week.report import report_plan
from spools.drying.week.requests import add_print_request
from spools.drying.week.slots import StaffedHours
from spools.models import PlannedDrying, PrintRequest, WeekPlan


class PrintRequests(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Print requests of the coming week. One that was printed or is not needed any more is withdrawn."""

    queryset = PrintRequest.objects.select_related("spool", "withdrawn_by")
    serializer_class = serializers.PrintRequestSerializer
    filterset_class = PrintRequestFilter

    @extend_schema(
        request=serializers.AddPrintRequestSerializer, responses={201: serializers.PrintRequestSerializer}
    )
    def create(self, request: Request) -> Response:
        """Add a print request."""
        print_request = add_print_request(
            **parse(serializers.AddPrintRequestSerializer, request.data), by=request.user
        )
        return self.respond_with(print_request, status=201)

    @extend_schema(responses=PairVerdictSerializer(many=True))
    @action(detail=True, pagination_class=None)
    def readiness(self, request: Request, pk: str) -> Response:
        """The verdicts of the best spools for it, each on its best toolhead, for all its grams; the best first."""
        judged = [
            {
                "toolhead": pair.toolhead.pk,
                "spool": pair.spool.code,
                "state": pair.verdict.state,
                "checks": pair.verdict.checks,
            }
            for pair in judge_request(self.get_object())
        ]
        return respond(PairVerdictSerializer, judged, many=True)


class WeekPlans(Endpoint):
    """Drying plans of the week."""

    queryset = WeekPlan.objects.all()
    serializer_class = serializers.WeekPlanSerializer

    @extend_schema(responses=serializers.WeekPlanSerializer)
    def retrieve(self, request: Request, pk: str) -> Response:
        """A plan with its dryings, its prints and its violations."""
        return self._plan(self.get_object())

    @extend_schema(responses={200: serializers.WeekPlanSerializer, 404: ErrorsSerializer})
    @action(detail=False)
    def accepted(self, request: Request) -> Response:
        """The plan that the shop follows."""
        plan = accepted_plan()
        if plan is None:
            raise NotFound(_("No plan is accepted. Ask for one, and accept it."))
        return self._plan(plan)

    @extend_schema(
        request=serializers.StaffedHoursSerializer, responses={201: serializers.WeekPlanSerializer}
    )
    def create(self, request: Request) -> Response:
        """Compute a plan for the requests on the list. Get it again until it has a time in made_at."""
        data = parse(serializers.StaffedHoursSerializer, request.data)
        plan = create_plan(StaffedHours(data["staffed_from"], data["staffed_to"]), by=request.user)
        return self._plan(plan, status=201)

    def _plan(self, plan: WeekPlan, status: int = 200) -> Response:
        return respond(serializers.WeekPlanSerializer, report_plan(plan), status)

    @extend_schema(request=None, responses=serializers.WeekPlanSerializer)
    @action(detail=True, methods=["post"])
    def accept(self, request: Request, pk: str) -> Response:
        """Accept this plan."""
        return self._plan(accept_plan(self.get_object(), by=request.user))

    @extend_schema(request=None, responses=serializers.WeekPlanSerializer)
    @action(detail=True, methods=["post"], url_path="reject")
    def reject(self, request: Request, pk: str) -> Response:
        """End this plan, accepted or not."""
        return self._plan(reject_plan(self.get_object()))


class PlannedDryings(mixins.RetrieveModelMixin, mixins.ListModelMixin, Endpoint):
    """The dryings of the accepted plan, and changes by hand."""

    queryset = PlannedDrying.objects.filter(
        ended_at=None, plan__ended_at=None, plan__accepted_at__isnull=False
    ).select_related("spool__feedstock__polymer", "dryer__room")
    serializer_class = serializers.PlannedDryingSerializer

    @extend_schema(request=serializers.MoveDryingSerializer, responses=serializers.MoveResultSerializer)
    @action(detail=True, methods=["post"])
    def move(self, request: Request, pk: str) -> Response:
        """Move it to another time or dryer and pin it; returns the consequences for the rest of the plan."""
        data = parse(serializers.MoveDryingSerializer, request.data)
        drying, consequences = move_drying(self.get_object(), **data, by=request.user)
        return respond(serializers.MoveResultSerializer, {"drying": drying, "consequences": consequences})

    @extend_schema(request=serializers.PinSerializer, responses=serializers.PlannedDryingSerializer)
    @action(detail=True, methods=["post"])
    def pin(self, request: Request, pk: str) -> Response:
        """Pin it, so that it stays when the week is planned again, or unpin it."""
        data = parse(serializers.PinSerializer, request.data)
        return respond(serializers.PlannedDryingSerializer, pin_drying(self.get_object(), **data))

    @extend_schema(request=None, responses=serializers.PlannedDryingSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        """Remove it from the plan."""
        return respond(serializers.PlannedDryingSerializer, cancel_drying(self.get_object(), by=request.user))
