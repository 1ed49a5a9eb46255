"""Spools that somebody wants dry: loaded, reserved, planned to be dried, or needed for a print request or a job file."""

from collections.abc import Iterable, Sequence
from datetime import timedelta
from typing import Any

from django.db.models import DateTimeField, Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from background.prepared import Parameter, PreparedQuery
from maintenance.models import Job, JobFileMaterial, Loading, Reservation
from spools.board import board
from spools.drying.dryers import planned_dryings
from spools.inventory.openings import is_opened
from spools.models import DryingRun, PrintRequest, Spool, SpoolBoard

# The word of an unopened bag is taken, unless its card says otherwise.
IS_OPENED = Q(spool__card__in=[Spool.Card.WET, Spool.Card.MISSING]) | is_opened("spool")
# So long a job file waits for its print, from the statement of its material on.
FILE_WAITS = timedelta(days=30)


def find_wanted(wet_over: float) -> set[int]:
    """The ids of the spools that are wanted. A fixed number of queries.

    wet_over: the chance above which a spool may be too wet. A request for a material, or a job file of it that was
    not printed yet, wants the spool of it that is the least wet, if even that one may be.
    """
    wanted = {spool for (spool,) in _SPOOLS.run()}
    materials: list[Any] = _MATERIALS.run(since=timezone.now() - FILE_WAITS)
    if not materials:
        return wanted
    stock = board.rows_in_use().filter(_matches(materials)).order_by("over_clear", "spool")
    columns = list(stock.values_list("spool", "spool__feedstock", "spool__feedstock__polymer", "over_clear"))
    for feedstock, polymer in materials:
        for spool, its_feedstock, its_polymer, over_clear in columns:
            if feedstock == its_feedstock or polymer == its_polymer:
                if over_clear > wet_over:
                    wanted.add(spool)
                break
    return wanted


def _build_spools() -> QuerySet[Any, Any]:
    requests = PrintRequest.objects.filter(withdrawn_at=None, spool__isnull=False)
    wanted = [
        rows.order_by().values_list("spool")
        for rows in (Loading.objects.present(), Reservation.objects.all(), planned_dryings(), requests)
    ]
    return wanted[0].union(*wanted[1:])


def _build_materials() -> QuerySet[Any, Any]:
    requests = PrintRequest.objects.filter(withdrawn_at=None, spool=None).order_by()
    files = JobFileMaterial.objects.filter(
        ~Exists(Job.objects.filter(file=OuterRef("file"), withdrawn_at=None)),
        stated_at__gte=Parameter("since", DateTimeField()),
    ).order_by()
    columns = "feedstock", "polymer"
    return requests.values_list(*columns).union(files.values_list(*columns))


_SPOOLS, _MATERIALS = PreparedQuery(_build_spools), PreparedQuery(_build_materials)


def find_damp(wet_over: float, wanted: Iterable[int]) -> QuerySet[SpoolBoard]:
    """The rows of opened spools, in no dryer, that are wet and that nobody wants now."""
    drying = Exists(DryingRun.objects.filter(spool=OuterRef("spool"), end=None))
    rows = board.rows_in_use().filter(IS_OPENED, ~drying, over_clear__gt=wet_over, run=None)
    return rows.exclude(spool__in=list(wanted))


def _matches(materials: Sequence[tuple[int | None, int | None]]) -> Q:
    feedstocks, polymers = zip(*materials, strict=True)
    return Q(spool__feedstock__in=[pk for pk in feedstocks if pk]) | Q(
        spool__feedstock__polymer__in=[pk for pk in polymers if pk]
    )
