"""Usage and cost of a span, and the rates that the cost rests on."""

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from maintenance.costs.rates import save_rates
from maintenance.costs.shares import load_rates
from maintenance.costs.usage import Usage, add_up, load_usage
from maintenance.costs.wording import format_money
from pages.costs.chart import draw_months, split_groups
from pages.costs.forms import GROUP_WORDS, RatesForm, UsageForm
from pages.frame.forms import apply, post_data

# Lists that can be exported, by their names in the API.
LISTS = {
    "spools": gettext_lazy("Spools"),
    "jobs": gettext_lazy("Jobs"),
    "loadings": gettext_lazy("Loadings"),
    "drying-runs": gettext_lazy("Drying runs"),
    "feedstocks": gettext_lazy("Filaments"),
    "places": gettext_lazy("Places"),
    "printers": gettext_lazy("Printers"),
    "parts": gettext_lazy("Parts"),
    "fittings": gettext_lazy("Fittings"),
    "stock": gettext_lazy("Stock"),
    "services": gettext_lazy("Services"),
    "flow-checks": gettext_lazy("Flow checks"),
    "troubles": gettext_lazy("Trouble"),
    "reminders": gettext_lazy("Reminders"),
}
# The bars of a report are this wide at the largest group.
BAR = 100


def usage(request: HttpRequest) -> HttpResponse:
    """What was printed in a span, by group, with its cost; what failed apart."""
    form = UsageForm(request.GET)
    lists = [(text, f"/api/v1/{name}") for name, text in LISTS.items()]
    if not form.is_valid():
        return render(request, "costs/usage.html", {"form": form, "lists": lists})
    by, (since, until) = form.cleaned_data["by"], form.span
    groups, currency = load_usage(by, since, until), load_rates().currency
    total = add_up(groups)
    most_g = max((group.mass_g for group in groups), default=0.0)
    chart = None
    if groups:
        days = form.cleaned_data["since"], form.cleaned_data["until"]
        chart = draw_months(split_groups(by, groups), *days)
    query = {"by": by, "since": since.isoformat(), "until": until.isoformat(), "format": "csv"}
    return render(
        request,
        "costs/usage.html",
        {
            "form": form,
            "lists": lists,
            "by": GROUP_WORDS[by],
            "rows": [_row(group, currency, most_g) for group in groups],
            "total": _row(total, currency, total.mass_g),
            "chart": chart,
            "gaps": total.cost.gaps,
            "csv": f"/api/v1/usage?{urlencode(query)}",
        },
    )


def _row(group: Usage, currency: str, most_g: float) -> dict[str, Any]:
    scale = BAR / most_g if most_g else 0.0
    return {
        "group": group,
        "good": scale * (group.mass_g - group.failed_g),
        "failed": scale * group.failed_g,
        "costs": {
            name: format_money(getattr(group.cost, name), currency)
            for name in ("filament", "wear", "machine", "energy", "total")
        },
        "failed_cost": format_money(group.failed_cost.total, currency),
    }


def rates(request: HttpRequest) -> HttpResponse:
    form = RatesForm(post_data(request), instance=load_rates())
    if apply(form, lambda data: save_rates(form.instance, form.machines())):
        messages.success(request, _("The rates are saved. Costs are computed with them, past ones too."))
        return redirect("usage")
    return render(request, "costs/rates.html", {"form": form})
