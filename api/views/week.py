from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.exceptions import NotFound
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.schema import ErrorsSerializer
from api.serializers import week as serializers
from api.views.base import Endpoint, respond
from spools.drying.week import schedule as week_schedule
from spools.drying.week.slots import StaffedHours
from spools.models import PlannedDrying, PrintRequest, WeekPlan


class PrintRequests(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Prints that are wanted in the coming week."""

    queryset = PrintRequest.objects.filter(withdrawn_at=None).select_related("spool")
    serializer_class = serializers.PrintRequestSerializer

    @extend_schema(
        request=serializers.NewPrintRequestSerializer, responses={201: serializers.PrintRequestSerializer}
    )
    def create(self, request: Request) -> Response:
        """Put one on the list."""
        wanted = week_schedule.add_print_request(
            **parse(serializers.NewPrintRequestSerializer, request.data), by=request.user
        )
        return respond(serializers.PrintRequestSerializer, wanted, status=201)

    @extend_schema(request=None, responses=serializers.PrintRequestSerializer)
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: str) -> Response:
        """Take it off the list."""
        wanted = week_schedule.withdraw_request(self.get_object(), by=request.user)
        return respond(serializers.PrintRequestSerializer, wanted)


class WeekPlans(Endpoint):
    """Drying plans of the week."""

    idempotent = False
    queryset = WeekPlan.objects.all()
    serializer_class = serializers.WeekPlanSerializer

    @extend_schema(responses=serializers.WeekPlanSerializer)
    def retrieve(self, request: Request, pk: str) -> Response:
        """A plan with what becomes of the prints, and what no longer holds."""
        return self._plan(self.get_object())

    @extend_schema(responses={200: serializers.WeekPlanSerializer, 404: ErrorsSerializer})
    @action(detail=False)
    def accepted(self, request: Request) -> Response:
        """The plan that the shop goes by."""
        plan = week_schedule.accepted_plan()
        if plan is None:
            raise NotFound("No plan is accepted. Ask for one, and accept it.")
        return self._plan(plan)

    @extend_schema(request=serializers.HandsSerializer, responses={201: serializers.WeekPlanSerializer})
    def create(self, request: Request) -> Response:
        """Work one out for the prints on the list; a large one in the background: ask for it again."""
        asked = parse(serializers.HandsSerializer, request.data)
        plan = week_schedule.ask_for_plan(
            StaffedHours(asked["staffed_from"], asked["staffed_to"]), by=request.user
        )
        return self._plan(week_schedule.begin(plan), status=201)

    def _plan(self, plan: WeekPlan, status: int = 200) -> Response:
        return respond(serializers.WeekPlanSerializer, week_schedule.told_all(plan), status)

    @extend_schema(request=None, responses=serializers.WeekPlanSerializer)
    @action(detail=True, methods=["post"])
    def accept(self, request: Request, pk: str) -> Response:
        """Go by this plan."""
        return self._plan(week_schedule.accept(self.get_object(), by=request.user))

    @extend_schema(request=None, responses=serializers.WeekPlanSerializer)
    @action(detail=True, methods=["post"], url_path="reject")
    def reject(self, request: Request, pk: str) -> Response:
        """End it, accepted or not."""
        return self._plan(week_schedule.reject(self.get_object()))


class PlannedDryings(mixins.RetrieveModelMixin, mixins.ListModelMixin, Endpoint):
    """What the accepted plan has dried, and changes of it by hand."""

    queryset = PlannedDrying.objects.filter(
        ended_at=None, plan__ended_at=None, plan__accepted_at__isnull=False
    ).select_related("spool__feedstock__polymer", "dryer__room")
    serializer_class = serializers.PlannedDryingSerializer

    @extend_schema(request=serializers.MoveDryingSerializer, responses=serializers.MovedSerializer)
    @action(detail=True, methods=["post"])
    def move(self, request: Request, pk: str) -> Response:
        """To another time or dryer; it is pinned then. What that does to the rest is told."""
        asked = parse(serializers.MoveDryingSerializer, request.data)
        drying, consequences = week_schedule.move(self.get_object(), **asked, by=request.user)
        return respond(serializers.MovedSerializer, {"drying": drying, "consequences": consequences})

    @extend_schema(request=serializers.PinSerializer, responses=serializers.PlannedDryingSerializer)
    @action(detail=True, methods=["post"])
    def pin(self, request: Request, pk: str) -> Response:
        """Whether it stays as it is when the week is planned again."""
        asked = parse(serializers.PinSerializer, request.data)
        return respond(serializers.PlannedDryingSerializer, week_schedule.pin(self.get_object(), **asked))

    @extend_schema(request=None, responses=serializers.PlannedDryingSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        """Leave it out."""
        return respond(
            serializers.PlannedDryingSerializer, week_schedule.cancel(self.get_object(), by=request.user)
        )
