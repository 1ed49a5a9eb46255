"""The calendar feed, read by a strict reader of lines (RFC 5545, 3.1) and by a parser of another library."""

import re
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
import vobject
from django.utils import timezone

from maintenance.models import Channel, Reminder, ReminderEvent
from maintenance.reminders.delivery import channels, feed
from spools.drying.runs import DryingSettings, start_drying
from tests.maintenance.reminders.delivery.conftest import raised
from tests.maintenance.reminders.texts import texts
from tests.spools.conftest import hours_ago

pytestmark = pytest.mark.django_db
LINE = re.compile(
    r"[A-Z0-9-]+(;[A-Z0-9-]+=(\"[^\"\x00-\x1f]*\"|[^\x00-\x1f\";:,]*))*:[^\x00-\x08\x0a-\x1f\x7f]*"
)
DUE = datetime(2026, 3, 29, 1, 30, tzinfo=UTC)


@pytest.fixture
def mine(cleo) -> Channel:
    return channels.open_calendar(cleo)


def strictly(content: bytes) -> list[str]:
    """The unfolded lines; AssertionError for what RFC 5545 does not allow."""
    assert content.endswith(b"\r\n")
    physical = content[:-2].split(b"\r\n")
    for line in physical:
        assert b"\r" not in line and b"\n" not in line, line
        assert 0 < len(line) <= 75, (len(line), line)
        line.decode()
    logical = content[:-2].decode().replace("\r\n ", "").replace("\r\n\t", "").split("\r\n")
    for line in logical:
        assert LINE.fullmatch(line), line
    opened: list[str] = []
    for line in logical:
        name, _, value = line.partition(":")
        if name == "BEGIN":
            opened.append(value)
        elif name == "END":
            assert opened.pop() == value
    assert not opened
    return logical


def events(channel: Channel) -> list:
    content = feed.as_ical(channel)
    strictly(content)
    read = vobject.readOne(content.decode())
    assert read.version.value == "2.0" and read.prodid.value
    return list(read.contents.get("vevent", []))


def test_nothing_due_is_a_calendar_without_events(mine):
    lines = strictly(feed.as_ical(mine))
    assert lines[0] == "BEGIN:VCALENDAR" and "VERSION:2.0" in lines
    assert events(mine) == []


def test_a_reminder_is_an_event_at_its_time_in_utc(mine):
    raised(1, due_at=DUE, why="0.9 %; limit 0.5, or so\\n", remedy="Dry it:\n9 h")
    [event] = events(mine)
    assert event.dtstart.value == DUE and event.dtend.value == DUE + timedelta(minutes=30)
    assert "DTSTART:20260329T013000Z" in strictly(feed.as_ical(mine))
    assert event.summary.value == "Re-dry spool 1"
    assert event.description.value == "0.9 %; limit 0.5, or so\\n\nDry it:\n9 h"
    assert event.transp.value == "TRANSPARENT"


@pytest.mark.parametrize("title", ["ä€😀" * 53, "x" * 160, "a;b,c\\d:e\"f'g", "BEGIN:VEVENT", "\tTab"])
def test_whatever_the_title_the_lines_are_right_and_it_is_read_back(mine, title):
    raised(1, due_at=DUE, title=title)
    [event] = events(mine)
    assert event.summary.value == title


def test_it_is_the_same_to_the_byte_until_something_happens(mine):
    event = raised(1, due_at=DUE)
    first = feed.as_ical(mine)
    [before] = events(mine)
    with time_machine.travel(timezone.now() + timedelta(hours=3)):
        assert feed.as_ical(mine) == first
        Reminder.objects.update(snoozed_until=timezone.now() + timedelta(days=300), snoozed_until_amount=2)
        assert events(mine)[0].dtstart.value == DUE
        Reminder.objects.update(snoozed_until_amount=None)
        ReminderEvent.objects.create(reminder=event.reminder, type="snoozed", at=timezone.now())
        until = timezone.now() + timedelta(days=2)
        Reminder.objects.update(snoozed_until=until)
        [after] = events(mine)
    assert after.uid.value == before.uid.value
    assert int(after.sequence.value) == int(before.sequence.value) + 1
    assert after.last_modified.value > before.last_modified.value
    assert after.dtstart.value == until.replace(microsecond=0)


def test_what_has_ended_has_no_time_or_is_not_wanted_is_not_shown(mine):
    raised(1, due_at=DUE)
    raised(2)
    raised(3, due_at=DUE, kind="leak")
    assert len(events(mine)) == 2
    channels.subscribe(mine, {"dry": "at_once"})
    assert len(events(mine)) == 1
    Reminder.objects.filter(condition="dry:spool:1").update(ended_at=timezone.now())
    assert events(mine) == []


def test_a_planned_end_of_drying_becomes_its_reminder(mine, shop, wet):
    stages = {"first_set_point_c": 60, "first_hours": 2, "planned_hours": 5}
    [run] = start_drying([wet], shop.dryer, DryingSettings(75, **stages), at=hours_ago(1))
    up, done = events(mine)
    assert up.dtstart.value == (run.start + timedelta(hours=2)).replace(microsecond=0)
    assert done.dtstart.value == (run.start + timedelta(hours=5)).replace(microsecond=0)
    assert "75 °C" in up.summary.value and "Dryer" in done.summary.value
    assert done.url.value == f"https://shop.example/s/{wet.code}/"
    values = {"kind": "drying_done", "condition": f"drying_done:run:{run.pk}", **texts("Take it out")}
    Reminder.objects.create(**values, opened_at=timezone.now(), due_at=done.dtstart.value)
    assert [event.uid.value for event in events(mine)] == [up.uid.value, done.uid.value]
    assert events(mine)[1].summary.value == "Take it out"
    Reminder.objects.update(ended_at=timezone.now(), ending="resolved")
    assert len(events(mine)) == 2, "the run goes on, so it comes again"
    Reminder.objects.update(ending="completed")
    assert [event.uid.value for event in events(mine)] == [up.uid.value]
    channels.subscribe(mine, {"dry": "at_once"})
    assert events(mine) == []


def test_a_new_address_keeps_the_choice_and_ends_the_old_one(mine, cleo):
    channels.subscribe(mine, {"dry": "at_once"})
    renewed = channels.open_calendar(cleo)
    assert feed.calendar_of(mine.address) is None and feed.calendar_of(renewed.address) == renewed
    assert list(renewed.subscriptions.values_list("reminder_kind", flat=True)) == ["dry"]
    assert feed.calendar_of("") is None
