"""Places and feedstocks go out of use and may come back: no longer offered, with their history as it was."""

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from spools.checks import lock_spool_facts
from spools.edits.versions import count_edit
from spools.invalidation import invalidate_advice, invalidate_answers
from spools.models import DryingRun, Feedstock, Place, PlannedDrying, Stay
from spools.refusals import refusal
from spools.wording import format_time


@transaction.atomic
def retire_place(place: Place) -> Place:
    """A place is out of use: no spool can be moved to it, and it stands in no choice.

    Refused: twice, while spools are in it or to be dried in it, while other places stand in it, and for the place
    of a printer, which follows its printer.
    """
    place = _lock_place(place)
    if place.retired_at is not None:
        raise refusal(
            "out_of_use_already",
            _("{place} is out of use since {retired_at} already.").format(
                place=place, retired_at=format_time(place.retired_at)
            ),
        )
    here = Stay.objects.filter(place=place, end=None).count()
    if here or DryingRun.objects.filter(dryer=place, end=None).exists():
        raise refusal("place_occupied", _("Spools are in {place}. Move them first.").format(place=place))
    inside = Place.objects.in_use().filter(room=place).first()
    if inside is not None:
        raise refusal(
            "room_of_places",
            _("{inside} stands in {place}. Change its room first.").format(inside=inside, place=place),
        )
    if PlannedDrying.objects.filter(dryer=place, ended_at=None, run=None, end__gt=timezone.now()).exists():
        raise refusal(
            "dryings_planned",
            _("Dryings are planned in {place}. Plan the week without it first.").format(place=place),
        )
    place.retired_at = timezone.now()
    return _save_place(place)


@transaction.atomic
def bring_back_place(place: Place) -> Place:
    """A place is used again. Refused: one that is in use, and the place of a printer."""
    place = _lock_place(place)
    if place.retired_at is None:
        raise refusal("in_use_already", _("{place} is in use already.").format(place=place))
    place.retired_at = None
    return _save_place(place)


@transaction.atomic
def set_printer_place(place: Place, *, name: str, retired: bool) -> Place:
    """The place of a printer has the printer's name and is out of use with it. Refused: the name of another place."""
    lock_spool_facts()
    place = Place.objects.select_for_update(no_key=True, of=("self",)).get(pk=place.pk)
    if (place.name, place.retired_at is not None) == (name, retired):
        return place
    place.name, place.retired_at = name, timezone.now() if retired else None
    return _save_place(place)


@transaction.atomic
def retire_feedstock(feedstock: Feedstock) -> Feedstock:
    """A feedstock is no longer bought: not offered for new spools, and nobody is reminded to reorder it.

    Its spools stay in use. Refused: twice.
    """
    feedstock = Feedstock.objects.select_for_update(no_key=True).get(pk=feedstock.pk)
    if feedstock.retired_at is not None:
        since = format_time(feedstock.retired_at)
        raise refusal(
            "out_of_use_already",
            _("{feedstock} is out of use since {since} already.").format(feedstock=feedstock, since=since),
        )
    feedstock.retired_at = timezone.now()
    return _save_feedstock(feedstock)


@transaction.atomic
def bring_back_feedstock(feedstock: Feedstock) -> Feedstock:
    """A feedstock is bought again. Refused: one that is in use."""
    feedstock = Feedstock.objects.select_for_update(no_key=True).get(pk=feedstock.pk)
    if feedstock.retired_at is None:
        raise refusal("in_use_already", _("{feedstock} is in use already.").format(feedstock=feedstock))
    feedstock.retired_at = None
    return _save_feedstock(feedstock)


def _lock_place(place: Place) -> Place:
    lock_spool_facts()
    place = Place.objects.select_for_update(no_key=True, of=("self",)).get(pk=place.pk)
    if place.kind == Place.Kind.PRINTER:
        raise refusal(
            "place_of_printer", _("A printer's place goes out of use with its printer. Choose that.")
        )
    return place


def _save_place(place: Place) -> Place:
    count_edit(place)
    place.full_clean()
    place.save(update_fields=["name", "retired_at"])
    # Advice names dryers and storage; prints are judged in the air of printers and of places that feed them.
    invalidate_advice()
    invalidate_answers()
    return place


def _save_feedstock(feedstock: Feedstock) -> Feedstock:
    count_edit(feedstock)
    feedstock.save(update_fields=["retired_at"])
    return feedstock
