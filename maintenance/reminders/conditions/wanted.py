"""Spools that somebody wants dry: loaded, reserved for a job, planned to be dried, or needed for a print request."""

from collections.abc import Iterable, Sequence
from typing import Any

from django.db.models import Exists, OuterRef, Q, QuerySet

from background.prepared import PreparedQuery
from maintenance.models import Loading, Reservation
from spools.board import board
from spools.drying.dryers import planned_dryings
from spools.inventory.openings import is_opened
from spools.models import DryingRun, PrintRequest, Spool, SpoolBoard

# The word of an unopened bag is taken, unless its card says otherwise.
IS_OPENED = Q(spool__card__in=[Spool.Card.WET, Spool.Card.MISSING]) | is_opened("spool")


def find_wanted(wet_over: float) -> set[int]:
    """The ids of the spools that are wanted. A fixed number of queries.

    wet_over: the chance above which a spool may be too wet. A request for a material wants the spool of it that is
    the least wet, if even that one may be.
    """
    wanted = {spool for (spool,) in _SPOOLS.run()}
    materials: list[Any] = _MATERIALS.run()
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
    return requests.values_list("feedstock", "polymer").distinct()


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
