"""The list of machines: parts with the lives that the board has, some machines to a page."""

from dataclasses import replace

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from maintenance.models import Printer, Toolhead
from maintenance.parts.fitting import fit_part
from maintenance.parts.stock import add_stock
from pages.machines.views import PER_PAGE
from spools.models import Place
from tests.pages.shown import notes
from tests.pages.small_shop import a_job, part_kind

pytestmark = pytest.mark.django_db


def add_printers(number: int) -> None:
    for index in range(number):
        place = Place.objects.create(name=f"Row {index:02}", kind="printer")
        printer = Printer.objects.create(name=f"Row {index:02}", place=place)
        Toolhead.objects.create(printer=printer, name="T0")


def test_the_list_shows_the_parts_of_a_machine_as_its_own_page_does(shop, desk):
    belts = part_kind("belts", "Belt set", material="rubber", life_unit="hours")
    add_stock(belts, 2)
    fit_part(shop.toolheads[0].printer, belts)
    a_job(shop)
    listed = desk.get(reverse("machines"))
    assert len(listed.context["printers"]) == Printer.objects.count()
    for printer, toolheads, parts in listed.context["printers"]:
        page = desk.get(reverse("machine", args=[printer.pk]))
        shown = [parts, *(toolhead["parts"] for toolhead in toolheads)]
        own = [page.context["parts"], *(toolhead["parts"] for toolhead in page.context["toolheads"])]
        assert shown == [[without_reasons(row) for row in rows] for rows in own]
    assert any(row.life and row.in_stock for _, _, rows in listed.context["printers"] for row in rows)


def without_reasons(row):
    return row if row.life is None else replace(row, life=replace(row.life, why=()))


def test_a_page_has_some_machines_and_as_many_queries_as_for_few(shop, desk):
    address = reverse("machines")
    desk.get(address)
    with CaptureQueriesContext(connection) as few:
        desk.get(address)
    add_printers(PER_PAGE)
    desk.get(address)
    with CaptureQueriesContext(connection) as many:
        first = desk.get(address)
    assert len(many) == len(few)
    second = desk.get(address, {"page": 2})
    assert [len(page.context["printers"]) for page in (first, second)] == [
        PER_PAGE,
        Printer.objects.count() - PER_PAGE,
    ]
    names = {printer for page in (first, second) for printer, _, _ in page.context["printers"]}
    assert names == set(Printer.objects.all())
    assert "page" in notes(first)
