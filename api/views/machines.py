from collections.abc import Iterable
from functools import cache

from django.db.models import Prefetch
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.filters import FittingFilter, LoadingFilter, PartFilter
from api.serializers import machines as serializers
from api.serializers import parts as part_serializers
from api.serializers.facts import WithdrawSerializer
from api.views.base import Endpoint, RecordViewSet, RetireMixin, WithdrawMixin, respond
from maintenance.board.consumables import RunOut, forecast_stock
from maintenance.board.toolheads import read_upkeep
from maintenance.machines.past_loadings import correct_loading
from maintenance.machines.printers import bring_back, bring_back_toolhead, retire, retire_toolhead
from maintenance.models import (
    BoreReading,
    Fitting,
    Loading,
    Part,
    PartKind,
    Printer,
    PriorUse,
    Reservation,
    StockEntry,
    Toolhead,
)
from maintenance.models.parts import PRESENT
from maintenance.parts.corrections import correct_removal, withdraw_removal
from maintenance.parts.fitting import (
    fit_existing,
    fit_part,
    fit_used,
    record_bore,
    record_prior_use,
    remove_part,
    replace_part,
)
from maintenance.parts.life import KindLives, PartWear, load_kind_lives, load_part_wear
from maintenance.parts.stock import add_stock
from maintenance.parts.wear_entries import in_stock

FITTINGS = Fitting.objects.select_related("part__kind", "toolhead__printer", "printer", "withdrawn_by")
LOADINGS = Loading.recorded.select_related("toolhead__printer", "spool", "recorded_by", "withdrawn_by")
RESERVATIONS = Prefetch(
    "reservations", Reservation.objects.select_related("job", "spool").order_by("job__start")
)
PRESENT_FITTINGS = Prefetch("fittings", FITTINGS.filter(PRESENT), to_attr="present_fittings")


class Printers(RetireMixin, RecordViewSet):
    """Machines. A machine's place, of kind printer, is where its loaded spools stay; it has the machine's name."""

    retire_row, bring_back_row = staticmethod(retire), staticmethod(bring_back)

    queryset = Printer.objects.prefetch_related("toolheads")
    serializer_class = serializers.PrinterSerializer


class Toolheads(RetireMixin, RecordViewSet):
    """Hot ends with their drives: the spool on each, and the parts fitted to it."""

    retire_row, bring_back_row = staticmethod(retire_toolhead), staticmethod(bring_back_toolhead)

    queryset = Toolhead.objects.select_related("printer").prefetch_related(
        PRESENT_FITTINGS,
        Prefetch("loadings", LOADINGS.present().order_by("slot"), to_attr="present_loadings"),
        RESERVATIONS,
    )
    serializer_class = serializers.ToolheadSerializer
    filterset_fields = ["printer"]


