"""The pages of jobs: a print on its way, its steps, and the same print again."""

from django.urls import reverse
from django.utils import timezone

from maintenance.jobs.printer_events import Reported, record_events
from maintenance.models import Job, PrinterEvent
from spools.models import Spool
from tests.pages.shown import notes, notices, require_refused, shows
from tests.pages.small_shop import a_job, local_input
from tests.spools.conftest import hours_ago


def test_a_print_on_its_way_fails_and_is_printed_again(shop, desk):
    job = a_job(shop, stage="printing", hours=6)
    address = reverse("job", args=[job.pk])
    assert shows(desk.get(reverse("jobs")), "Bracket", "40 g", note="not_over")
    page = desk.get(address)
    assert {"reserved", "step_started"} <= notes(page)
    assert shows(page, "40 g", shop.spools[0].feedstock.polymer, note="reserved")
    refused = desk.post(address, {"end": "1", "result": "failed", "stopped_pct": "120"})
    assert refused.context["forms"]["end"].has_error("stopped_pct", "max_value")
    values = {"end": "1", "result": "failed", "parts": "4", "good_parts": "3", "reason": "warped"}
    assert desk.post(address, values | {"stopped_pct": "50"}).status_code == 302
    page = desk.get(address)
    assert shows(page, "3", "4", "warped", note="step_failed") and shows(page, "20 g")
    again = desk.get(reverse("job-new"), {"from": job.pk})
    assert "original" in notes(again)
    initial = again.context["form"].initial
    assert (initial["mass_g"], initial["hours"], initial["stage"]) == (40, 6, "printing")
    event = job.events.get(kind="failed")
    assert desk.post(reverse("withdraw", args=["job-event", event.pk]), {"reason": "slip"}).status_code == 302
    assert Job.objects.get().stage == "printing"


def test_a_spool_that_ran_out_is_followed_by_another_one(shop, desk):
    job = a_job(shop, stage="printing", hours=6)
    address, spools = reverse("job", args=[job.pk]), Spool.objects.filter(feedstock=shop.pla)
    following = spools.exclude(pk=shop.spools[0].pk).first()
    values = {"change": "1", "spool": following.pk, "when": local_input(hours_ago(1)), "mass_g": "12.5"}
    refused = desk.post(address, values)
    assert refused.context["forms"]["change"].has_error("unload_to", "toolhead_taken")
    assert desk.post(address, values | {"unload_to": shop.shelf.pk}).status_code == 302
    assert shows(desk.get(address), "27.5 g", note="reserved")


def test_a_print_that_a_script_recorded_is_known(shop, desk):
    job = a_job(shop)
    values = {"loading": shop.toolheads[0].loadings.get().pk, "name": "bracket.gcode", "mass_g": 41}
    values |= {"stage": "finished", "hours": 2, "nozzle_c": 210, "bed_c": 60, "when": local_input(job.start)}
    checked = desk.post(reverse("job-new"), values | {"check": "1"})
    values |= {"checked": checked.context["verdict_key"], "record": "1"}
    page = desk.post(reverse("job-new"), values, follow=True)
    assert "known_before" in notices(page)[0] and Job.objects.count() == 1
    late = {"when": local_input(timezone.now()), "name": "vase", "mass_g": 70}
    require_refused(desk.post(reverse("job-new"), values | late), "changed_after_check")


def test_temperatures_that_nobody_gives_are_those_of_the_last_job_or_of_the_material(shop, desk):
    values = {"loading": shop.toolheads[0].loadings.get().pk, "name": "clip", "mass_g": 4, "hours": 1}
    usual = desk.post(reverse("job-new"), values | {"stage": "planned", "check": "1"})
    low_c, high_c = shop.pla.polymer.nozzle_min_c, shop.pla.polymer.nozzle_max_c
    assert usual.context["form"].cleaned_data["nozzle_c"] == (low_c + high_c) / 2
    last = a_job(shop)
    checked = desk.post(reverse("job-new"), values | {"check": "1"})
    assert shows(checked, f"{last.nozzle_c:g} °C", str(last), note="usual_temperatures")
    values |= {"checked": checked.context["verdict_key"], "record": "1", "bed_c": "70"}
    require_refused(desk.post(reverse("job-new"), values), "changed_after_check")
    assert desk.post(reverse("job-new"), values | {"bed_c": ""}).status_code == 302
    created = Job.objects.exclude(pk=last.pk).get()
    assert (created.nozzle_c, created.bed_c) == (last.nozzle_c, last.bed_c)


def test_the_progress_and_the_open_events_of_a_printer_are_shown(shop, desk):
    printer = shop.toolheads[0].printer
    machine, open_events = reverse("machine", args=[printer.pk]), reverse("printer-events", args=[printer.pk])
    assert "open_events" not in notes(desk.get(machine))

    def report(kind, ago, **values):
        record_events([Reported(f"{kind}{ago}", printer.pk, "17", kind, hours_ago(ago), None, values)])

    report("finished", 1, metres=5.0)
    assert "open_events" in notes(desk.get(machine))
    assert "event_waiting" in notes(desk.get(open_events))
    waiting = PrinterEvent.objects.get()
    assert (
        desk.post(reverse("withdraw", args=["printer-event", waiting.pk]), {"reason": "slip"}).status_code
        == 302
    )
    assert "event_waiting" not in notes(desk.get(open_events))
    report(
        "started",
        2,
        mass_g=40,
        hours=6,
        nozzle_c=210,
        bed_c=60,
        name="Lamp foot",
        toolhead=shop.toolheads[0].name,
    )
    report("progress", 0.5, pct=42.0)
    report("paused", 0.4, reason="filter change")
    for address in (machine, reverse("jobs"), reverse("job", args=[Job.objects.get().pk])):
        assert shows(desk.get(address), "42 %", "filter change", note="progress")
    report("resumed", 0.2)
    assert not shows(desk.get(machine), "filter change", note="progress")
