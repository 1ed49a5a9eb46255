"""Each act is taken back from its message: all counts as it did before."""

from collections import Counter
from collections.abc import Callable

import pytest
from django.urls import reverse

import pages.urls
from maintenance.models import CostRates, Fitting, PartKind, Printer, Reminder, TroubleOutcome, TroubleReport
from maintenance.parts.fitting import remove_part, replace_part
from pages.frame.undo import CORRECTIONS, EDITS, FACTS, OPPOSITES
from spools.drying.runs import DryingSettings, start_drying
from spools.inventory.ledger import weigh
from spools.inventory.moves import move_spool
from spools.models import DryingRun, Ending, MassEntry, Move, Place, Spool
from spools.models.facts import Withdrawable
from tests.pages.shown import forms_on, notices
from tests.pages.small_shop import a_job, a_reminder, local_input
from tests.spools.conftest import hours_ago

PLACES = {"shelf", "dryer"}
PASSING = {
    "id",
    "recorded_at",
    "recorded_by",
    "removed_by",
    "withdrawn_at",
    "withdrawn_by",
    "withdrawn_reason",
    "run",
    "version",
    "cache_generation",
}


def books() -> Counter:
    """The facts that count, the spools and the reminders, without who recorded them and when."""
    facts: Counter = Counter()
    for model in [*FACTS, Spool, Reminder, CostRates]:
        columns = [
            field.attname
            for field in model._meta.concrete_fields
            if field.name not in PASSING
            and not (field.related_model and issubclass(field.related_model, Withdrawable))
        ]
        rows = model._base_manager.all()
        if issubclass(model, Withdrawable):
            rows = rows.filter(withdrawn_at=None)
        facts.update((model._meta.label, *map(str, row)) for row in rows.values_list(*columns))
    return facts


def take_back(desk, response):
    """The page after the button in the message of an act was tapped."""
    assert response.status_code == 302, response.context["form"].errors
    address, values = way_back(desk, response)
    return desk.post(address, values)


def way_back(desk, response):
    (shown,) = [form for form in forms_on(desk.get(response["Location"])) if form["class"] == "undo"]
    return shown["address"], shown["values"]


def fill_in(desk, address: str, **values):
    """Send the last form of a page as a browser would, with these values."""
    form = forms_on(desk.get(address))[-1]
    sent = {name: value for name, value in form["values"].items() if value != [""]}
    return desk.post(form["address"] or address, sent | values)


def at_spool(name: str, number: int = 2, **values) -> Callable:
    """An act on a spool of the shop; a value that is the name of a place stands for it."""

    def act(desk, shop):
        sent = {key: getattr(shop, value).pk if value in PLACES else value for key, value in values.items()}
        return desk.post(reverse(name, args=[shop.spools[number].code]), sent)

    return act


def _load(desk, shop):
    loaded = {"toolhead": shop.toolheads[0].pk, "override_reason": "a test", "unload_to": shop.shelf.pk}
    return desk.post(reverse("spool-load", args=[shop.spools[3].code]), loaded)


def _replace(desk, shop):
    fitting = Fitting.objects.valid().filter(role="nozzle", toolhead=shop.toolheads[0]).get()
    return desk.post(reverse("part-replace", args=[fitting.pk]), {"kind": shop.brass.pk, "removal": "worn"})


ACTS = {
    "moved": at_spool("spool-move", place="shelf"),
    "weighed": at_spool("spool-weigh", gross_g="1100", resolution_g="1"),
    "cut": at_spool("spool-cut", mass_g="5"),
    "ended": at_spool("spool-end", kind="empty"),
    "priced": at_spool("spool-price", price="19.90"),
    "loaded": _load,
    "taken off": at_spool("spool-unload", 0, place="shelf"),
    "dried": at_spool(
        "spool-dry",
        1,
        dryer="dryer",
        set_point_c="55",
        planned_hours="6",
        resolution_g="1",
        override_reason="x",
    ),
    "replaced": _replace,
    "serviced": lambda desk, shop: desk.post(
        reverse("service-done", args=[shop.toolheads[0].printer_id]), {"kind": shop.belts.pk}
    ),
    "stocked": lambda desk, shop: desk.post(
        reverse("stock-add"), {"kind": shop.brass.pk, "count": "2", "cause": "received"}
    ),
    "rated": lambda desk, shop: fill_in(desk, reverse("rates"), currency="EUR", energy_per_kwh="0.4"),
}


