"""From an empty shop to the first verdict: one page, one transaction, guesses marked."""

import pytest
from django.contrib.auth import get_user_model
from django.core.management import call_command
from django.test import Client

from maintenance.models import Fitting, PartKind, Printer, Reminder
from maintenance.reminders.sweep import sweep
from spools.models import Feedstock, Filler, Place, Polymer, Spool
from tests.pages.shown import notes
from tests.restored import build_once


def empty_shop():
    call_command("load_catalogue", verbosity=0)
    return get_user_model().objects.create_user("ada", role="set_up", password="filament-and-dry-air")


@pytest.fixture
def user(db):
    return build_once(empty_shop)


@pytest.fixture
def desk(user) -> Client:
    client = Client()
    client.force_login(user)
    return client


def answers(**changes) -> dict:
    nozzle = PartKind.objects.get(name="brass nozzle 0.4 mm")
    given = {
        "room_name": "Workshop",
        "room_c": "21",
        "room_rh_pct": "50",
        "printer_name": "Left",
        "nozzle": nozzle.pk,
    }
    given |= {"nozzle_age": "6", "hot_end_max_c": "300", "bed_max_c": "100"}
    given |= {"polymer": Polymer.objects.get(name="PLA").pk, "maker": "Example Works", "colour": "grey"}
    return given | {"count": "3", "state": "opened", "since": "30", "net_mass_g": "1000"} | changes


def test_an_empty_shops_today_leads_to_the_four_questions_and_mentions_the_demo(desk):
    page = desk.get("/")
    assert 'href="/first-hour/"' in page.content.decode() and "demo" in notes(page)


def test_four_answers_give_codes_a_verdict_and_labels(desk):
    page = desk.post("/first-hour/", answers(), follow=True)
    spools = list(Spool.objects.all())
    assert len(spools) == 3 and {spool.feedstock.name for spool in spools} == {"PLA"}
    assert all(spool.sealed and spool.openings.count() == 1 for spool in spools)
    [(toolhead, verdict, planned)] = page.context["verdicts"]
    assert (
        str(toolhead) == "Left T0"
        and planned is None
        and {c.name for c in verdict.checks} >= {"moisture", "nozzle life"}
    )
    assert "nozzle" not in {check.name for check in verdict.reasons}
    assert all(code in page.content.decode() for code in page.context["codes"].split(","))
    assert f'href="/labels/?spools={page.context["codes"]}"' in page.content.decode()
    assert Printer.objects.get().place.room == Place.objects.get(name="Workshop")
    fitted = {fitting.role: fitting.part for fitting in Fitting.objects.valid()}
    assert {role: part.prior_uses.get().unit for role, part in fitted.items()} == {
        "nozzle": "months",
        "gears": "unknown",
        "liner": "unknown",
    }
    sweep()
    assert not Reminder.objects.filter(kind=Reminder.Kind.REORDER).exists()


def test_a_wrong_answer_stores_nothing_and_keeps_the_others(desk):
    Place.objects.create(name="Taken", kind="shelf")
    for wrong, field in (
        ({"room_name": "Taken"}, "room_name"),
        ({"printer_name": "Workshop"}, "printer_name"),
        ({"nozzle": ""}, "nozzle"),
        ({"nozzle_age": "99"}, "nozzle_age"),
        ({"room_rh_pct": "140"}, "room_rh_pct"),
        ({"polymer": ""}, "polymer"),
        ({"count": "101"}, "count"),
        ({"count": "0"}, "count"),
        ({"state": ""}, "state"),
        ({"filler_pct": "20"}, "filler"),
    ):
        page = desk.post("/first-hour/", answers(**wrong))
        assert field in page.context["form"].errors, (wrong, page.context["form"].errors)
        assert 'value="grey"' in page.content.decode()
    assert (Printer.objects.count(), Feedstock.objects.count(), Place.objects.count()) == (0, 0, 1)


def test_a_filled_filament_and_a_bag_that_is_sealed(desk):
    nylon, fibre = Polymer.objects.get(name="PA6"), Filler.objects.get(name="carbon fibre")
    given = answers(state="sealed", since="unknown", count="1", filler=fibre.pk, polymer=nylon.pk)
    page = desk.post("/first-hour/", given, follow=True)
    spool = Spool.objects.get()
    assert (
        spool.sealed
        and not spool.openings.exists()
        and spool.feedstock.filler_mass_fraction == pytest.approx(0.15)
    )
    [(_, verdict, _)] = page.context["verdicts"]
    assert verdict.state == "hold" and "abrasion" in {check.name for check in verdict.holds}


def test_codes_that_are_gone_lead_back_to_today(desk):
    desk.post("/first-hour/", answers())
    assert desk.get(f"/first-hour/{Printer.objects.get().pk}/?spools=x").headers["Location"] == "/"
    assert desk.get("/first-hour/99999/?spools=x").status_code == 404
