"""Moving, weighing, drying and emptying a spool on its pages, with bad input too."""

import re

import pytest
from django.test import Client
from django.urls import reverse

from spools.drying.runs import DryingSettings, start_drying
from spools.inventory.ledger import remaining
from spools.inventory.moves import current_stay
from spools.models import DryingRun, MassEntry, Spool, Stay
from tests.pages.corner import corner, of
from tests.pages.shown import notes, notices, require_refused, shows
from tests.pages.small_shop import local_input
from tests.spools.conftest import hours_ago


@pytest.fixture
def shop(db):
    return corner()


@pytest.fixture
def free(shop) -> Spool:
    """A nylon spool in a bag."""
    return shop.free


@pytest.fixture
def desk(shop) -> Client:
    """A signed-in browser; a page that fails raises."""
    client = Client()
    client.force_login(shop.user)
    return client


def test_an_empty_spool_keeps_its_history(shop, desk, free):
    response = desk.post(
        of("spool-end", free), {"when": "", "kind": "lost", "note": "not seen since"}, follow=True
    )
    assert notices(response) == ["success"]
    page = desk.get(of("spool", free))
    assert "ended" in notes(page) and shows(page, "not seen since", "by ada", note="ending")
    assert of("spool-load", free) not in page.content.decode()
    for act in ("weigh", "move", "load", "dry", "cut", "reel", "end"):
        page = desk.get(of(f"spool-{act}", free))
        assert "ended" in notes(page) and '<form method="post" class="form"' not in page.content.decode()
    refused = desk.post(of("spool-weigh", free), {"gross_g": "900", "resolution_g": "1"})
    assert refused.status_code == 409
    address = reverse("withdraw", args=["ending", free.endings.get().pk])
    assert address in page.content.decode()
    desk.post(address, {"reason": "it was under the bench"})
    page = desk.get(of("spool", free))
    assert "ended" not in notes(page) and shows(page, "it was under the bench", note="ending")
    assert current_stay(free).place == shop.bag


def test_move_now_and_in_the_past(shop, desk, free):
    desk.post(of("spool-move", free), {"place": shop.box.pk, "when": local_input(hours_ago(50))})
    desk.post(of("spool-move", free), {"place": shop.shelf.pk, "when": ""})
    stays = list(Stay.objects.filter(spool=free).values_list("place", flat=True))
    assert stays == [shop.bag.pk, shop.box.pk, shop.shelf.pk]
    assert Stay.objects.filter(spool=free)[1].start == hours_ago(50)
    assert current_stay(free).move.recorded_by == shop.user


def test_i_opened_the_bag_and_that_is_withdrawn(shop, desk, free):
    desk.post(of("spool-move", free), {"place": shop.shelf.pk, "when": local_input(hours_ago(50))})
    page = desk.get(of("spool", free))
    assert "unopened" in notes(page) and of("spool-open", free) in page.content.decode()
    at = hours_ago(40)
    given = {"card": "wet", "when": local_input(at)}
    assert notices(desk.post(of("spool-open", free), given, follow=True)) == ["success"]
    page = desk.get(of("spool", free))
    assert {"opening", "lasts"} <= set(notes(page)) and "unopened" not in notes(page)
    assert of("spool-open", free) not in page.content.decode()
    require_refused(desk.post(of("spool-open", free), given), "opened_already", "when")
    opening = free.openings.get()
    assert (opening.at, opening.card, opening.recorded_by) == (at, "wet", shop.user)
    address = reverse("withdraw", args=["opening", opening.pk])
    assert shows(desk.get(address), free.code[:3])
    assert notices(desk.post(address, {"reason": "another spool"}, follow=True)) == ["success"]
    assert {"opening", "unopened"} <= set(notes(desk.get(of("spool", free))))


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"place": ""}, "place"),
        ({"place": "no"}, "place"),
        ({"when": "2190-01-01T10:00"}, "when"),
        ({"when": "2001-01-01T10:00"}, "when"),
        ({"when": "0001-01-01T00:00"}, "when"),
        ({"when": "9999-12-31T23:59"}, "when"),
    ],
)
def test_an_impossible_move_is_refused_and_not_stored(shop, desk, free, values, field):
    response = desk.post(of("spool-move", free), {"place": shop.shelf.pk, "when": ""} | values)
    assert field in response.context["form"].errors
    assert current_stay(free).place == shop.bag


