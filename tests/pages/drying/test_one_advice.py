"""Random small shops: every surface that speaks of drying a spool gives the one advice of the board.

Dryers are full, shared with spools of lower caps, too cool or missing; the plan of the week is accepted or not;
reels are of cardboard. `ADVICE_SHOPS` sets how many shops are built.
"""

import os
from datetime import time, timedelta
from random import Random

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from maintenance.machines.loading import load_spool
from maintenance.models import Reminder, Toolhead
from maintenance.readiness.builder import verdict
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.verdict import CLEAR
from maintenance.reminders.sweep import sweep
from maintenance.today import build_today
from spools.board import board
from spools.drying.advice import advise
from spools.drying.dryers import load_dryers, planned_dryings
from spools.drying.options import next_quarter
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.drying.week.plans import compute_plan, create_plan, store_plan
from spools.drying.week.requests import add_print_request
from spools.drying.week.slots import StaffedHours
from spools.models import Place, PrintRequest, Spool
from spools.moisture.state import moisture_of
from spools.statements import Statement
from tests.maintenance.conftest import toolhead
from tests.pages.corner import of
from tests.pages.shown import shows
from tests.spools.conftest import feedstock, hours_ago, receive
from tests.spools.drying.test_advice import accept

SHOPS = int(os.environ.get("ADVICE_SHOPS", "4"))
POLYMERS = ["PLA", "PETG", "PA6", "PA12", "PC", "PVA", "TPU 95A", "ASA"]
REELS = ["cardboard", "unknown", "polystyrene", "pc", "abs"]

pytestmark = pytest.mark.django_db


def build_shop(seed: int) -> list[Spool]:
    """Up to six spools and two dryers with what may be in them, drawn by the seed."""
    draw = Random(seed)
    shelf = Place.objects.create(name="Open shelf", kind="shelf", assumed_rh_pct=draw.choice([30, 50, 70]))
    box = Place.objects.create(name="Dry box", kind="dry_box", assumed_rh_pct=10)
    dryers = [
        Place.objects.create(
            name=f"Dryer {n}",
            kind="dryer",
            room=shelf,
            max_set_point_c=draw.choice([50, 65, 90, 110]),
            set_point_error_c=draw.choice([0, 3, 5]),
            spool_capacity=draw.choice([None, 1, 2, 4]),
        )
        for n in range(draw.choice([0, 1, 2, 2]))
    ]
    spools = [
        receive(
            feedstock(draw.choice(POLYMERS), colour=str(n)),
            draw.choice([shelf, shelf, box]),
            core_material=draw.choice(REELS),
            net_mass_g=draw.choice([150, 500, 1000]),
            sealed=draw.random() < 0.4,
        )
        for n in range(draw.randint(3, 6))
    ]
    head = toolhead("North")
    if draw.random() < 0.5:
        load_spool(head, spools[-1], override_reason="a test", at=hours_ago(2))
    for dryer in dryers:
        if draw.random() < 0.6:
            occupy(draw, dryer, shelf)
    if dryers and draw.random() < 0.6:
        planned = spools[0]
        start = next_quarter(timezone.now()) + timedelta(hours=draw.choice([-1, 0, 5, 30]))
        try:
            plan = plan_drying(planned, dryers[-1])
        except ValidationError:
            return spools
        accept(planned, dryers[-1], start, plan.hours or 20, set_point_c=plan.set_point_c)
    if draw.random() < 0.5:
        add_print_request(spools[1], 100, timezone.now() + timedelta(hours=60))
    return spools


def occupy(draw: Random, dryer: Place, shelf: Place) -> None:
    """A spool in the dryer: it dries, is done, or only stands there."""
    inside = receive(feedstock(draw.choice(POLYMERS), colour=f"in {dryer}"), shelf, core_material="pc")
    set_point_c = draw.choice([40, 45])
    hours = draw.choice([1, 4, 20])
    start_drying(
        [inside], dryer, DryingSettings(set_point_c, planned_hours=hours), at=hours_ago(draw.choice([0.5, 6]))
    )


@pytest.mark.parametrize("seed", range(SHOPS))
def test_every_surface_gives_the_same_advice(seed, admin_user):
    with time_machine.travel(timezone.now(), tick=False):
        spools = build_shop(seed)
        everyone = list(Spool.objects.filter(ended_at=None))
        desk = Client()
        desk.force_login(admin_user)
        rows = board.read([spool.pk for spool in everyone])
        sweep()
        for spool in everyone:
            advice = rows[spool.pk].advice
            compare_surfaces(desk, spool, advice)
        compare_start(desk, spools, {spool.pk: rows[spool.pk].advice for spool in everyone})
        compare_today({pk: row.advice for pk, row in rows.items()})
        compare_week(spools, {pk: row.advice for pk, row in rows.items()})


def test_the_turns_that_are_advised_are_started_and_a_small_job_passes_after_them(admin_user):
    with time_machine.travel(timezone.now(), tick=False) as clock:
        shelf = Place.objects.create(name="Open shelf", kind="shelf", assumed_rh_pct=50)
        dryer = Place.objects.create(name="Dryer", kind="dryer", max_set_point_c=90, room=shelf)
        spool = receive(feedstock("PVA"), shelf, core_material="pc", sealed=False, at=hours_ago(2160))
        toolhead("North")
        desk = Client()
        desk.force_login(admin_user)
        advice = board.read([spool.pk])[spool.pk].advice
        drying = advice.values["drying"]
        assert (advice.code, drying["mass_g"]) == ("advice.dry", 50)
        sweep()
        compare_surfaces(desk, spool, advice)
        assert moisture_state(spool) != CLEAR
        page = desk.get(of("spool-dry", spool), {"dryer": dryer.pk})
        assert b'name="mass_g" value="50"' in page.content
        [[set_point_c, hours]] = drying["stages"]
        form = {"dryer": dryer.pk, "mass_g": "50", "set_point_c": set_point_c, "resolution_g": "1"}
        desk.post(of("spool-dry", spool), form)
        run = spool.drying_runs.get()
        assert (run.mass_g, run.planned_stages, run.hold) == (50, [(set_point_c, hours)], None)
        clock.shift(timedelta(hours=hours))
        finish_drying(run, place=shelf)
        assert moisture_state(spool) == CLEAR


