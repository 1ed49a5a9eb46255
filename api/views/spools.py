from collections.abc import Iterable
from typing import Any

from django.db.models import Prefetch
from django.utils.translation import gettext as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_view
from rest_framework.decorators import action
from rest_framework.exceptions import NotFound
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.filters import SpoolListFilter
from api.serializers import spools as serializers
from api.serializers.drying import PlanRequestSerializer, PlanSerializer
from api.serializers.machines import LoadingSerializer, LoadSerializer, PastLoadingSerializer
from api.serializers.places import MoveFactSerializer, StaySerializer
from api.views.base import Endpoint, VersionMixin, WithdrawMixin, respond
from api.views.machines import LOADINGS
from api.views.readiness import job_spec, judge_pairs
from maintenance.board.shop import load_board
from maintenance.jobs.planned import list_verdicts
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.machines.past_loadings import record_past_loading
from maintenance.models import Loading, Toolhead
from spools import codes
from spools.board import board
from spools.drying.options import PlanRequest
from spools.drying.plans import plan_drying
from spools.inventory.assumptions import correct_reel
from spools.inventory.corrections import correct_weighing
from spools.inventory.endings import end_spool
from spools.inventory.ledger import remaining_by_spool, weigh
from spools.inventory.moves import correct_move, move_spool, record_excursion
from spools.inventory.openings import record_opening
from spools.inventory.prices import set_price
from spools.inventory.receipts import correct_receipt
from spools.inventory.receiving import NewSpool, receive_alike, receive_spool
from spools.inventory.respooling import respool
from spools.models import DryingRun, Ending, Joining, MassEntry, Move, Opening, Respooling, Spool, Stay
from spools.moisture.joining import join_leftover
from spools.moisture.state import moisture_now
from spools.refusals import refusal

PRESENT_STAYS = Prefetch(
    "stays", Stay.objects.filter(end=None).select_related("place"), to_attr="present_stays"
)
PRESENT_LOADINGS = Prefetch(
    "loadings",
    Loading.objects.present().select_related("toolhead__printer", "spool"),
    to_attr="present_loadings",
)


def _judge_on_toolheads(spool: Spool) -> list[dict[str, Any]]:
    """The verdict on each toolhead in use for the job that is planned there, else for a small one, as on its page."""
    if spool.ended_at is not None:
        toolheads = Toolhead.objects.in_use().select_related("printer")
        judged = judge_pairs([(toolhead, spool) for toolhead in toolheads])
        return [row | {"job": None, "file": None} for row in judged]
    board = load_board([spool.pk], inputs=False)
    return [
        {
            "toolhead": toolhead.pk,
            "spool": spool.code,
            "state": verdict.state,
            "checks": verdict.checks,
            "job": planned and planned.job and planned.job.pk,
            "file": planned and planned.file and planned.file.pk,
        }
        for toolhead, verdict, planned in list_verdicts(board, spool, board.rank_toolheads(spool.pk))
    ]