def test_no_move_out_of_a_drying_run(shop, desk, free):
    start_drying([free], shop.dryer, DryingSettings(70, planned_hours=8), at=hours_ago(3))
    response = desk.post(of("spool-move", free), {"place": shop.shelf.pk})
    require_refused(response, "in_a_run")
    assert current_stay(free).place == shop.dryer


def test_a_past_stay_is_added(shop, desk, free):
    away = {"place": shop.shelf.pk, "start": local_input(hours_ago(60)), "end": local_input(hours_ago(12))}
    desk.post(of("spool-away", free), away)
    stays = list(Stay.objects.filter(spool=free).values_list("place", flat=True))
    assert stays == [shop.bag.pk, shop.shelf.pk, shop.bag.pk]
    overlapping = desk.post(of("spool-away", free), away)
    assert overlapping.status_code == 200 and overlapping.context["form"].errors
    backwards = {**away, "start": away["end"], "end": away["start"]}
    assert "end" in desk.post(of("spool-away", shop.other), backwards).context["form"].errors
    assert "start" in desk.post(of("spool-away", free), {"place": shop.shelf.pk}).context["form"].errors


def test_a_weighing_counts_from_then_on(shop, desk, free):
    desk.post(
        of("spool-weigh", free), {"gross_g": "700", "resolution_g": "1", "when": "", "note": "big scale"}
    )
    entry = MassEntry.objects.get(spool=free, kind="weighed")
    assert (entry.gross_g, entry.note, entry.recorded_by) == (700, "big scale", shop.user)
    assert 480 < remaining(free).mass_g < 500


@pytest.mark.parametrize("gross_g", ["-1", "20", "99999", "nan", "inf", "heavy", ""])
def test_an_impossible_weighing_is_refused_and_not_stored(desk, free, gross_g):
    response = desk.post(of("spool-weigh", free), {"gross_g": gross_g, "resolution_g": "1"})
    assert "gross_g" in response.context["form"].errors
    assert not MassEntry.objects.filter(spool=free, kind="weighed").exists()


def dry_values(shop, **values) -> dict:
    given = {"dryer": shop.dryer.pk, "set_point_c": "70", "planned_hours": "10", "resolution_g": "1"}
    return given | values


def test_a_plan_shows_set_point_cap_hours_and_how_long_it_lasts(shop, desk, free):
    assert shows(desk.get(of("spool-dry", free)), shop.dryer.name)
    response = desk.get(of("spool-dry", free), {"dryer": shop.dryer.pk})
    plan = response.context["plan"]
    assert plan.cap.cap_c == 90 and shows(response, "90 °C", plan.cap.reason.sentence)
    assert shows(response, "Open shelf", note="stays_good") and "no_food" in notes(response)
    cooler = desk.get(of("spool-dry", free), {"dryer": shop.dryer.pk, "set_point_c": "60"}).context["plan"]
    assert cooler.set_point_c == 60
    assert cooler.hours is None or plan.hours is None or cooler.hours >= plan.hours


@pytest.mark.parametrize("set_point_c", ["91", "200", "10", "nan", "hot"])
def test_a_set_point_above_the_cap_is_refused_with_the_reason(shop, desk, free, set_point_c):
    request_data = desk.get(of("spool-dry", free), {"dryer": shop.dryer.pk, "set_point_c": set_point_c})
    assert request_data.status_code == 200
    assert "set_point_c" in request_data.context["replanned"].errors
    refused = desk.post(of("spool-dry", free), dry_values(shop, set_point_c=set_point_c))
    assert "set_point_c" in refused.context["form"].errors
    assert not DryingRun.objects.exists()
    if set_point_c == "91":
        for response in (request_data, refused):
            require_refused(response, "above_cap", "set_point_c", names=["91 °C", "90 °C"])


