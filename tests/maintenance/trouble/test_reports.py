"""Trouble in a shop: the evidence of the print at its time, what turned out, what that changes."""

from typing import Any

import pytest

from maintenance.flow.curve import RateMasses
from maintenance.flow.records import record_flow_check, require_setup
from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.models import Loading, ServiceKind, TroubleOutcome, TroubleReport
from maintenance.parts.fitting import replace_part
from maintenance.parts.stock import add_stock
from maintenance.service.records import record_service, save_kind
from maintenance.trouble import rules as trouble_rules
from maintenance.trouble.causes import SYMPTOMS
from maintenance.trouble.evidence import load_evidence
from maintenance.trouble.reports import (
    load_findings,
    record_outcome,
    report_job_trouble,
    report_trouble,
)
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.facts import withdraw
from spools.moisture.state import moisture_of
from tests.maintenance.conftest import PRINT, kind
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive


def printed(toolhead, spool, ago: float, **values):
    given = PRINT | {"name": f"print {ago} h ago", "override_reason": "a test"}
    return record_job(toolhead=toolhead, spool=spool, start=hours_ago(ago), **(given | values))


def causes(report: TroubleReport) -> list[str]:
    return [finding["cause"] for finding in report.findings]


def score(report: TroubleReport, cause: str) -> float:
    return next(finding["score"] for finding in report.findings if finding["cause"] == cause)


def reasons(report: TroubleReport, cause: str) -> dict[str, Any]:
    """The values of each reason, by its code."""
    finding = next(finding for finding in load_findings(report) if finding.cause == cause)
    return {line.statement.code: line.statement.values for line in finding.lines}


@pytest.fixture
def cleaning(shop) -> ServiceKind:
    values = {"work": "hot_end", "subject": "toolhead", "unit": "hot_h", "interval": 50, "advice": "Pull."}
    values["added_at"] = hours_ago(1000)
    return save_kind(ServiceKind(name="hot-end cleaning", source="invented", how="memory", **values))


@pytest.fixture
def carbon_jobs(shop, filled, cleaning):
    """Soft gears, a hard nozzle, jobs with carbon fibre; the spool dry and the hot end cleaned."""
    soft = kind("gears", "soft gears", hardness_hv=105, life=100, life_low=30, life_high=300)
    add_stock(soft, 1, at=hours_ago(200))
    replace_part(shop.south, "gears", soft, removal="upgraded", at=hours_ago(150))
    load_spool(shop.south, filled, at=hours_ago(140), override_reason="a test")
    jobs = [printed(shop.south, filled, ago, mass_g=280, hours=12) for ago in (130, 100, 70)]
    record_service(cleaning, toolhead=shop.south, at=hours_ago(72))
    return jobs


@pytest.mark.parametrize("symptoms", [["skips"], ["sudden"], ["skips", "sudden"]])
def test_soft_gears_worn_by_carbon_fibre_come_first_for_a_skipping_drive(carbon_jobs, symptoms):
    report = report_job_trouble(carbon_jobs[-1], symptoms)
    assert causes(report)[0] == "gears_worn"
    cut = reasons(report, "gears_worn")["trouble.part_cut"]
    assert (cut["part"], cut["mass_g"], cut["hardness_hv"]) == ("soft gears", pytest.approx(840), 105)
    assert cut["fillers"] == [{"name": "carbon fibre", "hardness_hv": 340}]


def test_hardened_gears_after_the_same_jobs_do_not(shop, carbon_jobs):
    # As if they had been on since before the jobs: a part that is recorded late bears them.
    replace_part(shop.south, "gears", shop.gears, removal="upgraded", at=hours_ago(149))
    report = report_job_trouble(carbon_jobs[-1], ["skips"])
    assert causes(report)[0] != "gears_worn" and score(report, "gears_worn") < trouble_rules.POSSIBLE_FROM
    assert "trouble.part_cut" not in reasons(report, "gears_worn")


@pytest.mark.parametrize("symptoms", [["strings"], ["pops"], ["strings", "pops"]])
def test_a_wet_nylon_spool_on_hardened_gears_comes_first_for_strings_and_popping(shop, wet, symptoms):
    load_spool(shop.south, wet, at=hours_ago(30), override_reason="a test")
    job = printed(shop.south, wet, 20, nozzle_c=265, bed_c=80)
    report = report_job_trouble(job, symptoms)
    assert causes(report)[0] == "wet"
    likely = moisture_of([wet], job.start)[wet.pk].outer_pct(50).p50
    water = reasons(report, "wet")["trouble.outer_turns"]
    assert (water["mass_g"], water["water_pct"]) == (50, pytest.approx(likely, rel=0.05))
    assert water["last_drying"]["code"] == "trouble.never_dried"