@pytest.mark.parametrize("name", ACTS)
def test_an_act_is_taken_back(shop, desk, name):
    CostRates.objects.create(currency="EUR")
    before = books()
    response = ACTS[name](desk, shop)
    assert response.status_code == 302, response.context["form"].errors
    assert books() != before
    after = take_back(desk, response)
    assert after.status_code == 302, after.context["form"].errors
    assert notices(desk.get(after["Location"])) == ["success"]
    assert books() == before


def test_a_spool_taken_out_of_the_dryer_dries_on(shop, desk):
    start_drying([shop.spools[1]], shop.dryer, DryingSettings(55, planned_hours=6), at=hours_ago(5))
    before, (run,) = books(), DryingRun.objects.all()
    named = {f"run{run.pk}-place": shop.bag.pk, f"run{run.pk}-out": "on"}
    response = fill_in(desk, reverse("drying-finish", args=[shop.dryer.pk]), **named)
    assert books() != before
    assert take_back(desk, response).status_code == 302
    assert books() == before


def _wrong_weighing(shop):
    weighing = weigh(shop.spools[2], 1100, at=hours_ago(2))
    return "weighing-correct", [shop.spools[2].code, weighing.pk], {"gross_g": "1010", "resolution_g": "1"}


def _wrong_move(shop):
    move_spool(shop.spools[2], shop.shelf, at=hours_ago(2))
    move = Move.objects.valid().filter(spool=shop.spools[2]).latest("at")
    return (
        "move-correct",
        [shop.spools[2].code, move.pk],
        {"place": shop.box.pk, "when": local_input(hours_ago(1))},
    )


def _wrong_run(shop):
    (run,) = start_drying([shop.spools[1]], shop.dryer, DryingSettings(55, planned_hours=6), at=hours_ago(5))
    return "run-correct", [shop.spools[1].code, run.pk], {"start": local_input(hours_ago(4))}


def _wrong_loading(shop):
    loading = shop.toolheads[0].loadings.get()
    return "loading-correct", [loading.spool.code, loading.pk], {"when": local_input(hours_ago(3))}


def _wrong_removal(shop):
    fitting = Fitting.objects.valid().get(role="nozzle", toolhead=shop.toolheads[0])
    remove_part(fitting, removal="worn", at=hours_ago(3))
    values = {"removal": "sound", "when": local_input(hours_ago(2)), "reason": "it was fine"}
    return "removal-correct", [fitting.pk], values


WRONG = [_wrong_weighing, _wrong_move, _wrong_run, _wrong_loading, _wrong_removal]


@pytest.mark.parametrize("make", WRONG)
def test_right_values_of_a_wrong_fact_are_taken_back(shop, desk, make):
    name, args, values = make(shop)
    before = books()
    response = fill_in(desk, reverse(name, args=args), **values)
    assert response.status_code == 302, response.context["form"].errors
    assert books() != before
    after = take_back(desk, response)
    assert after.status_code == 302, after.context["form"].errors
    assert books() == before


def test_a_role_is_taken_back_and_a_refused_act_has_no_way_back(shop, desk, django_user_model):
    other = django_user_model.objects.create_user("mara", role="work", password="filament-and-dry-air")
    response = desk.post(
        reverse("account-edit", args=[other.pk]), {f"{other.pk}-role": "view", f"{other.pk}-is_active": "on"}
    )
    take_back(desk, response)
    other.refresh_from_db()
    assert (other.role, other.is_active) == ("work", True)
    desk.post(reverse("spool-weigh", args=[shop.spools[2].code]), {"gross_g": "1100", "resolution_g": "1"})
    refused = desk.post(reverse("place-bring-back", args=[shop.shelf.pk]))
    page = desk.get(refused["Location"])
    assert notices(page)[-1] == "in_use_already error"
    assert [form for form in forms_on(page) if form["class"] == "undo"] == []


