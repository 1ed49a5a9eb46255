"""The pages of reminders: what counts, putting off by a number, the history of each, all that ended."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from maintenance.models import Channel, Fitting, Reminder, Subscription
from maintenance.reminders import lifecycle
from maintenance.reminders.conditions.conditions import Condition
from maintenance.reminders.reconcile import reconcile
from tests.maintenance.reminders.texts import texts
from tests.pages.shown import due_rows, notices, require_refused, shows
from tests.pages.small_shop import a_reminder
from tests.spools.conftest import hours_ago


@pytest.fixture(autouse=True)
def nothing_else(shop) -> None:
    """Without the reminders that the shop itself makes due."""
    Reminder.objects.all().delete()


def told(amount: float = 60, condition: str = "clean:1", **values) -> Reminder:
    """Raised or brought up to date as by a sweep."""
    given = {"kind": "clean", **texts("Clean the hot end"), "condition": condition}
    reminder = Reminder(**given | {"amount": amount, "amount_unit": "hot_h"} | values)
    reconcile(["clean"], [Condition(reminder)], timezone.now())
    return Reminder.objects.get(condition=condition, ended_at=None)


def page(desk: Client, name: str, pk: int | None = None, **asked):
    return desk.get(reverse(name, args=[] if pk is None else [pk]), asked)


def shown(response) -> list[Reminder]:
    """Those that are due, in their groups."""
    return [row.reminder for row in due_rows(response)]


def test_the_title_counts_what_is_due_for_whoever_looks(shop, desk):
    for address in ["/", reverse("reminders"), reverse("machines")]:
        assert "<title>(" not in desk.get(address).content.decode()
    told()
    a_reminder(shop)
    for address in ["/", reverse("reminders"), reverse("machines")]:
        assert "<title>(2) " in desk.get(address).content.decode()
    kinds = Channel.objects.create(user=shop.user, kind="page")
    Subscription.objects.create(channel=kinds, reminder_kind="dry")
    for address in ["/", reverse("reminders"), reverse("machines")]:
        assert "<title>(1) " in desk.get(address).content.decode()
    due = page(desk, "reminders")
    assert [item.kind for item in shown(due)] == ["dry", "clean"]
    assert [item.counts for item in shown(due)] == [True, False]
    assert due.content.count(b'data-note="not_counted"') == 1
    assert "<title>(" not in Client().get("/sign-in/").content.decode()


def test_a_snooze_until_an_amount(shop, desk):
    item = told()
    form = page(desk, "reminder-snooze", item.pk)
    assert shows(form, "60 hot hours", note="amount_now")
    assert "hot hours" in form.context["form"]["amount"].label
    after = desk.post(reverse("reminder-snooze", args=[item.pk]), {"amount": "90"}, follow=True)
    assert notices(after) == ["success"] and shows(after, "90 hot hours", note="notice")
    assert [row.reminder for row in after.context["snoozed"]] == [item] and not shown(after)
    item.refresh_from_db()
    assert shows(after, "90 hot hours", f"{item.snoozed_until:%Y}", note="snoozed")
    told(91)
    assert shown(page(desk, "reminders")) == [item]


@pytest.mark.parametrize(
    ("values", "field", "code", "names"),
    [
        ({"amount": "60"}, "amount", "reached_already", ["60 hot hours"]),
        ({"amount": "much"}, "amount", "invalid", []),
        ({"amount": "90", "days": "1"}, "until", "time_or_amount", []),
        ({"amount": ""}, "__all__", "time_or_amount", []),
    ],
)
def test_an_impossible_amount_is_refused(shop, desk, values, field, code, names):
    item = told()
    response = desk.post(reverse("reminder-snooze", args=[item.pk]), values)
    require_refused(response, code, field, names=names)
    item.refresh_from_db()
    assert item.snoozed_until is None


def test_a_reminder_without_an_amount_cannot_be_snoozed_by_one(shop, desk):
    item = a_reminder(shop)
    assert "amount" not in page(desk, "reminder-snooze", item.pk).context["form"].fields
    refused = desk.post(reverse("reminder-snooze", args=[item.pk]), {"amount": "5"})
    require_refused(refused, "time_or_amount", "__all__")


def test_the_history_of_a_reminder(shop, desk):
    item = told()
    desk.post(reverse("reminder-snooze", args=[item.pk]), {"days": "1"})
    desk.post(reverse("reminder-complete", args=[item.pk]), {"note": "with a <b>brush</b>"})
    Reminder.objects.update(ended_at=hours_ago(30), opened_at=hours_ago(40))
    again = told(70)
    first = page(desk, "reminder", item.pk)
    assert shows(first, "60 hot hours", note="event_opened") and shows(first, "ada", note="event_snoozed")
    assert shows(first, "ada", "with a <b>brush</b>", note="event_completed")
    assert b"<b>brush" not in first.content
    assert reverse("reminder-complete", args=[item.pk]) not in first.content.decode(), "it has ended"
    second = page(desk, "reminder", again.pk)
    assert list(second.context["earlier"]) == [item]
    assert reverse("reminder-complete", args=[again.pk]) in second.content.decode()
    assert desk.get(reverse("reminder", args=[again.pk + 1])).status_code == 404
    assert Client().get(reverse("reminder", args=[again.pk])).status_code == 302


def test_all_that_ended_is_reached_page_by_page_and_kind_by_kind(shop, desk):
    ended = [
        a_reminder(
            shop,
            condition=f"dry:spool:{n % 5}",
            kind="dry" if n % 2 else "clean",
            title=f"Number {n}.",
            ended_at=hours_ago(n + 1),
            ending="resolved",
        )
        for n in range(70)
    ]
    observed = [
        row for number in (1, 2, 3) for row in page(desk, "reminders-ended", page=number).context["page"]
    ]
    assert observed == ended
    dry = [row for n in (1, 2) for row in page(desk, "reminders-ended", kind="dry", page=n).context["page"]]
    assert dry == [row for row in ended if row.kind == "dry"]
    assert "?kind=dry&amp;page=2" in page(desk, "reminders-ended", kind="dry").content.decode()
    condition = page(desk, "reminders-ended", condition="dry:spool:3").context["page"]
    assert {row.condition for row in condition} == {"dry:spool:3"} and len(condition) == 14
    for odd in [{"kind": "nonsense"}, {"page": "x"}, {"page": "-4"}, {"condition": "a" * 300}]:
        assert page(desk, "reminders-ended", **odd).status_code == 200


def test_today_shows_the_first_of_each_group_with_its_act_and_how_many_there_are(shop, desk):
    fitting = Fitting.objects.filter(end=None, part__isnull=False).first()
    for number in range(9):
        a_reminder(shop, kind="service", condition=f"service:{number}")
    a_reminder(shop, kind="replace", condition="replace:part:1", part=fitting.part, spool=None)
    today = page(desk, "today")
    assert [(group.key, group.count) for group in today.context["due"]] == [("replace", 1), ("clean", 9)]
    assert reverse("part-replace", args=[fitting.pk]) in today.content.decode()


def test_many_are_reached_page_by_page_and_group_by_group(shop, desk):
    dry = a_reminder(shop)
    few = page(desk, "reminders")
    assert "?group=" not in few.content.decode(), "with few of them nothing is to be chosen"
    cleaning = [a_reminder(shop, kind="clean", condition=f"clean:{number}") for number in range(31)]
    later = a_reminder(shop, kind="clean", condition="clean:off")
    lifecycle.snooze(later, timezone.now() + timedelta(days=3))
    first, second = page(desk, "reminders"), page(desk, "reminders", page=2)
    assert shows(first, "1", "2", note="page") and b"<title>(32) " in first.content
    listed = [item for answer in (first, second) for item in shown(answer)]
    assert len(shown(first)) == 30 and sorted(item.pk for item in listed) == sorted(
        item.pk for item in (dry, *cleaning)
    )
    assert "snoozed" not in first.context and shows(first, "1 snoozed", note="snoozed_count")
    assert [row.reminder for row in second.context["snoozed"]] == [later]
    to_dry = page(desk, "reminders", group="dry")
    assert shown(to_dry) == [dry] and to_dry.context["snoozed"] == []
    require_refused(page(desk, "reminders", group="x"), "invalid_choice", "group")


def test_several_are_snoozed_by_choice_or_by_group(shop, desk):
    dry = a_reminder(shop)
    cleaning = [a_reminder(shop, kind="clean", condition=f"clean:{number}") for number in range(3)]
    due = page(desk, "reminders")
    assert [(group.key, group.count) for group in due.context["groups"]] == [("dry", 1), ("clean", 3)]
    assert due.content.count(b'type="checkbox" name="reminders"') == 4
    address = reverse("reminders-snooze")
    require = desk.post(address, {"days": "3"}, follow=True)
    assert notices(require) == ["none_chosen error"]
    desk.post(address, {"days": "3", "reminders": [cleaning[0].pk, cleaning[1].pk]})
    assert [row.reminder for row in page(desk, "reminders").context["snoozed"]] == cleaning[:2]
    assert cleaning[0].events.filter(type="snoozed", by=shop.user).count() == 1
    desk.post(address, {"days": "14", "group": "clean"})
    assert shown(page(desk, "reminders")) == [dry]
    cleaning[2].refresh_from_db()
    assert cleaning[2].snoozed_until > timezone.now() + timedelta(days=13)


def _subjects(shop) -> dict[str, dict]:
    """Subjects of reminders by kind: each shows another link."""
    fitting = Fitting.objects.filter(end=None, part__isnull=False).first()
    toolhead = shop.toolheads[0]
    return {
        "dry": {"spool": shop.spools[1]},
        "replace": {"part": fitting.part, "spool": None},
        "flow_check": {"toolhead": toolhead, "spool": None},
        "service": {"toolhead": toolhead, "printer": toolhead.printer, "spool": None},
        "drying_done": {"place": shop.dryer, "spool": None},
        "regenerate": {"place": shop.box, "spool": None},
        "reorder": {"feedstock": shop.spools[0].feedstock, "spool": None},
        "heat": {"spool": shop.spools[1]},
    }


def _make_many(shop, subjects: dict[str, dict], count: int) -> None:
    """As many reminders, of these kinds in turn."""
    kinds = list(subjects)
    for number in range(count):
        kind = kinds[number % len(kinds)]
        a_reminder(shop, kind=kind, condition=f"{kind}:{number}:{Reminder.objects.count()}", **subjects[kind])


def test_the_list_takes_the_same_queries_however_many_there_are(shop, desk):
    subjects = _subjects(shop)

    def count_queries() -> int:
        with CaptureQueriesContext(connection) as queries:
            page(desk, "reminders")
        return len(queries)

    page(desk, "reminders")
    counts = []
    for due, snoozed in [(5, 0), (35, 5), (360, 30)]:
        _make_many(shop, subjects, due)
        before = set(Reminder.objects.values_list("pk", flat=True))
        _make_many(shop, subjects, snoozed)
        added = Reminder.objects.exclude(pk__in=before)
        added.update(snoozed_until=timezone.now() + timedelta(days=2))
        counts.append(count_queries())
    Reminder.objects.exclude(kind="dry").delete()
    counts.append(count_queries())
    assert len(set(counts)) == 1, counts


def test_urgent_reminders_come_first(shop, desk):
    a_reminder(shop, opened_at=hours_ago(1))
    a_reminder(
        shop,
        condition="dry:spool:2",
        title="Dry the other",
        opened_at=hours_ago(9),
        urgent_since=hours_ago(2),
    )
    due = page(desk, "reminders")
    assert [item.title for item in shown(due)] == ["Dry the other", "Dry the nylon"]
    before, after = due.content.decode().split("Dry the nylon", 1)
    assert 'data-note="urgent"' in before and 'data-note="urgent"' not in after


def test_a_flow_check_is_planned_with_the_spool_that_is_loaded(shop, desk):
    loading = shop.toolheads[0].loadings.present().get()
    a_reminder(
        shop, kind="flow_check", condition="flow_check:toolhead:1", spool=None, toolhead=shop.toolheads[0]
    )
    [row] = page(desk, "reminders").context["groups"][0].rows
    assert row.address == f"{reverse('flow-check-new')}?loading={loading.pk}"
    assert desk.get(row.address).status_code == 200


def test_a_reminder_back_from_snooze_is_due_before_the_next_sweep(shop, desk):
    item = told()
    lifecycle.snooze(item, timezone.now() + timedelta(hours=1))
    Reminder.objects.update(snoozed_until=hours_ago(0.1))
    assert shown(page(desk, "reminders")) == [item]