class Spools(VersionMixin, Endpoint):
    """Spools by the code on their label, and actions on them."""

    queryset = Spool.objects.select_related(
        "feedstock__polymer", "feedstock__maker", "feedstock__filler"
    ).prefetch_related(PRESENT_STAYS, PRESENT_LOADINGS)
    serializer_class = serializers.SpoolSerializer
    filterset_class = SpoolListFilter
    lookup_field = "code"
    lookup_value_regex = "[^/]+"

    def get_object(self) -> Any:
        code = codes.normalise(self.kwargs["code"])
        spool = self.get_queryset().filter(code=code).first()
        if spool is None:
            raise NotFound(
                _("No spool has the code {code}. Look at the label again.").format(code=codes.pretty(code))
            )
        return spool

    def list(self, request: Request) -> Response:
        page = self.paginate_queryset(self.filter_queryset(self.get_queryset()))
        # As the page of spools: stale ones' weighings are assimilated first.
        board.read([spool.pk for spool in page if spool.ended_at is None])
        context = {"remaining": remaining_by_spool(page)}
        return self.get_paginated_response(serializers.SpoolSerializer(page, many=True, context=context).data)

    @extend_schema(responses=serializers.SpoolDetailSerializer)
    def retrieve(self, request: Request, code: str) -> Response:
        spool = self.get_object()
        # The row first: with it a stale spool's weighings are assimilated, on which its amount rests.
        context = {
            "board": board.read([spool.pk]).get(spool.pk),
            "moisture": moisture_now(spool),
            "verdicts": _judge_on_toolheads(spool),
            "remaining": remaining_by_spool([spool]),
        }
        return respond(serializers.SpoolDetailSerializer, spool, context=context)

    @extend_schema(request=serializers.ReceiveSerializer, responses={201: serializers.SpoolSerializer})
    def create(self, request: Request) -> Response:
        """Receive a spool; the answer has its new code."""
        data = parse(serializers.ReceiveSerializer, request.data)
        place, at = data.pop("place"), data.pop("at", None)
        spool = receive_spool(NewSpool(**data), place, at=at, by=request.user)
        return self._spool(spool, status=201)

    @extend_schema(
        request=serializers.ReceiveAlikeSerializer, responses={201: serializers.ReceivedSerializer}
    )
    @action(detail=False, methods=["post"])
    def receive(self, request: Request) -> Response:
        """Receive several alike spools, all of them or none; the answer has their new codes."""
        data = parse(serializers.ReceiveAlikeSerializer, request.data)
        place, at, count = data.pop("place"), data.pop("at", None), data.pop("count")
        return self._received(receive_alike(NewSpool(**data), count, place, at=at, by=request.user))

    def _received(self, received: Iterable[Spool]) -> Response:
        spools = self.get_queryset().filter(pk__in=[spool.pk for spool in received]).order_by("pk")
        context = {"remaining": remaining_by_spool(spools)}
        return respond(serializers.ReceivedSerializer, {"spools": spools}, status=201, context=context)

    @extend_schema(request=serializers.ReelSerializer, responses=serializers.SpoolSerializer)
    def partial_update(self, request: Request, code: str) -> Response:
        """Correct its reel; amount and moisture are computed again. Fields that are left out stay."""
        data = parse(serializers.ReelSerializer, request.data)
        return self.change_if_matching(
            request, lambda spool: self._spool(correct_reel(spool, **data, by=request.user))
        )

    def represent(self, row: Spool) -> Any:
        spool = self.get_queryset().get(pk=row.pk)
        return serializers.SpoolSerializer(spool, context={"remaining": remaining_by_spool([spool])}).data

    def _spool(self, spool: Spool, status: int = 200) -> Response:
        return Response(self.represent(spool), status)

    @extend_schema(request=serializers.PriceSerializer, responses=serializers.SpoolSerializer)
    @action(detail=True, methods=["post"])
    def price(self, request: Request, code: str) -> Response:
        """State what was paid for it."""
        return self._spool(set_price(self.get_object(), **parse(serializers.PriceSerializer, request.data)))

    @extend_schema(responses=serializers.MoistureSerializer)
    @action(detail=True)
    def moisture(self, request: Request, code: str) -> Response:
        """The computed moisture now, layer by layer, with its evidence."""
        return respond(serializers.MoistureSerializer, moisture_now(self.get_object()))

    @extend_schema(responses=serializers.HistorySerializer)
    @action(detail=True)
    def history(self, request: Request, code: str) -> Response:
        """The facts about this spool, oldest first."""
        spool = self.get_object()
        facts = {
            "stays": spool.stays.select_related("place"),
            "moves": spool.moves.select_related("place", "recorded_by", "withdrawn_by"),
            "mass_entries": spool.mass_entries.select_related("recorded_by", "withdrawn_by"),
            "drying_runs": DryingRun.recorded.filter(spool=spool).select_related(
                "spool__feedstock__polymer", "dryer", "before", "after", "recorded_by", "withdrawn_by"
            ),
            "loadings": LOADINGS.filter(spool=spool),
            "openings": spool.openings.select_related("recorded_by", "withdrawn_by"),
            "respoolings": spool.respoolings.select_related("recorded_by", "withdrawn_by"),
            "endings": spool.endings.select_related("recorded_by", "withdrawn_by"),
        }
        return respond(serializers.HistorySerializer, facts)

    @extend_schema(request=serializers.MoveFromSerializer, responses={201: StaySerializer})
    @action(detail=True, methods=["post"])
    def move(self, request: Request, code: str) -> Response:
        """Move it to another place, now or at a past time."""
        stay = move_spool(
            self.get_object(), **parse(serializers.MoveFromSerializer, request.data), by=request.user
        )
        return respond(StaySerializer, stay, status=201)

    @extend_schema(request=serializers.ExcursionSerializer, responses={201: StaySerializer(many=True)})
    @action(detail=True, methods=["post"], pagination_class=None)
    def excursion(self, request: Request, code: str) -> Response:
        """Add a past stay: it was in another place from one past time to another, then back; or to its next move."""
        spool = self.get_object()
        stays = record_excursion(
            spool, **parse(serializers.ExcursionSerializer, request.data), by=request.user
        )
        return respond(StaySerializer, stays, status=201, many=True)

    @extend_schema(request=serializers.OpenSerializer, responses={201: serializers.OpeningSerializer})
    @action(detail=True, methods=["post"])
    def open(self, request: Request, code: str) -> Response:
        """State that the bag in which it came was opened. Loading, drying and printing open it by themselves."""
        data = parse(serializers.OpenSerializer, request.data)
        opening = record_opening(self.get_object(), **data, by=request.user)
        return respond(serializers.OpeningSerializer, opening, status=201)

    @extend_schema(request=serializers.WeighSerializer, responses={201: serializers.MassEntrySerializer})
    @action(detail=True, methods=["post"])
    def weigh(self, request: Request, code: str) -> Response:
        """Record a mass on the scale, with the reel."""
        entry = weigh(self.get_object(), **parse(serializers.WeighSerializer, request.data), by=request.user)
        return respond(serializers.MassEntrySerializer, entry, status=201)

    @extend_schema(request=serializers.CorrectReceiptSerializer, responses=serializers.SpoolSerializer)
    @action(detail=True, methods=["post"], url_path="correct-receipt")
    def correct_receipt(self, request: Request, code: str) -> Response:
        """Correct its feedstock and masses as it came. What is left out stays; wrong masses are withdrawn."""
        data = parse(serializers.CorrectReceiptSerializer, request.data)
        return self._spool(correct_receipt(self.get_object(), **data, by=request.user))

    @extend_schema(request=serializers.RespoolSerializer, responses={201: serializers.RespoolingSerializer})
    @action(detail=True, methods=["post"])
    def respool(self, request: Request, code: str) -> Response:
        """Record that all of it was wound onto another reel. Older weighings keep the old one."""
        data = parse(serializers.RespoolSerializer, request.data)
        fact = respool(self.get_object(), **data, by=request.user)
        return respond(serializers.RespoolingSerializer, fact, status=201)

    @extend_schema(request=serializers.JoinSerializer, responses={201: serializers.JoiningSerializer})
    @action(detail=True, methods=["post"])
    def join(self, request: Request, code: str) -> Response:
        """Record that filament of another spool of the feedstock was joined onto this one."""
        data = parse(serializers.JoinSerializer, request.data)
        joining = join_leftover(data.pop("source"), self.get_object(), **data, by=request.user)
        return respond(serializers.JoiningSerializer, joining, status=201)

    @extend_schema(request=serializers.EndSerializer, responses=serializers.SpoolSerializer)
    @action(detail=True, methods=["post"])
    def end(self, request: Request, code: str) -> Response:
        """Take it out of use: used up, given away, thrown away or lost. Withdraw its ending to take it back."""
        spool = self.get_object()
        return self._spool(
            end_spool(spool, **parse(serializers.EndSerializer, request.data), by=request.user)
        )

    @extend_schema(parameters=[PlanRequestSerializer], responses=PlanSerializer)
    @action(detail=True, url_path="drying-plan")
    def drying_plan(self, request: Request, code: str) -> Response:
        """Compute a plan for drying it in a dryer: stages, hours, floor, heat, or the reason why not. Nothing is stored."""
        data = parse(PlanRequestSerializer, request.query_params)
        spool, dryer, at = self.get_object(), data.pop("dryer"), data.pop("at", None)
        return respond(PlanSerializer, plan_drying(spool, dryer, PlanRequest(**data), at=at))

    @extend_schema(request=LoadSerializer, responses={201: LoadingSerializer})
    @action(detail=True, methods=["post"])
    def load(self, request: Request, code: str) -> Response:
        """Load it on a toolhead. A hold is refused unless a reason for going on is given, which is stored."""
        spool = self.get_object()
        data = parse(LoadSerializer, request.data)
        job = job_spec(data.pop("job", None))
        loading = load_spool(data.pop("toolhead"), spool, **data, job=job, by=request.user)
        return respond(LoadingSerializer, LOADINGS.get(pk=loading.pk), status=201)

    @extend_schema(request=PastLoadingSerializer, responses={201: LoadingSerializer})
    @action(detail=True, methods=["post"], url_path="past-loading")
    def past_loading(self, request: Request, code: str) -> Response:
        """Add a loading that is over, also between later ones; then it went back where it had been."""
        spool, data = self.get_object(), parse(PastLoadingSerializer, request.data)
        loading = record_past_loading(
            data.pop("toolhead"), spool, data.pop("start"), data.pop("end"), **data, by=request.user
        )
        return respond(LoadingSerializer, LOADINGS.get(pk=loading.pk), status=201)

    @extend_schema(request=serializers.MoveSerializer, responses=LoadingSerializer)
    @action(detail=True, methods=["post"])
    def unload(self, request: Request, code: str) -> Response:
        """Unload it from its toolhead into a place."""
        loading = next(iter(self.get_object().present_loadings), None)
        data = parse(serializers.MoveSerializer, request.data)
        if loading is None:
            raise refusal("not_loaded", _("This spool is on no toolhead. Move it instead."))
        unload_spool(loading, **data, by=request.user)
        return respond(LoadingSerializer, LOADINGS.get(pk=loading.pk))