def test_added_rows_go_out_of_use(shop, desk):
    kinds = PartKind.objects.count()
    place = {"name": "Cellar", "kind": "shelf", "assumed_temperature_c": "20", "assumed_rh_pct": "50"}
    take_back(desk, fill_in(desk, reverse("place-new"), **place))
    assert Place.objects.get(name="Cellar").retired_at is not None
    received = {"feedstock": shop.pla.pk, "place": shop.shelf.pk, "net_mass_g": "1000"}
    received |= {"core_mass_g": "200", "core_material": "pc", "core_radius_mm": "50", "width_mm": "60"}
    take_back(desk, fill_in(desk, reverse("spool-receive"), **received))
    assert Ending.objects.get().kind == Ending.Kind.MISTAKE
    assert PartKind.objects.count() == kinds


def test_a_machine_that_was_retired_comes_back(shop, desk):
    printer = shop.toolheads[1].printer_id
    take_back(desk, desk.post(reverse("machine-retire", args=[printer])))
    assert Printer.objects.get(pk=printer).retired_at is None


@pytest.mark.parametrize(
    ("address", "values"), [("reminder-snooze", {"days": "3"}), ("reminder-complete", {"note": ""})]
)
def test_a_reminder_is_open_again(shop, desk, address, values):
    reminder = a_reminder(shop)
    before = books()
    response = desk.post(reverse(address, args=[reminder.pk]), values)
    assert books() != before
    take_back(desk, response)
    assert books() == before


def test_trouble_reported_by_mistake_and_another_cause(shop, desk):
    a_job(shop)
    response = fill_in(desk, reverse("trouble-new"), symptoms=["strings"])
    report = TroubleReport.objects.get()
    outcome = reverse("trouble-outcome", args=[report.pk])
    desk.post(outcome, {"cause": "wet", "note": ""})
    take_back(desk, desk.post(outcome, {"cause": "liner", "note": ""}))
    assert [row.cause for row in TroubleOutcome.objects.all()] == ["wet"]
    assert response.status_code == 302


def test_only_the_last_act_and_only_once(shop, desk):
    spool = shop.spools[2]
    address = reverse("spool-weigh", args=[spool.code])
    first = way_back(desk, desk.post(address, {"gross_g": "1100", "resolution_g": "1"}))
    last = way_back(desk, desk.post(address, {"gross_g": "1090", "resolution_g": "1"}))
    assert notices(desk.get(desk.post(*first)["Location"])) == ["not_the_last_act error"]
    assert notices(desk.get(desk.post(*last)["Location"])) == ["success"]
    assert notices(desk.get(desk.post(*last)["Location"])) == ["not_the_last_act error"]
    assert [entry.gross_g for entry in MassEntry.objects.valid().filter(spool=spool, kind="weighed")][
        -1
    ] == 1100


def test_an_act_is_taken_back_whole_or_not_at_all(shop, desk):
    """The nozzle was replaced, and another one came after that: the first act stays as it is."""
    response = _replace(desk, shop)
    act = way_back(desk, response)
    fitting = Fitting.objects.valid().get(role="nozzle", toolhead=shop.toolheads[0], end=None)
    replace_part(fitting.site, "nozzle", shop.brass, removal="worn", old=fitting)
    before = books()
    refused = desk.post(*act)
    assert notices(desk.get(refused["Location"])) == ["role_taken_since error"]
    assert books() == before


