"""Facts, corrected and withdrawn, and the events that a reader is left with."""

from datetime import timedelta

import pytest
from django.utils import timezone

from maintenance.events.feed import KEEP, CursorGone, prune_events, read_events
from maintenance.events.verdicts import judge_loaded, note_verdicts
from maintenance.events.wording import build_body, name_subjects, write_sentence
from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.models import Loading, ShopEvent
from maintenance.parts.fitting import remove_part
from maintenance.parts.stock import add_stock
from maintenance.reminders.sweep import sweep
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.facts import withdraw
from spools.inventory.endings import end_spool
from tests.maintenance.conftest import PRINT
from tests.pages.small_shop import service_kind
from tests.spools.conftest import hours_ago

Kind = ShopEvent.Kind


def read(after=None) -> list[ShopEvent]:
    return list(read_events(after, Kind.values, 1000).events)


def list_counting() -> list[tuple[str, dict]]:
    """The kinds and data of the events that count, as a reader of the whole log has them."""
    events = {}
    for event in read():
        if event.kind == Kind.WITHDRAWN:
            assert events.pop(event.withdraws).kind == event.data["former"]
        else:
            events[event.uid] = event
    return [(event.kind, event.data) for event in events.values()]


@pytest.fixture
def start(shop) -> int:
    """The cursor of the present."""
    return read_events("latest", Kind.values, 1).following


def list_kinds(start: int) -> list[str]:
    return [event.kind for event in read(start)]


def test_each_fact_is_an_event_of_its_own_time(shop, plain, start):
    loading = load_spool(shop.north, plain, at=hours_ago(8))
    assert list_kinds(start) == [Kind.SPOOL_MOVED, Kind.SPOOL_LOADED]
    job = record_job(toolhead=shop.north, spool=plain, start=hours_ago(6), **PRINT)
    unload_spool(loading, shop.box, at=hours_ago(3))
    [run] = start_drying([plain], shop.dryer, DryingSettings(45, planned_hours=8), at=hours_ago(2))
    finish_drying(run, place=shop.box, at=hours_ago(1))
    nozzle = shop.north.fittings.get(role="nozzle", end=None)
    remove_part(nozzle, removal="sound", at=hours_ago(0.5))
    end_spool(plain, kind="lost", at=hours_ago(0.2))
    events = {event.kind: event for event in read(start)}
    assert events.keys() == {
        *(Kind.SPOOL_MOVED, Kind.SPOOL_LOADED, Kind.SPOOL_UNLOADED, Kind.SPOOL_ENDED),
        *(Kind.JOB_STARTED, Kind.JOB_FINISHED, Kind.DRYING_STARTED, Kind.DRYING_ENDED, Kind.PART_REMOVED),
    }
    loaded = events[Kind.SPOOL_LOADED]
    assert (loaded.at, loaded.fact) == (loading.start, f"loading:{loading.pk}")
    assert loaded.data == {"spool": plain.pk, "toolhead": shop.north.pk, "slot": 1}
    assert events[Kind.JOB_FINISHED].at == job.end
    assert events[Kind.PART_REMOVED].data["removal"] == "sound"
    assert events[Kind.SPOOL_ENDED].data == {"spool": plain.pk, "ending": "lost"}


def test_what_is_withdrawn_counts_no_longer(shop, plain, start):
    loading = load_spool(shop.north, plain, at=hours_ago(8))
    job = record_job(toolhead=shop.north, spool=plain, start=hours_ago(6), **PRINT)
    before = list_counting()
    withdraw(job, reason="a test")
    withdraw(loading, reason="a test")
    withdrawn = [event for event in read(start) if event.kind == Kind.WITHDRAWN]
    assert [event.data["former"] for event in withdrawn] == [
        Kind.JOB_STARTED,
        Kind.JOB_FINISHED,
        Kind.SPOOL_LOADED,
        Kind.SPOOL_MOVED,
    ]
    assert list_counting() == before[: -len(withdrawn)]