def test_the_moisture_is_that_of_the_print_and_not_of_today(shop, wet):
    load_spool(shop.south, wet, at=hours_ago(100), override_reason="a test")
    job = printed(shop.south, wet, 90, nozzle_c=265, bed_c=80)
    unload_spool(Loading.objects.get(end=None), shop.shelf, at=hours_ago(80))
    [run] = start_drying([wet], shop.dryer, DryingSettings(75), at=hours_ago(70))
    finish_drying(run, place=shop.box, at=hours_ago(10))
    earlier = report_job_trouble(job, ["pops"])
    assert causes(earlier)[0] == "wet"
    load_spool(shop.south, wet, at=hours_ago(9), override_reason="a test")
    later = printed(shop.south, wet, 8, nozzle_c=265, bed_c=80)
    report = report_job_trouble(later, ["pops"])
    dried = reasons(report, "wet")["trouble.outer_turns"]["last_drying"]["values"]
    assert (dried["set_point_c"], dried["dried_h"]) == (75, 60)
    assert score(report, "wet") < score(earlier, "wet") - 2


def test_a_print_that_is_not_recorded_is_judged_by_what_was_loaded_then(shop, plain):
    load_spool(shop.north, plain, at=hours_ago(30), override_reason="a test")
    report = report_trouble(shop.north, plain, ["rough"], at=hours_ago(3), note="grey and dull")
    assert (report.job, report.spool, report.note) == (None, plain, "grey and dull")
    assert set(causes(report)) >= {"wet", "nozzle_worn"}


def test_leftovers_count_for_the_first_print_after_the_change_only(shop, wet, plain):
    load_spool(shop.south, wet, at=hours_ago(50), override_reason="a test")
    unload_spool(Loading.objects.get(end=None), shop.box, at=hours_ago(40))
    load_spool(shop.south, plain, at=hours_ago(39), override_reason="a test")
    first, second = printed(shop.south, plain, 30), printed(shop.south, plain, 20)
    assert causes(report_job_trouble(first, ["blobs"]))[0] == "leftover"
    assert "trouble.same_spool_before" in reasons(report_job_trouble(second, ["blobs"]), "leftover")


def test_a_nearly_empty_spool_is_told(shop):
    little = receive(shop.pla, shop.box, net_mass_g=80)
    load_spool(shop.south, little, at=hours_ago(30), override_reason="a test")
    job = printed(shop.south, little, 20, mass_g=60)
    report = report_job_trouble(job, ["sudden"])
    assert reasons(report, "tangle")["trouble.tight_turns"]["left_g"] == pytest.approx(80)


def test_residue_is_counted_until_the_print(shop, carbon_jobs, cleaning):
    for job, used, recorded in [(carbon_jobs[-1], 12, True), (carbon_jobs[1], 24, False)]:
        progress = reasons(report_job_trouble(job, ["gaps"]), "residue")["trouble.service_progress"]
        assert (progress["used"], progress["interval"], progress["unit"]) == (
            pytest.approx(used),
            50,
            "hot_h",
        )
        assert progress["recorded"] is recorded


def flow_checked(shop, spool, ago: float, losses: list[float]) -> None:
    """Blobs of 200 mm at 1, 3, 5 and 8 mm³/s that lack these shares."""
    full_g = require_setup(spool, length_mm=200, resolution_g=0.001).commanded_g
    rates = [
        RateMasses(rate, tuple(round(full_g * (1 - loss) * share, 3) for share in (0.998, 1, 1.002)))
        for rate, loss in zip([1, 3, 5, 8], losses, strict=True)
    ]
    record_flow_check(
        toolhead=shop.south,
        spool=spool,
        rates=rates,
        nozzle_c=205,
        length_mm=200,
        resolution_g=0.001,
        at=hours_ago(ago),
    )


@pytest.mark.parametrize(
    ("later", "cause"), [([0, 0.04, 0.08, 0.14], "gears_worn"), ([0.12, 0.18, 0.22, 0.28], "residue")]
)
def test_the_last_flow_check_before_the_print_speaks_for_its_reading(shop, plain, later, cause):
    load_spool(shop.south, plain, at=hours_ago(60), override_reason="a test")
    flow_checked(shop, plain, 50, [0, 0.01, 0.02, 0.04])
    flow_checked(shop, plain, 30, later)
    before = report_job_trouble(printed(shop.south, plain, 40), ["gaps"])
    after = report_job_trouble(printed(shop.south, plain, 20), ["gaps"])
    assert "trouble.flow_check" not in reasons(before, cause)
    assert "trouble.flow_check" in reasons(after, cause)
    assert causes(after)[0] == cause
    replace_part(shop.south, "gears", shop.gears, at=hours_ago(15))
    other_parts = report_job_trouble(printed(shop.south, plain, 10), ["gaps"])
    assert "trouble.flow_check" not in reasons(other_parts, cause)


