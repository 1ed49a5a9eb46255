"""Choosing a spool on its toolhead, or one that came off lately, in the forms of several subjects."""

from datetime import timedelta

from django import forms
from django.db.models import F, Q, QuerySet
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.models import Loading
from spools.codes import pretty
from spools.wording import format_time

# A job that is recorded late may belong to a spool that has been unloaded since.
LATE_JOBS = timedelta(days=14)


class LoadingField(forms.ModelChoiceField):
    def label_from_instance(self, loading: Loading) -> str:
        code = pretty(loading.spool.code)
        return f"{loading.site}: {code} {loading.spool.feedstock}{until(loading)}"


def recent_loadings() -> QuerySet[Loading]:
    """Spools on their toolheads, and those that came off lately, present ones first."""
    recent = Q(end=None) | Q(end__gt=timezone.now() - LATE_JOBS)
    loadings = Loading.objects.filter(recent).select_related(
        "toolhead__printer",
        "spool__feedstock__maker",
        "spool__feedstock__polymer",
        "spool__feedstock__filler",
    )
    return loadings.order_by(F("end").desc(nulls_first=True), "toolhead__printer__name")


def until(loading: Loading) -> str:
    """The end of a loading as text, empty while the spool is on its toolhead."""
    return "" if loading.end is None else _(", until {time}").format(time=format_time(loading.end))