def test_an_end_that_is_taken_back_or_moved_is_withdrawn(shop, plain, start):
    loading = load_spool(shop.north, plain, at=hours_ago(8))
    loading = unload_spool(loading, shop.box, at=hours_ago(3))
    withdraw(loading.unloading, reason="a test")
    assert [kind for kind, _ in list_counting()][-2:] == [Kind.SPOOL_MOVED, Kind.SPOOL_LOADED]
    unload_spool(Loading.objects.get(), shop.box, at=hours_ago(2))
    assert list_kinds(start).count(Kind.SPOOL_UNLOADED) == 2
    assert [kind for kind, _ in list_counting()].count(Kind.SPOOL_UNLOADED) == 1


def test_a_fact_from_before_the_log_tells_its_end_alone(shop, plain, start):
    loading = load_spool(shop.north, plain, at=hours_ago(8))
    ShopEvent.objects.all().delete()
    unload_spool(loading, shop.box, at=hours_ago(3))
    assert [event.kind for event in read()] == [Kind.SPOOL_MOVED, Kind.SPOOL_UNLOADED]


def test_a_verdict_that_changes_is_an_event_once(shop, plain, wet, start):
    load_spool(shop.north, plain, at=hours_ago(8))
    loading = load_spool(shop.south, wet, at=hours_ago(8), override_reason="a test")
    states = judge_loaded()
    assert states == {(shop.north.pk, plain.pk): "clear", (shop.south.pk, wet.pk): loading.state}
    note_verdicts(states)
    assert Kind.VERDICT_CHANGED not in list_kinds(start)
    for state in ("caution", "caution", "hold"):
        note_verdicts(states | {(shop.north.pk, plain.pk): state})
    changed = [event for event in read(start) if event.kind == Kind.VERDICT_CHANGED]
    assert [(event.data["before"], event.data["verdict"]) for event in changed] == [
        ("clear", "caution"),
        ("caution", "hold"),
    ]


def test_a_low_stock_is_an_event(shop, start):
    sweep()
    assert Kind.STOCK_LOW not in list_kinds(start)
    add_stock(shop.brass, -5)
    sweep()
    sweep()
    [event] = [event for event in read(start) if event.kind == Kind.STOCK_LOW]
    assert event.data == {"feedstock": None, "part_kind": shop.brass.pk, "amount": 0, "unit": "in_stock"}


def test_each_kind_has_a_sentence_that_names_its_subjects(shop, plain):
    load_spool(shop.north, plain, at=hours_ago(8))
    job = record_job(toolhead=shop.north, spool=plain, start=hours_ago(6), **PRINT)
    data = {"spool": plain.pk, "feedstock": shop.pla.pk, "place": shop.box.pk, "toolhead": shop.north.pk}
    data |= {"printer": shop.north.printer_id, "part": shop.north.fittings.first().part_id, "slot": 1}
    data |= {"part_kind": shop.brass.pk, "set_point_c": 45.0, "ending": "lost", "removal": "worn"}
    data |= {"verdict": "hold", "before": "clear", "job": job.pk, "service": service_kind("belt check").pk}
    for kind in set(Kind) - {Kind.WITHDRAWN}:
        event = ShopEvent(kind=kind, at=timezone.now(), data=data)
        body = build_body(event, name_subjects([event])[0])
        sentence = write_sentence(body)
        assert any(name in sentence for name in ("North", "brass", plain.code[:3])), sentence
        assert not {*"[]{}|"} & {*sentence} and "None" not in sentence, sentence
        assert sentence in write_sentence({"kind": Kind.WITHDRAWN, "data": body["data"] | {"former": kind}})


def test_old_events_go_and_the_last_stays_for_its_number(shop, plain, start):
    last = read()[-1].sequence
    assert prune_events(timezone.now() + KEEP - timedelta(days=1)) == 0
    assert prune_events(timezone.now() + KEEP + timedelta(days=1)) == last - 1
    assert [event.sequence for event in read()] == [last]
    load_spool(shop.north, plain, at=hours_ago(8))
    assert [event.sequence for event in read(last)] == [last + 1, last + 2]
    with pytest.raises(CursorGone, match="too_old"):
        read(last - 2)
    with pytest.raises(CursorGone, match="unknown"):
        read(last + 3)