def test_drying_starts_with_a_weighing_before(shop, desk, free):
    when = local_input(hours_ago(4))
    response = desk.post(of("spool-dry", free), dry_values(shop, gross_g="1210", when=when))
    assert response.headers["Location"] == of("spool", free)
    run = DryingRun.objects.get()
    assert (run.set_point_c, run.planned_hours, run.start) == (70, 10, hours_ago(4))
    assert (run.before.gross_g, run.recorded_by) == (1210, shop.user)
    assert current_stay(free).place == shop.dryer


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"planned_hours": "0"}, "planned_hours"),
        ({"gross_g": "5"}, "gross_g"),
        ({"when": "2190-01-01T10:00"}, "when"),
    ],
)
def test_impossible_drying_is_refused_and_not_stored(shop, desk, free, values, field):
    response = desk.post(of("spool-dry", free), dry_values(shop, **values))
    assert field in response.context["form"].errors
    assert not DryingRun.objects.exists() and current_stay(free).place == shop.bag


def test_a_shelf_is_no_dryer(shop, desk, free):
    assert desk.post(of("spool-dry", free), dry_values(shop, dryer=shop.shelf.pk)).status_code == 404


def test_a_weighing_is_withdrawn_and_the_right_one_given(shop, desk, free):
    desk.post(of("spool-weigh", free), {"gross_g": "700", "resolution_g": "1"})
    entry = MassEntry.objects.get(spool=free, kind="weighed")
    address = reverse("withdraw", args=["mass-entry", entry.pk])
    correct = reverse("weighing-correct", args=[free.code, entry.pk])
    for link in (address, correct):
        assert f'href="{link}"' in desk.get(of("spool-history", free)).content.decode()
    assert shows(desk.get(address), "700 g")
    require_refused(desk.post(address, {"reason": ""}), "required", "reason")
    back = desk.post(address, {"reason": "the other spool"})
    assert back.headers["Location"] == of("spool", free)
    assert remaining(free).mass_g == 1000
    for page in ("spool", "spool-history"):
        response = desk.get(of(page, free))
        assert shows(response, "ada", "the other spool", note="withdrawn")
        assert re.search("<s>[^<]* 700 g", response.content.decode())
    again = desk.post(address, {"reason": "again"})
    require_refused(again, "withdrawn_already")
    assert shows(desk.get(correct), "700 g")
    desk.post(correct, {"gross_g": "1100", "resolution_g": "1"})
    assert 850 < remaining(free).mass_g < 900
    assert desk.get(reverse("weighing-correct", args=[shop.other.code, entry.pk])).status_code == 404
    assert desk.get(reverse("withdraw", args=["spool", free.pk])).status_code == 404
    assert desk.get(reverse("withdraw", args=["job", 10**9])).status_code == 404


def test_filament_cut_off_and_withdrawn(shop, desk, free):
    before_g = remaining(free).mass_g
    cut = {"mass_g": "12.5", "when": "", "note": "brittle end"}
    page = desk.post(of("spool-cut", free), cut, follow=True)
    assert shows(page, "12.5 g", note="notice") and shows(page, "12.5 g", "brittle end", note="removed")
    assert remaining(free).mass_g == pytest.approx(before_g - 12.5)
    entry = MassEntry.objects.get(spool=free, kind="removed")
    back = reverse("withdraw", args=["mass-entry", entry.pk])
    assert shows(desk.get(back), "12.5 g")
    withdrawn = desk.post(back, {"reason": "it was another spool"}, follow=True)
    assert shows(withdrawn, "it was another spool", note="withdrawn")
    assert remaining(free).mass_g == before_g
    require_refused(desk.post(back, {"reason": "again"}), "withdrawn_already")


@pytest.mark.parametrize("grams", ["", "0", "-3", "nan", "1e9", "5000"])
def test_an_impossible_cut_is_refused(shop, desk, free, grams):
    response = desk.post(of("spool-cut", free), {"mass_g": grams, "when": "", "note": ""})
    assert response.status_code == 200
    assert 'id="id_mass_g_error"' in response.content.decode()
    assert not MassEntry.objects.filter(kind="removed").exists()


def reel_of(spool, **values) -> dict:
    names = ["batch", "core_mass_g", "core_mass_band_g", "core_material", "core_radius_mm", "width_mm"]
    return {name: getattr(spool, name) for name in names} | {"core_cap_c": ""} | values


