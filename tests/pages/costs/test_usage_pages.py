"""The pages of usage, rates and prices, and lists as CSV."""

import csv
from datetime import date
from io import StringIO

import pytest
from django.urls import reverse
from rest_framework.test import APIClient

from maintenance.costs.usage import Usage
from maintenance.jobs.records import record_job
from maintenance.models import CostRates, Printer
from pages.costs.chart import draw_months, split_groups
from pages.costs.views import LISTS
from tests.pages.shown import notes, require_refused, shows


def read_csv(answer) -> list[dict[str, str]]:
    assert answer["Content-Type"].startswith("text/csv"), answer.content[:200]
    return list(csv.DictReader(StringIO(answer.content.decode())))


def test_rates_prices_and_the_report_of_usage(shop, desk):
    spool = shop.toolheads[0].loadings.get().spool
    desk.post(reverse("spool-price", args=[spool.code]), {"price": "24.50"})
    assert shows(desk.get(reverse("spool", args=[spool.code])), "24.50", note="price")
    assert shop.user and "no_usage" in notes(
        desk.get(reverse("usage"), {"until": "2001-01-02", "since": "2001-01-01"})
    )
    printer = shop.toolheads[0].printer
    rates = {
        "currency": "EUR",
        "energy_per_kwh": "0.3",
        f"hour_{printer.pk}": "1.5",
        f"power_{printer.pk}": "150",
    }
    assert desk.post(reverse("rates"), rates).url == reverse("usage")
    printer = Printer.objects.get(pk=printer.pk)
    assert (printer.hour_rate, printer.power_w) == (1.5, 150)
    job = {
        "loading": shop.toolheads[0].loadings.get().pk,
        "name": "bracket",
        "mass_g": 20,
        "hours": 1,
        "nozzle_c": 215,
        "bed_c": 60,
        "project": "lamp",
    }
    checked = desk.post(reverse("job-new"), job)
    key = checked.context["verdict_key"]
    recorded = desk.post(reverse("job-new"), job | {"record": "1", "checked": key})
    assert shows(desk.get(recorded.url), "EUR", "lamp", note="cost")
    for by in ("month", "material", "printer", "project"):
        page = desk.get(reverse("usage"), {"by": by})
        parts = page.context["chart"].headers
        named = {"month": ["finished", "failed or stopped"], "project": ["lamp"], "printer": [printer.name]}
        assert parts == named.get(by, [str(spool.feedstock)])
        assert shows(page, "1 print", "EUR", note="total"), by
    rows = read_csv(desk.get(page.context["csv"]))
    assert [row["name"] for row in rows] == ["lamp"] and float(rows[0]["cost.machine"]) > 0


def test_months_are_columns_with_failures_on_top():
    groups = [Usage("2025-11", mass_g=1500.0), Usage("2026-01", mass_g=600.0, failed_g=200.0)]
    chart = draw_months(split_groups("month", groups), date(2025, 9, 14), date(2026, 2, 3))
    assert [tick.text for tick in chart.x_ticks] == ["Nov 25", "Dec 25", "Jan 26", "Feb 26"]
    assert [row.cells for row in chart.rows] == [["1.5", ""], ["0.4", "0.2"]]
    (_, _, top, _, height), (_, _, good_y, _, good), (kind, _, failed_y, _, failed) = chart.columns
    assert (good, failed) == pytest.approx((height * 4 / 15, height * 2 / 15), abs=0.1)
    # All within the picture, the failures on the good ones.
    assert kind == "column-failed" and failed_y + failed == pytest.approx(good_y, abs=0.1) and top >= 0
    long_ago = split_groups("month", [Usage("2020-01", mass_g=9.0)])
    assert len(draw_months(long_ago, date(2020, 1, 1), date(2026, 2, 3)).x_ticks) <= 7


def test_columns_are_split_by_the_groups_of_the_most_grams():
    groups = [Usage(f"M{n}", mass_g=10.0 + n, month_g={"2026-01": 10.0, "2026-02": n}) for n in range(7)]
    chart = draw_months(split_groups("material", groups), date(2026, 1, 1), date(2026, 2, 28))
    assert chart.headers == ["M6", "M5", "M4", "M3", "M2", "2 others"]
    assert [[float(cell) for cell in row.cells] for row in chart.rows] == [
        [10, 10, 10, 10, 10, 20],
        [6, 5, 4, 3, 2, 1],
    ]


def test_wrong_rates_and_spans_are_refused(shop, desk):
    require_refused(desk.post(reverse("rates"), {"currency": "eur"}), "invalid", "currency")
    assert not CostRates.objects.exists()
    page = desk.get(reverse("usage"), {"since": "2026-02-03", "until": "2026-02-01"})
    assert "until" in page.context["form"].errors and page.status_code == 200
    assert desk.get(reverse("usage"), {"since": "soon", "by": "moon"}).status_code == 200
    assert desk.get("/api/v1/usage?by=moon").status_code == 400


def test_every_list_comes_as_csv_whole_and_harmless(shop, desk):
    spool = shop.toolheads[0].loadings.get().spool
    spool.batch = "=1+1"
    spool.save()
    client = APIClient()
    client.force_authenticate(shop.user)
    for name in LISTS:
        whole = client.get(f"/api/v1/{name}?limit=500").json()
        rows = read_csv(client.get(f"/api/v1/{name}?format=csv"))
        assert len(rows) == whole["count"], name
    rows = read_csv(desk.get("/api/v1/spools?format=csv"))
    assert {row["code"]: row["batch"] for row in rows}[spool.code] == "'=1+1"
    assert read_csv(desk.get("/api/v1/spools?format=csv&nonsense=1"))[0]["field"] == "nonsense"


def test_a_bad_batch_leads_to_its_jobs_and_a_job_to_what_it_was_made_with(shop, desk):
    loading = shop.toolheads[0].loadings.get()
    numbers = {"name": "bracket", "mass_g": 20, "hours": 1, "nozzle_c": 215, "bed_c": 60}
    job = record_job(toolhead=loading.toolhead, spool=loading.spool, **numbers)
    use = job.uses.get()
    assert [row.pk for row in desk.get(reverse("jobs"), {"batch": "none such"}).context["page"]] == []
    use.spool.batch = "B-7"
    use.spool.save()
    for query in ({"batch": "b-7"}, {"spool": use.spool.code}, {"part": use.wear.first().part_id}):
        page = desk.get(reverse("jobs"), query)
        assert job in page.context["page"] and shows(page, job.name), query
        assert job.pk in [row["id"] for row in desk.get("/api/v1/jobs", query).json()["results"]]
    assert shows(desk.get(reverse("job", args=[job.pk])), "B-7", note="batch")
    desk.post(reverse("job", args=[job.pk]), {"label": "1", "project": "lamp"})
    assert [row.pk for row in desk.get(reverse("jobs"), {"project": "lam"}).context["page"]] == [job.pk]
    cost = desk.get(f"/api/v1/jobs/{job.pk}/cost").json()["cost"]
    assert cost["filament"] == 0 and {gap["code"] for gap in cost["gaps"]} >= {"cost.no_spool_price"}