# What turned out


def test_what_was_found_shows_up_the_next_time(shop, carbon_jobs):
    first = report_job_trouble(carbon_jobs[0], ["gaps"])
    record_outcome(first, "residue", note="black specks", by=shop.user)
    again = report_job_trouble(carbon_jobs[1], ["gaps", "skips"])
    assert reasons(again, "residue")["trouble.found_before"]["times"] == 1
    before, after = (
        score(report_job_trouble(job, ["gaps"], note="again"), "residue") for job in carbon_jobs[:2]
    )
    assert after > before
    other_sign = report_job_trouble(carbon_jobs[1], ["rough"])
    assert "trouble.found_before" not in reasons(other_sign, "residue")


def test_a_later_word_replaces_an_earlier_one_and_both_are_kept(shop, carbon_jobs):
    first = report_job_trouble(carbon_jobs[0], ["gaps"])
    record_outcome(first, "residue")
    record_outcome(first, "mistake")
    assert TroubleOutcome.objects.filter(report=first).count() == 2
    assert "trouble.found_before" not in reasons(report_job_trouble(carbon_jobs[1], ["gaps"]), "residue")


def test_material_causes_follow_the_feedstock_and_machine_causes_the_toolhead(shop, plain):
    load_spool(shop.south, plain, at=hours_ago(60), override_reason="a test")
    report = report_trouble(shop.south, plain, ["strings"], at=hours_ago(50))
    record_outcome(report, "wet")
    machine = report_trouble(shop.south, plain, ["strings"], at=hours_ago(49))
    record_outcome(machine, "nozzle_worn")
    unload_spool(Loading.objects.get(end=None), shop.box, at=hours_ago(40))
    load_spool(shop.north, plain, at=hours_ago(30), override_reason="a test")
    elsewhere = load_evidence(shop.north, plain, hours_ago(20), ["strings"])
    assert set(elsewhere.before) == {"wet"}
    here = load_evidence(shop.south, receive(shop.nylon, shop.box), hours_ago(20), ["strings"])
    assert set(here.before) == {"nozzle_worn"}


# Refusals


def refused(act, code: str, field: str, *names: str) -> None:
    with refuses(code, field, names=names):
        act()
    assert not TroubleReport.objects.exists()


def test_bad_input_is_refused_and_nothing_is_stored(shop, carbon_jobs, filled, plain):
    job = carbon_jobs[0]
    refused(lambda: report_job_trouble(job, []), "unknown_symptom", "symptoms")
    refused(lambda: report_job_trouble(job, ["strings", "nonsense"]), "unknown_symptom", "symptoms")
    refused(lambda: report_job_trouble(job, ["strings"], note="x" * 301), "too_long", "note", "300")
    refused(lambda: report_job_trouble(job, ["strings"], spool=plain), "not_of_this_job", "spool")
    refused(lambda: report_trouble(shop.south, plain, ["strings"]), "not_loaded_then", "spool", "South T0")
    refused(
        lambda: report_trouble(shop.south, filled, ["strings"], at=hours_ago(141)),
        "not_loaded_then",
        "spool",
        "South T0",
    )
    refused(lambda: report_trouble(shop.south, filled, ["strings"], at=hours_ago(-5)), "in_the_future", "at")
    withdraw(job, reason="a mistake")
    refused(lambda: report_job_trouble(job, ["strings"]), "withdrawn_already", "job")


def test_a_job_of_several_spools_asks_which(shop, carbon_jobs, plain):
    job = carbon_jobs[0]
    entry = plain.mass_entries.create(kind="printed", at=job.start, net_change_g=-5)
    job.uses.create(toolhead=shop.south, spool=plain, mass_g=5, entry=entry)
    refused(lambda: report_job_trouble(job, ["strings"]), "several_spools", "spool")
    assert report_job_trouble(job, ["strings"], spool=plain).spool == plain


def test_an_outcome_that_is_none_is_refused(shop, carbon_jobs):
    report = report_job_trouble(carbon_jobs[0], ["gaps"])
    with refuses("unknown_cause"):
        record_outcome(report, "sabotage")
    with refuses("too_long", "note", names=["300"]):
        record_outcome(report, "wet", note="x" * 301)
    assert not TroubleOutcome.objects.exists()


def test_signs_are_kept_in_their_order_and_once(shop, carbon_jobs):
    report = report_job_trouble(carbon_jobs[0], ["rough", "strings", "rough"])
    assert report.symptoms == [sign for sign in SYMPTOMS if sign in ("rough", "strings")]