def test_a_reel_lighter_than_it_was_taken_for(shop, desk, free):
    desk.post(of("spool-weigh", free), {"gross_g": "900", "resolution_g": "1", "when": "", "note": ""})
    before_g = remaining(free).mass_g
    lighter = reel_of(free, core_mass_g=free.core_mass_g - 60, core_mass_band_g=1, core_mass_known="on")
    assert notices(desk.post(of("spool-reel", free), lighter, follow=True))[-1] == "success"
    free.refresh_from_db()
    assert free.core_mass_known
    assert remaining(free).mass_g == pytest.approx(before_g + 60, abs=15)


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"core_mass_g": "-1"}, "core_mass_g"),
        ({"core_mass_g": "nan"}, "core_mass_g"),
        ({"core_mass_g": "950", "core_mass_band_g": "0"}, "core_mass_g"),
        ({"core_mass_band_g": "1e9"}, "core_mass_band_g"),
        ({"core_material": "gold"}, "core_material"),
        ({"width_mm": "5", "core_radius_mm": "5"}, "width_mm"),
        ({"core_cap_c": "900"}, "core_cap_c"),
    ],
)
def test_a_reel_that_cannot_be_is_refused(shop, desk, free, values, field):
    desk.post(of("spool-weigh", free), {"gross_g": "900", "resolution_g": "1", "when": "", "note": ""})
    stored = Spool.objects.filter(pk=free.pk).values().get()
    response = desk.post(of("spool-reel", free), reel_of(free, **values))
    assert response.status_code == 200
    assert f'id="id_{field}_error"' in response.content.decode()
    assert Spool.objects.filter(pk=free.pk).values().get() == stored


def test_the_reel_stays_while_it_dries(shop, desk, free):
    start_drying([free], shop.dryer, DryingSettings(70, planned_hours=4))
    require_refused(desk.post(of("spool-reel", free), reel_of(free)), "in_a_dryer")


def test_a_wrong_receipt_is_corrected_on_its_page(shop, desk, free):
    address = of("spool-receipt", free)
    assert address in desk.get(of("spool", free)).content.decode()
    page = desk.get(address)
    assert page.context["form"]["net_mass_g"].value() == 1000
    values = {"feedstock": shop.nylon.pk, "net_mass_g": "750", "gross_g": "", "reason": ""}
    require_refused(desk.post(address, values), "required", "reason")
    desk.post(address, values | {"reason": "a small spool"})
    assert remaining(free).mass_g == 750
    page = desk.get(of("spool", free))
    assert shows(page, "750", "a small spool", "by ada", note="correction")
    assert shows(page, "a small spool", note="received")


def test_a_spool_is_wound_onto_another_reel(shop, desk, free):
    address = of("spool-respool", free)
    assert address in desk.get(of("spool", free)).content.decode()
    values = {"core_mass_g": "115,5", "core_material": "pla", "core_radius_mm": "45", "width_mm": "55"}
    require_refused(desk.post(address, values | {"width_mm": ""}), "reel_size_missing", "width_mm")
    desk.post(address, values | {"note": "a printed reel", "when": ""})
    free.refresh_from_db()
    assert (free.core_mass_g, free.core_material) == (115.5, "pla")
    page = desk.get(of("spool", free))
    assert shows(page, "a printed reel", "by ada", note="respooling")
    fact = free.respoolings.get()
    desk.post(reverse("withdraw", args=["respooling", fact.pk]), {"reason": "the other spool"})
    free.refresh_from_db()
    assert (free.core_mass_g, free.core_material) == (200, "pc")


def test_a_leftover_is_joined_onto_a_spool(shop, desk, free):
    other = shop.other
    address = of("spool-join", free)
    require_refused(
        desk.post(address, {"source": other.pk, "mass_g": "5000"}), "not_enough_filament", "mass_g"
    )
    desk.post(address, {"source": other.pk, "mass_g": "100", "note": "spliced"})
    assert (remaining(other).mass_g, remaining(free).mass_g) == (900, 1100)
    page = desk.get(of("spool", free))
    withdrawal = reverse("withdraw", args=["joining", free.mass_entries.get(kind="joined").joining_to.pk])
    assert shows(page, "100 g", "spliced", note="joined") and withdrawal in page.content.decode()
    desk.post(withdrawal, {"reason": "not yet"})
    assert (remaining(other).mass_g, remaining(free).mass_g) == (1000, 1000)