def moisture_state(spool: Spool) -> str:
    """The moisture check of a small job that takes no time."""
    checks = verdict(Toolhead.objects.get(), spool, JobSpec(50, 0.1, 200, 60)).checks
    return next(check.state for check in checks if check.name == "moisture")


def compare_surfaces(desk: Client, spool: Spool, advice: Statement) -> None:
    at = timezone.now()
    fresh = advise(moisture_of([spool], at), load_dryers(at))[spool.pk]
    assert fresh.statement == advice, "computed alone as on the board"
    answer = desk.get(f"/api/v1/spools/{spool.code}").json()
    assert answer["advice"] == advice.with_sentence()
    assert shows(desk.get(of("spool", spool)), advice.sentence)
    if advice.code != "advice.in_run":
        assert shows(desk.get(of("spool-dry", spool)), advice.sentence)
    for check in (*answer["verdicts"], {"checks": whole_spool_checks(spool)}):
        compare_remedies(check["checks"], advice)
    for reminder in Reminder.objects.filter(spool=spool, kind=Reminder.Kind.DRY, ended_at=None):
        assert reminder.remedy in (advice, Statement("reminder_remedy.store_dry"))
    drying = advice.values["drying"]
    if advice.code in ("advice.dry", "advice.heat_used", "advice.unreachable"):
        plan = desk.get(of("spool-dry", spool), {"dryer": drying["dryer_id"]}).context["plan"]
        if drying["hours"] is None:
            assert not plan.reachable
        else:
            assert [list(stage) for stage in plan.stages] == drying["stages"]
            assert plan.mass_g == drying["mass_g"]
            assert plan.slot.start.isoformat() == drying["starts_at"].replace("Z", "+00:00")
            assert plan.ready_at.isoformat() == drying["ready_at"].replace("Z", "+00:00")
        assert plan.limited_by.as_data() == advice.values["limited_by"]


def whole_spool_checks(spool: Spool) -> list[dict]:
    """The checks of a job that takes much of the spool, judged from the facts."""
    job = JobSpec(400, 10, 250, 60)
    found = verdict(Toolhead.objects.get(), spool, job)
    return [
        {
            "name": check.name,
            "state": check.state,
            "remedy": check.remedy
            and {"action": check.remedy.action, **check.remedy.statement.with_sentence()},
        }
        for check in found.checks
    ]


def compare_remedies(checks: list[dict], advice: Statement) -> None:
    for check in checks:
        if check["name"] not in ("moisture", "drying") or check["state"] == CLEAR:
            continue
        remedy = check["remedy"]
        if remedy["action"] == "change_job":
            assert advice.code == "advice.none_needed"
        else:
            assert (remedy["code"], remedy["values"]) == (advice.code, advice.values)


def compare_week(spools: list[Spool], advice: dict[int, Statement]) -> None:
    """A plan of the week that is not accepted yet dries a spool as its advice, where time and dryer allow it."""
    wet = [spool for spool in spools if advice[spool.pk].code == "advice.dry"]
    PrintRequest.objects.all().delete()
    for spool in wet[:1]:
        add_print_request(spool, 100, timezone.now() + timedelta(hours=166))
        plan = create_plan(StaffedHours(time(0), time(23, 59)))
        store_plan(plan, compute_plan(plan))
        values = advice[spool.pk].values
        advised = {drying["dryer_id"]: drying for drying in (values["next_best"], values["drying"]) if drying}
        for row in plan.standing().filter(spool=spool, pinned=False, mass_g=None):
            drying = advised.get(row.dryer_id)
            if drying and not drying["shares_with"] and drying["mass_g"] is None:
                assert [celsius for celsius, _ in row.stages] == [celsius for celsius, _ in drying["stages"]]
                assert row.hours >= drying["hours"]


def compare_start(desk: Client, spools: list[Spool], advice: dict[int, Statement]) -> None:
    """What 'Put in' starts is what the advice says; or nothing starts, and the page says why."""
    for row in planned_dryings():
        values = advice[row.spool_id].values
        assert values["planned"] == row.pk
        assert values["drying"]["stages"] == [list(stage) for stage in row.stages]
        page = {
            "planned": row.pk,
            "spools": row.spool_id,
            "set_point_c": row.set_point_c,
            "resolution_g": "1",
        }
        response = desk.post(reverse("drying-start", args=[row.dryer_id]), page)
        row.refresh_from_db()
        if row.run is None:
            assert response.status_code == 200
            form, plan_form = response.context["form"], response.context["plan_form"]
            assert form.errors or plan_form.errors
        else:
            assert [list(stage) for stage in row.run.planned_stages] == values["drying"]["stages"]


def compare_today(advice: dict[int, Statement]) -> None:
    for row in build_today().later:
        for check in [] if row.verdict is None else row.verdict.holds:
            if check.name == "moisture" and row.spool.pk in advice and check.remedy.action == "dry":
                shown = check.remedy.statement
                assert shown.code in {advice[row.spool.pk].code, "advice.in_run"}