class Loadings(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Spools on toolheads, with the verdict at loading. Load and unload a spool at its own address."""

    queryset = LOADINGS
    serializer_class = serializers.LoadingSerializer
    filterset_class = LoadingFilter

    @extend_schema(
        request=serializers.CorrectLoadingSerializer, responses={201: serializers.LoadingSerializer}
    )
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, pk: str) -> Response:
        """Record the right time of a loading, which is withdrawn with the wrong one."""
        data = parse(serializers.CorrectLoadingSerializer, request.data)
        return self.respond_with(correct_loading(self.get_object(), **data, by=request.user), status=201)


class PartKinds(RecordViewSet):
    """Parts as bought: their life as stated, its source, the life learnt here, and how many are in stock."""

    queryset = PartKind.objects.all()
    serializer_class = part_serializers.PartKindSerializer
    filterset_fields = ["role"]

    def get_serializer_context(self):
        # Asked for when the rows are shown, so that a row just corrected is shown as it is now.
        lives: dict[int, KindLives] = {}

        def lives_of(kind: PartKind) -> KindLives:
            if kind.pk not in lives:
                lives.update(load_kind_lives(PartKind.objects.all()))
            return lives[kind.pk]

        @cache
        def run_outs() -> dict[int, RunOut]:
            now = timezone.now()
            return forecast_stock(in_stock(), read_upkeep(now), now)

        context = {"in_stock": in_stock(), "known": lives_of, "run_outs": run_outs}
        return super().get_serializer_context() | context


class Parts(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Single parts, where they are fitted, and the life that is left in them."""

    queryset = Part.objects.select_related("kind").prefetch_related(PRESENT_FITTINGS)
    serializer_class = part_serializers.PartSerializer
    filterset_class = PartFilter

    def list(self, request: Request) -> Response:
        page = self.paginate_queryset(self.filter_queryset(self.get_queryset()))
        context = {"aged": self._load_wear(page)}
        return self.get_paginated_response(
            part_serializers.PartSerializer(page, many=True, context=context).data
        )

    def retrieve(self, request: Request, pk: str) -> Response:
        part = self.get_object()
        return respond(part_serializers.PartSerializer, part, context={"aged": self._load_wear([part])})

    @staticmethod
    def _load_wear(parts: Iterable[Part]) -> dict[int, PartWear]:
        rows = load_part_wear(Part.objects.filter(pk__in=[part.pk for part in parts]))
        return {wear.part.pk: wear for wear in rows}


class BoreReadings(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Measured bores of nozzles."""

    queryset = BoreReading.objects.select_related("withdrawn_by")
    serializer_class = part_serializers.BoreReadingSerializer
    filterset_fields = ["part"]

    @extend_schema(
        request=part_serializers.RecordBoreSerializer, responses={201: part_serializers.BoreReadingSerializer}
    )
    def create(self, request: Request) -> Response:
        """Record a measured bore; one before the first job is the new bore."""
        data = parse(part_serializers.RecordBoreSerializer, request.data)
        reading = record_bore(data.pop("part"), **data, by=request.user)
        return respond(part_serializers.BoreReadingSerializer, reading, status=201)


class PriorUses(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """The use of parts before they came into the records; the last valid one of a part counts."""

    queryset = PriorUse.objects.select_related("withdrawn_by")
    serializer_class = part_serializers.PriorUseSerializer
    filterset_fields = ["part"]

    @extend_schema(
        request=part_serializers.RecordPriorUseSerializer,
        responses={201: part_serializers.PriorUseSerializer},
    )
    def create(self, request: Request) -> Response:
        """State the use of a part before it came into the records."""
        data = parse(part_serializers.RecordPriorUseSerializer, request.data)
        prior = record_prior_use(data.pop("part"), data.pop("unit"), **data, by=request.user)
        return respond(part_serializers.PriorUseSerializer, prior, status=201)


class StockEntries(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Changes of the stock of parts; the count of each kind is in part-kinds."""

    queryset = StockEntry.objects.select_related("kind", "withdrawn_by")
    serializer_class = part_serializers.StockEntrySerializer
    filterset_fields = ["kind"]

    @extend_schema(
        request=part_serializers.AddStockSerializer, responses={201: part_serializers.StockEntrySerializer}
    )
    def create(self, request: Request) -> Response:
        """Record parts that came into the drawer, or were counted out."""
        entry = add_stock(**parse(part_serializers.AddStockSerializer, request.data), by=request.user)
        return respond(part_serializers.StockEntrySerializer, entry, status=201)


class Fittings(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Parts on toolheads and printers, from one time to another."""

    queryset = FITTINGS
    serializer_class = serializers.FittingSerializer
    filterset_class = FittingFilter

    @extend_schema(request=part_serializers.FitSerializer, responses={201: serializers.FittingSerializer})
    def create(self, request: Request) -> Response:
        """Fit a part from stock, a used one, or one that was taken off sound, where the role is free."""
        data = parse(part_serializers.FitSerializer, request.data)
        if "prior_unit" in data:
            fitting = fit_used(**data, by=request.user)
        elif "part" in data:
            fitting = fit_existing(**data, by=request.user)
        else:
            fitting = fit_part(**data, by=request.user)
        return respond(serializers.FittingSerializer, fitting, status=201)

    @extend_schema(request=part_serializers.ReplaceSerializer, responses={201: serializers.FittingSerializer})
    @action(detail=False, methods=["post"])
    def replace(self, request: Request) -> Response:
        """Take the part in this role off and fit a new one from stock."""
        data = parse(part_serializers.ReplaceSerializer, request.data)
        fitting = replace_part(**data, by=request.user)
        return respond(serializers.FittingSerializer, fitting, status=201)

    @extend_schema(request=part_serializers.RemoveSerializer, responses=serializers.FittingSerializer)
    @action(detail=True, methods=["post"])
    def remove(self, request: Request, pk: str) -> Response:
        """Take the part off and give the reason."""
        fitting = self.get_object()
        data = parse(part_serializers.RemoveSerializer, request.data)
        return respond(serializers.FittingSerializer, remove_part(fitting, **data, by=request.user))

    @extend_schema(request=part_serializers.CorrectRemovalSerializer, responses=serializers.FittingSerializer)
    @action(detail=True, methods=["post"], url_path="correct-removal")
    def correct_removal(self, request: Request, pk: str) -> Response:
        """Another reason or time of a removal. The answer is the fitting that counts instead."""
        data = parse(part_serializers.CorrectRemovalSerializer, request.data)
        corrected = correct_removal(self.get_object(), data.pop("removal"), **data, by=request.user)
        return respond(serializers.FittingSerializer, corrected)

    @extend_schema(request=WithdrawSerializer, responses=serializers.FittingSerializer)
    @action(detail=True, methods=["post"], url_path="withdraw-removal")
    def withdraw_removal(self, request: Request, pk: str) -> Response:
        """The part never came off. The answer is the fitting that counts instead."""
        data = parse(WithdrawSerializer, request.data)
        return respond(
            serializers.FittingSerializer, withdraw_removal(self.get_object(), **data, by=request.user)
        )