class OfSpool(WithdrawMixin, Endpoint):
    """Base of facts of one spool; its history lists them."""

    def filter_queryset(self, queryset):
        return super().filter_queryset(queryset).filter(spool__code=codes.normalise(self.kwargs["code"]))


SPOOL = [OpenApiParameter("code", OpenApiTypes.STR, OpenApiParameter.PATH)]


@extend_schema_view(withdraw=extend_schema(parameters=SPOOL))
class MassEntries(OfSpool):
    """Weighings and cuts of a spool; its history lists them."""

    queryset = MassEntry.objects.select_related("spool", "recorded_by", "withdrawn_by")
    serializer_class = serializers.MassEntrySerializer

    @extend_schema(
        parameters=SPOOL,
        request=serializers.CorrectWeighingSerializer,
        responses={201: serializers.MassEntrySerializer},
    )
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, code: str, pk: str) -> Response:
        """Record the right number for a wrong weighing, which is withdrawn with it."""
        data = parse(serializers.CorrectWeighingSerializer, request.data)
        return self.respond_with(correct_weighing(self.get_object(), **data, by=request.user), status=201)


@extend_schema_view(withdraw=extend_schema(parameters=SPOOL))
class Openings(OfSpool):
    """Stated openings of the bag of a spool; its history lists them."""

    queryset = Opening.objects.select_related("spool", "recorded_by", "withdrawn_by")
    serializer_class = serializers.OpeningSerializer


