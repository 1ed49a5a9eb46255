"""Materials: polymers and feedstocks, every number with where it comes from."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from django.views.decorators.http import require_POST

from pages.frame.forms import apply, post_data
from pages.frame.notices import notify_result
from pages.frame.numbers import NUMBERS
from pages.materials.charts import draw_drying, draw_sorption
from pages.materials.forms import CouponForm, FeedstockForm
from spools.catalogue.coupons import record_coupon_test
from spools.catalogue.values import properties
from spools.inventory.assumptions import RANGES, save_feedstock
from spools.inventory.retiring import bring_back_feedstock, retire_feedstock
from spools.models import Feedstock, Maker, Polymer, Source
from spools.moisture.taught import summarize_taught

if TYPE_CHECKING:
    from django.utils.functional import _StrPromise

ENCLOSURES = {
    "no": gettext_noop("It needs no enclosure."),
    "helps": gettext_noop("An enclosure helps."),
    "yes": gettext_noop("It needs an enclosure."),
    "heated": gettext_noop("It needs a heated enclosure."),
}


@dataclass
class LabelledNumber:
    """A number of a polymer with its band, its grade and the sources behind it."""

    name: str
    label: "_StrPromise"
    unit: "str | _StrPromise"
    value: float | str | None
    low: float | None
    high: float | None
    grade: str
    basis: str
    sources: list[Source]


def list_numbers(polymer: Polymer, sources: list[Source]) -> list[LabelledNumber]:
    """Every number of a polymer in the order in which it is read, with its sources."""
    grades = {"w50_pct": polymer.grade_uptake, "d23_m2_s": polymer.grade_rate}
    bases = {
        "softening_c": polymer.softening_basis,
        "w50_pct": polymer.get_isotherm_display(),
        "limit_clear_pct": polymer.limit_basis,
        "limit_hold_pct": polymer.limit_basis,
    }
    bands = {name: (getattr(polymer, low), getattr(polymer, high)) for name, low, high in RANGES}
    # A range is published as one: its sources stand at its lower end.
    shared = {"nozzle_max_c": "nozzle_min_c", "bed_max_c": "bed_min_c"}
    return [
        LabelledNumber(
            name,
            label,
            unit,
            getattr(polymer, name),
            *bands.get(name, (None, None)),
            grade=grades.get(name, ""),
            basis=bases.get(name, ""),
            sources=[source for source in sources if source.field in (name, shared.get(name))],
        )
        for name, (label, unit) in NUMBERS.items()
    ]


def materials(request: HttpRequest) -> HttpResponse:
    """Feedstocks, and polymers, those of the feedstocks first; with a search, those in which its words occur."""
    q = request.GET.get("q", "").strip()
    live = Q(spools__ended_at=None)
    polymers = Polymer.objects.annotate(used=Count("feedstocks")).order_by("-used", "name")
    feedstocks = Feedstock.objects.select_related("maker", "polymer", "filler")
    return render(
        request,
        "materials/list.html",
        {
            "q": q,
            "polymers": [row for row in polymers if _matches(q, row.name, row.kind)],
            "feedstocks": [
                row
                for row in feedstocks.annotate(live=Count("spools", filter=live))
                if _matches(q, str(row), row.polymer.name, row.polymer.kind, str(row.filler or ""))
            ],
            "makers": Maker.objects.annotate(products=Count("feedstocks")),
        },
    )


def _matches(q: str, *texts: str) -> bool:
    """Whether each word of a search occurs in a text, as it is stored or as it is shown."""
    present = " ".join([*texts, *(_(text) for text in texts)]).casefold()
    return all(word in present for word in q.casefold().split())


def material(request: HttpRequest, pk: int) -> HttpResponse:
    polymer = get_object_or_404(Polymer, pk=pk)
    sources = list(polymer.sources.all())
    plain = Feedstock(polymer=polymer)
    return render(
        request,
        "materials/detail.html",
        {
            "polymer": polymer,
            "enclosure": _(ENCLOSURES.get(polymer.enclosure, polymer.enclosure)),
            "drying": draw_drying(plain),
            "sorption": draw_sorption(plain),
            "numbers": list_numbers(polymer, sources),
            "background": [source for source in sources if source.field not in NUMBERS],
            "feedstocks": polymer.feedstocks.select_related("maker"),
        },
    )


def feedstock(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(Feedstock.objects.select_related("maker", "polymer", "filler"), pk=pk)
    return render(
        request,
        "materials/feedstock.html",
        {
            "feedstock": row,
            "drying": draw_drying(row),
            "sorption": draw_sorption(row),
            "filler_pct": 100 * row.filler_mass_fraction,
            "properties": [(prop, NUMBERS[prop.name][0]) for prop in properties(row).values()],
            "spools": row.spools.filter(ended_at=None),
            "coupon_tests": row.coupon_tests.select_related("recorded_by", "withdrawn_by"),
            "taught": summarize_taught(row, timezone.now()).statement(),
        },
    )


def coupon_test(request: HttpRequest, pk: int) -> HttpResponse:
    """Record a coupon test of a feedstock."""
    row = get_object_or_404(Feedstock.objects.select_related("maker"), pk=pk)
    form = CouponForm(post_data(request))
    if apply(
        form,
        lambda data: record_coupon_test(
            row,
            temperature_c=data["temperature_c"],
            passed=data["passed"] == "yes",
            at=data["when"],
            by=request.user,
        ),
    ):
        messages.success(
            request,
            _("The coupon test of {feedstock} is saved. Drying plans use it from now on.").format(
                feedstock=row
            ),
        )
        return redirect("feedstock", row.pk)
    return render(request, "materials/coupon.html", {"form": form, "feedstock": row})


def feedstock_new(request: HttpRequest) -> HttpResponse:
    form = FeedstockForm(post_data(request))
    return _feedstock_form(request, form, _("{feedstock} is in the catalogue."))


def feedstock_edit(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(Feedstock.objects.select_related("maker"), pk=pk)
    form = FeedstockForm(post_data(request), instance=row)
    result = _("{feedstock} is changed. The moisture of its spools is computed again.")
    return _feedstock_form(request, form, result)


@require_POST
def feedstock_retire(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(Feedstock.objects.select_related("maker"), pk=pk)
    result = _("{feedstock} is out of use.").format(feedstock=row)
    notify_result(request, lambda: retire_feedstock(row), result)
    return redirect("feedstock", pk)


@require_POST
def feedstock_bring_back(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(Feedstock.objects.select_related("maker"), pk=pk)
    result = _("{feedstock} is in use again.").format(feedstock=row)
    notify_result(request, lambda: bring_back_feedstock(row), result)
    return redirect("feedstock", pk)


def _feedstock_form(request: HttpRequest, form: FeedstockForm, result: str) -> HttpResponse:
    if apply(form, lambda data: save_feedstock(form.instance, data["maker_name"])):
        messages.success(request, result.format(feedstock=form.instance))
        return redirect("feedstock", form.instance.pk)
    return render(request, "materials/form.html", {"form": form, "makers": Maker.objects.all()})