# Acts without a way back in their message, each with its reason.
WITHOUT = {
    "a way back itself, or the withdrawal of a fact, which is recorded again instead": {
        "take-back",
        "withdraw",
        "removal-withdraw",
        "readings-withdraw",
        "reading-correct",
    },
    "who may come in: a way back would be a second key": {
        "account",
        "accounts",
        "invitation",
        "invitation-end",
        "password",
        "password-reset",
        "second-factor",
        "second-factor-end",
        "sessions-end",
        "sign-in",
        "sign-in-code",
        "sign-out",
        "token-end",
        "tokens",
    },
    "changes no book: a test, a repeat, a choice of display, a reading of a file, a proposal": {
        "channel-again",
        "channel-confirm",
        "channel-test",
        "display",
        "message-retry",
        "status-again",
        "job-files",
        "job-file",
        "job-file-again",
        "job-file-stop",
        "week-plan",
        "job-file-material",
        "label-paper",
    },
    "deletes or ends for good, and asks before": {
        "channel-end",
        "channel-secret",
        "job-file-content-deleted",
        "notifications-calendar",
    },
    "a channel of one's own, ended on the same page": {
        "channel-events",
        "notifications",
        "notifications-email",
        "notifications-kinds",
        "notifications-push",
        "notifications-webhook",
    },
    "a whole shop, each part of which is corrected on its page": {"first-hour"},
    "many rows of which a span is withdrawn on the place's page": {"place-readings"},
    "values of a sensor, whose readings are withdrawn on the place's page": {"sensor-held"},
}


# Acts whose facts and rows are noted as they are saved.
NOTED = {
    "bore-new", "coupon-test", "drying-finish", "drying-start", "feedstock-new",
    "file-feedstocks", "file-jobs", "file-parts", "file-places", "file-readings", "file-spools",
    "flow-check-new", "job", "job-file-print",
    "job-new", "machine-new", "part-fit", "part-fit-used", "part-kind-new", "part-remove", "part-replace",
    "place-desiccant", "place-new", "place-salt-check", "planned-cancel", "planned-move", "planned-pin",
    "print-request-new", "printer-part-fit", "printer-part-fit-used", "prior-use", "reminder-complete",
    "reminder-snooze", "reminders-snooze", "scale-held", "scale-new", "sensor-place", "service-done",
    "service-kind-new", "spool-away", "spool-cut", "spool-dry",
    "spool-end", "spool-join", "spool-load", "spool-move", "spool-open", "spool-past-drying", "spool-past-loading",
    "spool-receive", "spool-respool",
    "spools-move", "spool-unload", "spool-weigh", "stock-add", "toolhead-new", "trouble-new",
    "topic-rule-new", "trouble-outcome", "week-accept", "week-reject",
}  # fmt: skip
SHOWN = {
    "audit", "calendar-feed", "drying", "feedstock", "files", "first-verdict", "flow-check", "jobs", "labels", "live", "machine",
    "machines", "material",
    "materials", "part", "part-kind", "password-changed", "password-reset-confirm", "place", "places", "print-request",
    "printer-events",
    "manifest", "reminder", "reminders", "reminders-ended", "scales", "scan", "sensor", "sensors", "service",
    "short-code", "label-tags", "spool", "words", "spool-history", "spool-label",
    "spool-printed", "spools", "status", "stock", "today", "toolhead-flow", "trouble", "troubles", "usage", "week", "worker",
}  # fmt: skip


def test_every_act_has_a_way_back_or_a_reason_for_none():
    """Whoever adds a page puts it into one of the lists."""
    lists = [EDITS, CORRECTIONS, OPPOSITES, NOTED, SHOWN, *WITHOUT.values()]
    named = Counter(name for names in lists for name in names)
    assert [name for name, times in named.items() if times > 1] == []
    assert set(named) == {pattern.name for pattern in _list_patterns(pages.urls.urlpatterns)}


def _list_patterns(patterns):
    for pattern in patterns:
        yield from _list_patterns(pattern.url_patterns) if hasattr(pattern, "url_patterns") else [pattern]