@extend_schema_view(withdraw=extend_schema(parameters=SPOOL))
class Endings(OfSpool):
    """Endings of a spool: used up, given away, thrown away or lost."""

    queryset = Ending.objects.select_related("spool", "recorded_by", "withdrawn_by")
    serializer_class = serializers.EndingSerializer


@extend_schema_view(withdraw=extend_schema(parameters=SPOOL))
class Moves(OfSpool):
    """Moves and past stays of a spool; its history lists them."""

    queryset = Move.objects.select_related("spool", "place", "recorded_by", "withdrawn_by")
    serializer_class = MoveFactSerializer

    @extend_schema(
        parameters=SPOOL, request=serializers.CorrectMoveSerializer, responses={201: MoveFactSerializer}
    )
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, code: str, pk: str) -> Response:
        """Record the right place and time of a wrong move, which is withdrawn with it."""
        data = parse(serializers.CorrectMoveSerializer, request.data)
        return self.respond_with(correct_move(self.get_object(), **data, by=request.user), status=201)


@extend_schema_view(withdraw=extend_schema(parameters=SPOOL))
class Respoolings(OfSpool):
    """Windings of a spool onto another reel."""

    queryset = Respooling.objects.select_related("spool", "recorded_by", "withdrawn_by")
    serializer_class = serializers.RespoolingSerializer


@extend_schema_view(withdraw=extend_schema(parameters=SPOOL))
class Joinings(WithdrawMixin, Endpoint):
    """Filament of other spools that was joined onto a spool."""

    queryset = Joining.objects.select_related("taken__spool", "added__spool", "recorded_by", "withdrawn_by")
    serializer_class = serializers.JoiningSerializer

    def filter_queryset(self, queryset):
        code = codes.normalise(self.kwargs["code"])
        return super().filter_queryset(queryset).filter(added__spool__code=code)
