"""Pages that judge: today, a spool's page, its list and its loading, in a shop with printers."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from maintenance.board.shop import load_board
from maintenance.machines.loading import load_spool
from maintenance.models import Loading, Reminder
from maintenance.reminders.queries import count_due
from pages.spools import detail, loading, overview
from pages.templatetags.spoken import band, likely
from spools.board import board
from spools.codes import pretty
from spools.drying.runs import DryingSettings, start_drying
from spools.inventory.assumptions import save_place
from spools.inventory.endings import end_spool
from spools.inventory.ledger import take, weigh
from spools.inventory.moves import current_stay, move_spool
from spools.inventory.openings import record_opening
from spools.inventory.queries import search_spools
from spools.models import Place, Spool
from spools.statements import Statement
from spools.wording import format_number
from tests.maintenance.reminders.texts import texts
from tests.pages.corner import of
from tests.pages.shown import notes, notices, require_refused, shows
from tests.pages.small_shop import local_input
from tests.spools.conftest import hours_ago, receive

# Three are the frame's (session, account, what is due), seven the air of a dry box in which nothing is read.
MOST_QUERIES = 35


@pytest.fixture
def free(shop) -> Spool:
    """A nylon spool in a bag."""
    return shop.spools[1]


@pytest.fixture
def desk(shop) -> Client:
    """A signed-in browser; a page that fails raises."""
    client = Client()
    client.force_login(shop.user)
    return client


def test_every_page_answers_in_few_queries(shop, desk, free):
    start_drying([shop.spools[4]], shop.dryer, DryingSettings(70, planned_hours=8), at=hours_ago(3))
    weigh(free, 1105, at=hours_ago(30))
    loaded, drying = shop.spools[0], shop.spools[4]
    emptied = end_spool(shop.spools[7], at=hours_ago(1))
    addresses = [
        "/",
        "/scan/",
        "/spools/",
        "/spools/?empty=1",
        "/spools/?q=pa6+bags",
        "/spools/receive/",
        *(of("spool", spool) for spool in (free, loaded, drying, emptied)),
        *(of("spool-history", spool) for spool in (free, loaded, drying)),
        *(of(f"spool-{act}", free) for act in ("label", "move", "away", "weigh", "load", "dry", "end")),
        of("spool-load", free) + f"?toolhead={shop.toolheads[1].pk}",
        of("spool-dry", free) + f"?dryer={shop.dryer.pk}",
        of("spool-unload", loaded),
    ]
    # As the worker does right after the facts.
    board.catch_up(timezone.now())
    counts = {}
    for address in addresses:
        # What is computed once and stored is so the second time.
        desk.get(address)
        with CaptureQueriesContext(connection) as queries:
            assert desk.get(address).status_code == 200, address
        counts[address] = len(queries)
    assert {address: count for address, count in counts.items() if count > MOST_QUERIES} == {}


def test_the_list_is_searched_by_code_material_and_place(shop, desk, free):
    def found(**asked):
        return {row["spool"].code for row in desk.get("/spools/", asked).context["rows"]}

    assert len(found()) == len(shop.spools)
    assert found(q=f"{free.code[:3]}-{free.code[3:].lower()}") == {free.code}
    assert free.code in found(q="pa6 bags")
    assert found(q="pa6 nowhere") == set()
    end_spool(free, at=hours_ago(1))
    assert free.code not in found()
    assert found(empty="1") == {free.code}


def test_the_list_shows_the_answers_of_the_board_with_their_age(shop, desk, free):
    row = board.read([free.pk])[free.pk]
    response = desk.get("/spools/", {"q": free.code})
    (shown,) = response.context["rows"]
    assert board.values_of(shown["row"]) == board.values_of(row)
    assert row.prints_well_until == row.computed_at, "it is wet"
    assert "over_print_limit" in notes(response) and "as_of" in notes(response)
    assert (shown["share"], shown["level"].share_pct) == (100, 100)
    dry = receive(shop.pla, shop.box, core_material="pc", sealed=True, card="dry")
    assert board.read([dry.pk])[dry.pk].prints_well_until is None
    listed = desk.get("/spools/", {"q": dry.code})
    assert shows(listed, "a year and more", note="prints_well")
    # The row is one link.
    row_of_list = listed.content.decode().split(f'data-spool="{dry.code}"')[1].split("</li>")[0]
    assert row_of_list.count("<a ") == 1


def test_the_list_has_pages_and_takes_as_many_queries_for_each(shop, desk, monkeypatch):
    monkeypatch.setattr(overview, "PER_PAGE", 2)
    board.read()
    counts, codes = [], []
    for number in (1, 2):
        with CaptureQueriesContext(connection) as queries:
            response = desk.get("/spools/", {"page": number, "q": "example"})
        counts.append(len(queries))
        codes.append([row["spool"].code for row in response.context["rows"]])
    assert counts[0] == counts[1] and counts[0] < 16
    assert len({*codes[0], *codes[1]}) == 4
    assert 'href="?q=example&amp;page=1"' in response.content.decode()


def test_a_search_looks_for_a_few_words(desk, shop, free):
    """Thirty were an error of the database, six hundred took a thread for half a minute."""
    words = " ".join(f"w{number}" for number in range(300))
    counts = [
        len(search_spools(Spool.objects.all(), text).query.sql_with_params()[1]) for text in ("a", words)
    ]
    assert counts[1] == 8 * counts[0]
    for address in ("/spools/", of("spool-load", free)):
        page = desk.get(address, {"q": words})
        assert (page.status_code, page.context["wanted"]) == (200, "w0 w1 w2 w3 w4 w5 w6 w7")


def test_many_toolheads_have_pages_and_are_found_by_name(shop, desk, free, monkeypatch):
    for module in (detail, loading):
        monkeypatch.setattr(module, "SHOWN_TOOLHEADS", 3)
    board = load_board([free.pk])
    by_verdict = board.order_verdicts(
        free.pk, [(head, board.verdict(pk, free.pk)) for pk, head in board.toolheads.items()]
    )
    best_first = [head.pk for head, _ in by_verdict]
    assert board.rank_toolheads(free.pk) == best_first
    page = desk.get(of("spool", free))
    shown = [*page.context["best_verdict"], *page.context["other_verdicts"]]
    assert [head.pk for head, *_ in shown] == best_first[:3]
    assert "all_toolheads" in notes(page)
    choices = [desk.get(of("spool-load", free), {"page": number}) for number in (1, 2)]
    assert [row[0].pk for choice in choices for row in choice.context["rows"]] == best_first
    found = desk.get(of("spool-load", free), {"q": "north t"}).context["rows"]
    assert {str(row[0]) for row in found} == {"North T0", "North T1"}
    assert load_board([shop.spools[0].pk]).rank_toolheads(shop.spools[0].pk)[0] == shop.toolheads[0].pk


def test_the_spools_page_shows_moisture_amount_air_and_verdicts(shop, desk, free):
    response = desk.get(of("spool", free))
    page = response.content.decode()
    assert shows(response, "East T0", "0.75 %")
    loaded = desk.get(of("spool", shop.spools[0]))
    assert shows(loaded, "°C", loaded.context["air_from"])
    assert 'id="verdicts"' in page
    assert page.count('fill-rule="evenodd"') >= 1
    assert shows(response, "1000 g", "980", "1020 g")
    assert shows(response, "1000 g", note="received") and "unopened" in notes(response)
    assert "forecast here" not in response.context["course"].headers, "an unopened bag takes up nothing"
    course = loaded.context["course"]
    assert course.headers[:2] == ["computed", "forecast here"]
    (now,) = (row.cells for row in course.rows if row.cells[-1] == "now")
    outer_pct = loaded.context["wet"].outer_pct
    assert now[:2] == [f"{likely(outer_pct)} ({band(outer_pct)})"] * 2
    limits = loaded.context["well"].value, loaded.context["limit"].value
    assert [text for _, text, _ in course.limits] == [
        f"print limit {format_number(limits[1])}",
        f"prints well up to {format_number(limits[0])}",
    ]
    for act in ("load", "move", "dry", "weigh", "end"):
        assert of(f"spool-{act}", free) in page


def test_next_steps_follow_where_it_is(shop, desk, free):
    loaded = desk.get(of("spool", shop.spools[0])).content.decode()
    assert of("spool-unload", shop.spools[0]) in loaded
    assert of("spool-load", shop.spools[0]) not in loaded
    loading = Loading.objects.get(spool=shop.spools[0], end=None)
    assert f'"{reverse("job-new")}?loading={loading.pk}"' in loaded
    start_drying([free], shop.dryer, DryingSettings(70, planned_hours=8), at=hours_ago(3))
    drying = desk.get(of("spool", free))
    assert reverse("drying-finish", args=[shop.dryer.pk]) in drying.content.decode()
    assert shows(drying, "Oven A", "70 °C", note="drying_now")
    assert of("spool-dry", free) not in drying.content.decode()
    request_data = {"dryer": shop.dryer.pk, "set_point_c": 70, "planned_hours": 8, "resolution_g": 1}
    again = desk.post(of("spool-dry", free), request_data)
    require_refused(again, "in_a_run")


def test_history_lists_every_fact(shop, desk, free):
    move_spool(free, shop.shelf, at=hours_ago(50))
    start_drying(
        [free], shop.dryer, DryingSettings(70, planned_hours=8), at=hours_ago(20), gross_g={free.pk: 1205}
    )
    history = desk.get(of("spool-history", free))
    assert shows(history, "Open shelf", "30 h", note="stay")
    assert shows(history, "Oven A", "70 °C", note="drying") and shows(history, "1205 g", note="weighed")
    [drying] = [event for event in history.context["events"] if event.kind == "drying"]
    assert drying.hours is None, "it goes on"
    cause = Statement("cause.flow_check", {"toolhead": "North T0"})
    take(shop.spools[0], 5, cause=cause)
    loaded = desk.get(of("spool-history", shop.spools[0]))
    [loading] = [event for event in loaded.context["events"] if event.kind == "loading"]
    assert loading.hours is None and shows(loaded, "North T0", note="loading")
    assert shows(loaded, cause.sentence, note="printed")


def test_loading_shows_the_verdict_before_it_is_confirmed(shop, desk, free):
    choice = desk.get(of("spool-load", free))
    assert {row[0] for row in choice.context["rows"]} == set(shop.toolheads)
    assert shows(choice, pretty(shop.spools[0].code), note="now_on_it")
    verdict = desk.get(of("spool-load", free), {"toolhead": shop.toolheads[1].pk})
    assert verdict.context["verdict"].checks
    assert not Loading.objects.filter(spool=free).exists()


def test_a_hold_needs_a_reason_which_is_stored(shop, desk, free):
    # 200 h at 85 % RH: nylon is over its print limit then.
    wet = Place.objects.create(name="Cellar", kind="shelf", assumed_rh_pct=85)
    move_spool(free, wet, at=hours_ago(200))
    record_opening(free, at=hours_ago(200))
    values = {"toolhead": shop.toolheads[1].pk, "when": ""}
    page = desk.get(of("spool-load", free), values)
    assert page.context["verdict"].state == "hold"
    assert b"state-hold" in page.content and b'name="override_reason"' in page.content
    refused = desk.post(of("spool-load", free), values)
    assert "override_reason" in refused.context["form"].errors
    assert not Loading.objects.filter(spool=free).exists()
    desk.post(of("spool-load", free), values | {"override_reason": "only a test piece"})
    loading = Loading.objects.get(spool=free)
    assert (loading.state, loading.override_reason) == ("hold", "only a test piece")
    assert loading.recorded_by == shop.user
    assert current_stay(free).place == shop.toolheads[1].printer.place


def test_a_toolhead_that_is_taken_asks_where_its_spool_goes(shop, desk, free):
    toolhead, there = shop.toolheads[0], shop.spools[0]
    values = {"toolhead": toolhead.pk, "override_reason": "a test"}
    page = desk.get(of("spool-load", free), values)
    assert page.context["form"]["unload_to"].initial == shop.bag, "it came from there"
    assert toolhead.printer.place not in page.context["form"].fields["unload_to"].queryset
    refused = desk.post(of("spool-load", free), values)
    require_refused(refused, "required", "unload_to", names=[pretty(there.code)])
    assert refused.context["form"].errors.keys() == {"unload_to"}
    assert not Loading.objects.filter(spool=free).exists()
    assert desk.post(of("spool-load", free), values | {"unload_to": shop.box.pk}).status_code == 302
    assert Loading.objects.present().get(toolhead=toolhead).spool == free
    assert current_stay(there).place == shop.box
    # On a free toolhead nothing has to go.
    free_one = {"toolhead": shop.toolheads[1].pk}
    assert "unload_to" not in desk.get(of("spool-load", there), free_one).context["form"].fields


def test_a_spool_that_is_on_a_toolhead_is_taken_off_first(shop, desk):
    spool = shop.spools[0]
    for toolhead, code, leads_to in [
        (shop.toolheads[0], "on_it_already", "spool"),
        (shop.toolheads[1], "on_another", "spool-unload"),
    ]:
        for answer in (desk.get, desk.post):
            page = answer(of("spool-load", spool), {"toolhead": toolhead.pk}, follow=True)
            assert page.request["PATH_INFO"] == of(leads_to, spool)
            assert notices(page) == [f"{code} error"] and shows(page, "North T0", note="notice")


@pytest.mark.parametrize("toolhead", ["0", "no", "-3", "9" * 30, "²"])
def test_a_toolhead_that_is_not_there(desk, free, toolhead):
    assert desk.get(of("spool-load", free), {"toolhead": toolhead}).status_code == 404
    assert desk.post(of("spool-load", free), {"toolhead": toolhead}).status_code == 404


def test_the_main_button_is_the_next_sensible_act(shop, desk, free):
    def act_of(spool):
        button = desk.get(of("spool", spool)).context["act"]
        return button and (str(button.act), button.address)

    wet = Place.objects.create(name="Cellar", kind="shelf", assumed_rh_pct=85)
    move_spool(free, wet, at=hours_ago(200))
    record_opening(free, at=hours_ago(200))
    dryer = shop.dryer.pk
    assert act_of(free) == ("dry", f"{of('spool-dry', free)}?dryer={dryer}"), "it holds for moisture"
    loading_pk = Loading.objects.get(spool=shop.spools[0], end=None).pk
    assert act_of(shop.spools[0]) == ("record_job", f"{reverse('job-new')}?loading={loading_pk}")
    dry = shop.spools[3]
    board = load_board([dry.pk])
    best = board.rank_toolheads(dry.pk)[0]
    assert best != shop.toolheads[0].pk, "the empty ones first"
    assert act_of(dry) == ("load", f"{of('spool-load', dry)}?toolhead={best}")
    other = Place.objects.create(name="Oven B", kind="dryer", max_set_point_c=90, room=shop.shelf)
    start_drying([free], shop.dryer, DryingSettings(70, planned_hours=8), at=hours_ago(3))
    assert act_of(free) is None, "it dries"
    start_drying([dry], other, DryingSettings(45, planned_hours=4), at=hours_ago(14))
    assert act_of(dry) == ("take_out", reverse("drying-finish", args=[other.pk])), "the run is over"


def test_taking_it_off(shop, desk, free):
    loaded = shop.spools[0]
    assert desk.get(of("spool-unload", loaded)).context["form"]["place"].initial == shop.bag
    missing = desk.post(of("spool-unload", loaded), {})
    assert "place" in missing.context["form"].errors
    desk.post(of("spool-unload", loaded), {"place": shop.box.pk, "when": local_input(hours_ago(1))})
    assert Loading.objects.get(spool=loaded).end == hours_ago(1)
    assert current_stay(loaded).place == shop.box
    assert notices(desk.get(of("spool-unload", free), follow=True))[-1] == "on_no_toolhead error"


def test_loading_elsewhere_is_shown_at_the_toolhead(shop, desk, free):
    load_spool(shop.toolheads[1], free, override_reason="a test", at=hours_ago(1), by=shop.user)
    assert "on_this_one" in notes(desk.get(of("spool-load", free)))


def test_today_names_material_spool_printer_and_what_is_due(shop, desk):
    Reminder.objects.create(
        kind="dry",
        condition="dry:spool:1",
        **texts("Dry the nylon"),
        opened_at=timezone.now() - timedelta(hours=1),
        spool=shop.spools[1],
    )
    response = desk.get("/")
    assert shows(response, "Dry the nylon")
    look = response.context["today"]
    for row in look.ready:
        assert row.spool.code in response.content.decode()
    count = f'<span class="count">{count_due()}<span class="visually-hidden"> due</span>'
    assert count in response.content.decode()


def test_a_spool_is_loaded_from_the_dry_box_in_which_it_lies(shop, desk, free):
    shop.box.feeds = True
    save_place(shop.box)
    move_spool(free, shop.box, at=hours_ago(5))
    toolhead = shop.toolheads[1]
    page = desk.get(of("spool-load", free), {"toolhead": toolhead.pk})
    assert page.context["form"]["fed_from"].initial == shop.box.pk
    assert shows(page, f"In {shop.box} it", note="lasts")
    sent = {"toolhead": toolhead.pk, "fed_from": shop.box.pk, "override_reason": "a test", "when": ""}
    sent |= {"unload_to": shop.shelf.pk}
    assert notices(desk.post(of("spool-load", free), sent, follow=True)) == ["success"]
    assert Loading.objects.present().get(spool=free).fed_from == shop.box
    assert shows(desk.get(of("spool", free)), str(shop.box), note="fed_from")
    desk.post(of("spool-unload", free), {"place": shop.box.pk, "when": ""})
    assert not Loading.objects.present().filter(spool=free).exists()
