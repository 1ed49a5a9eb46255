"""The prints that spools are in or reserved for. Machines are known above this package, which registers the loader."""

from collections.abc import Callable, Collection, Mapping
from datetime import datetime, timedelta
from typing import NamedTuple

from django.utils.translation import gettext as _

from spools.codes import pretty
from spools.models import Spool
from spools.refusals import refusal
from spools.wording import format_time


class SpoolPrint(NamedTuple):
    """A print that takes grams of a spool. is_running: the spool is on the machine and prints."""

    name: str
    start: datetime
    end: datetime
    mass_g: float
    is_running: bool


PrintsBySpool = Mapping[int, list[SpoolPrint]]
Loader = Callable[[Collection[int] | None], PrintsBySpool]
_loaders: list[Loader] = []


def loads_prints(loader: Loader) -> Loader:
    """Decorates the function that loads the prints that are not over, by spool id; None: of all spools."""
    _loaders[:] = [loader]
    return loader


def load_prints(spool_ids: Collection[int] | None = None) -> PrintsBySpool:
    """The prints that are not over of these spools, or of all, by spool id, in the order of their starts."""
    return _loaders[0](spool_ids) if _loaders else {}


def find_free_start(prints: Collection[SpoolPrint], start: datetime, hours: float) -> datetime:
    """The first time from a start on at which a spool is in no print for so many hours."""
    for print_ in sorted(prints, key=lambda print_: print_.start):
        if start < print_.end and print_.start < start + timedelta(hours=hours):
            start = print_.end
    return start


def require_not_printing(spool: Spool, at: datetime) -> None:
    """Refused: a time before the end of the print that the spool is in."""
    for print_ in load_prints([spool.pk]).get(spool.pk, []):
        if print_.is_running and at < print_.end:
            raise refusal(
                "in_a_print",
                _(
                    "Spool {spool} is in {name} until {end}. Record on the job's page how that ended, or that it "
                    "goes on with another spool."
                ).format(spool=pretty(spool.code), name=print_.name, end=format_time(print_.end)),
            )
