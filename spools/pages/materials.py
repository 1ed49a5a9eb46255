"""Materials: polymers and feedstocks, every number with where it comes from."""

from dataclasses import dataclass, field

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from spools import catalogue
from spools.corrections import save_feedstock
from spools.models import Feedstock, Maker, Polymer, Source

from .forms import FeedstockForm, carried_out


@dataclass
class Number:
    """A number of a polymer: one value or a range, its band, unit and grade, and the sources behind it."""

    name: str
    label: str
    unit: str
    value: float | str | None
    upto: float | None = None
    low: float | None = None
    high: float | None = None
    grade: str = ""
    basis: str = ""
    sources: list[Source] = field(default_factory=list)


def numbers(polymer: Polymer, sources: list[Source]) -> list[Number]:
    """Every number of a polymer in the order in which it is read, with its sources."""
    p = polymer
    found = [
        Number("density_g_cm3", "Density", "g/cm³", p.density_g_cm3),
        Number("tg_c", "Glass transition", "°C", p.tg_c),
        Number("tm_c", "Melting point", "°C", p.tm_c),
        Number("softening_c", "Softening point", "°C", p.softening_c, basis=p.softening_basis),
        Number("dry_cap_c", "Highest drying temperature", "°C", p.dry_cap_c),
        Number("dry_set_c", "Usual drying temperature", "°C", p.dry_set_c),
        Number("dry_hours", "Usual drying time", "h", p.dry_hours),
        Number(
            "w50_pct",
            "Uptake at 23 °C and 50 % RH",
            "%",
            p.w50_pct,
            low=p.w50_low,
            high=p.w50_high,
            grade=p.grade_uptake,
            basis=p.get_isotherm_display(),
        ),
        Number("saturation_pct", "Uptake in water", "%", p.saturation_pct),
        Number(
            "d23_m2_s",
            "Diffusivity at 23 °C",
            "m²/s",
            p.d23_m2_s,
            low=p.d23_low,
            high=p.d23_high,
            grade=p.grade_rate,
        ),
        Number(
            "e_d_kj_mol",
            "Activation energy of diffusion",
            "kJ/mol",
            p.e_d_kj_mol,
            low=p.e_d_low,
            high=p.e_d_high,
        ),
        Number("limit_clear_pct", "Prints well up to", "% moisture", p.limit_clear_pct, basis=p.limit_basis),
        Number("limit_hold_pct", "Print limit", "% moisture", p.limit_hold_pct, basis=p.limit_basis),
        Number("moulding_limit_pct", "Limit for strong parts", "% moisture", p.moulding_limit_pct),
        Number("nozzle_min_c", "Nozzle", "°C", p.nozzle_min_c, upto=p.nozzle_max_c),
        Number("bed_min_c", "Bed", "°C", p.bed_min_c, upto=p.bed_max_c),
    ]
    for one in found:
        one.sources = [source for source in sources if source.field == one.name]
    return found


@login_required
def materials(request: HttpRequest) -> HttpResponse:
    live = Q(spools__emptied_at=None)
    return render(
        request,
        "materials/list.html",
        {
            "polymers": Polymer.objects.annotate(used=Count("feedstocks")),
            "feedstocks": Feedstock.objects.select_related("maker", "polymer", "filler").annotate(
                live=Count("spools", filter=live)
            ),
            "makers": Maker.objects.annotate(products=Count("feedstocks")),
        },
    )


@login_required
def material(request: HttpRequest, pk: int) -> HttpResponse:
    polymer = get_object_or_404(Polymer, pk=pk)
    sources = list(polymer.sources.all())
    found = numbers(polymer, sources)
    named = {number.name for number in found}
    return render(
        request,
        "materials/detail.html",
        {
            "polymer": polymer,
            "numbers": found,
            "background": [source for source in sources if source.field not in named],
            "feedstocks": polymer.feedstocks.select_related("maker"),
        },
    )


@login_required
def feedstock(request: HttpRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Feedstock.objects.select_related("maker", "polymer", "filler"), pk=pk)
    return render(
        request,
        "materials/feedstock.html",
        {
            "feedstock": found,
            "properties": catalogue.properties(found).values(),
            "spools": found.spools.filter(emptied_at=None),
        },
    )


@login_required
def feedstock_new(request: HttpRequest) -> HttpResponse:
    form = FeedstockForm(request.POST or None)
    return _feedstock_form(request, form, "is in the catalogue.")


@login_required
def feedstock_edit(request: HttpRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Feedstock.objects.select_related("maker"), pk=pk)
    form = FeedstockForm(request.POST or None, instance=found)
    return _feedstock_form(request, form, "is changed; the moisture of its spools is worked out anew.")


def _feedstock_form(request: HttpRequest, form: FeedstockForm, done: str) -> HttpResponse:
    if carried_out(form, lambda data: save_feedstock(form.instance, data["maker_name"])):
        messages.success(request, f"{form.instance} {done}")
        return redirect("feedstock", form.instance.pk)
    return render(request, "materials/form.html", {"form": form, "makers": Maker.objects.all()})
