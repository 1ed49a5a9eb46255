import pytest
from django.db import IntegrityError, transaction

from spools.codes import pretty
from spools.drying import runs as drying_runs
from spools.drying.caps import compute_cap, suggested_set_point_c
from spools.drying.gate import open_runs
from spools.drying.loss import loss_caution, loss_on_drying
from spools.drying.runs import DryingSettings
from spools.inventory import endings, moves
from spools.models import DryingRun, Place
from spools.statements import Statement
from tests.refusals import refuses
from tests.spools.conftest import feedstock, hours_ago, receive

pytestmark = pytest.mark.django_db


# The limits: fixtures/reference/polymers.csv (dry_cap_c, softening_c) and README.md (spool bodies).
@pytest.mark.parametrize(
    ("polymer", "values", "dryer_max_c", "cap_c", "reason"),
    [
        ("PA6", {"core_material": "pc"}, 120, 90, Statement("cap.oxidation", {"polymer": "PA6"})),
        ("PLA", {}, 120, 50, Statement("cap.drying", {"polymer": "PLA"})),
        ("PVA", {}, 120, 60, Statement("cap.drying", {"polymer": "PVA"})),
        ("PA6", {"core_material": "unknown"}, 120, 60, Statement("cap.reel", {"material": "unknown"})),
        (
            "PA6",
            {"core_material": "polystyrene"},
            120,
            65,
            Statement("cap.reel", {"material": "polystyrene"}),
        ),
        ("PA12", {"core_material": "abs"}, 120, 80, Statement("cap.reel", {"material": "abs"})),
        ("PA6", {"core_material": "pp"}, 120, 75, Statement("cap.reel", {"material": "pp"})),
        ("PEI", {"core_material": "pc"}, 200, 115, Statement("cap.reel", {"material": "pc"})),
        ("PA6", {"core_material": "pet"}, 120, 60, Statement("cap.reel", {"material": "pet"})),
        ("PA6", {"core_material": "pla"}, 120, 45, Statement("cap.reel", {"material": "pla"})),
        ("PA6", {"core_material": "cardboard"}, 120, 70, Statement("cap.reel", {"material": "cardboard"})),
        ("PA6", {"core_material": "cardboard", "core_cap_c": 78}, 120, 78, Statement("cap.reel_stated")),
        ("PA6", {}, 55, 55, Statement("cap.dryer", {"dryer": "Hot box"})),
    ],
)
def test_the_cap_is_the_lowest_limit_and_names_it(shelf, polymer, values, dryer_max_c, cap_c, reason):
    hot_box = Place.objects.create(name="Hot box", kind="dryer", max_set_point_c=dryer_max_c)
    cap = compute_cap(receive(feedstock(polymer), shelf, **values), hot_box)
    assert cap.cap_c == cap_c == min(limit_c for _, limit_c in cap.parts)
    assert Statement.from_data(cap.reason.values["part"]) == reason


def test_a_data_sheet_moves_the_cap_but_never_above_the_softening_point(shelf, dryer):
    hot = Place.objects.create(name="Hot box", kind="dryer", max_set_point_c=200)
    bold = receive(feedstock("PLA", dry_cap_c=90, colour="bold"), shelf)
    assert compute_cap(bold, hot).cap_c == 60
    soft = receive(feedstock("PLA", softening_c=42, colour="soft"), shelf)
    assert compute_cap(soft, hot).cap_c == 42


def test_the_suggestion_stays_below_the_cap_by_the_dryers_error(spool, pla, shelf, dryer):
    assert suggested_set_point_c(spool, dryer) == 75
    assert suggested_set_point_c(spool, dryer, [receive(pla, shelf)]) == 45
    dryer.set_point_error_c = 7.5
    assert suggested_set_point_c(spool, dryer) == 72


def test_drying_moves_the_spool_and_back_and_keeps_what_the_cap_was(spool, dryer, box):
    (run,) = drying_runs.start_drying(
        [spool], dryer, DryingSettings(75), at=hours_ago(20), gross_g={spool.pk: 1210}, resolution_g=2
    )
    assert (run.cap_c, run.planned_hours, run.target_pct) == (80, 12, 0.5)
    assert (run.cap_reason.code, run.cap_reason.values["limit_c"]) == ("cap.most", 80)
    assert moves.current_stay(spool).place == dryer
    assert list(open_runs(dryer)) == [run]
    done = drying_runs.finish_drying(run, place=box, at=hours_ago(6), gross_g=1190, resolution_g=1)
    assert (done.end, moves.current_stay(spool).place) == (hours_ago(6), box)
    assert not open_runs()
    loss = loss_on_drying(done)
    assert loss == pytest.approx((20, 100 * 20 / 990, 2 * ((2**2 + 1**2) / 12) ** 0.5))
    assert loss_caution(done) is None


def test_a_cardboard_reels_own_water_blurs_the_loss(nylon, shelf, dryer, box):
    spool = receive(nylon, shelf, core_material="cardboard")
    (run,) = drying_runs.start_drying(
        [spool], dryer, DryingSettings(60), at=hours_ago(20), gross_g={spool.pk: 1210}
    )
    assert loss_on_drying(run) is None
    run = drying_runs.finish_drying(run, place=box, gross_g=1190)
    assert loss_on_drying(run).uncertainty_g == pytest.approx(16 + 2 * (2 / 12) ** 0.5)
    assert loss_caution(run) == Statement("drying.reel_dries_too", {"water_g": pytest.approx(16)})


# PA6 holds 9 to 11 % in water (fixtures/reference), so nylon of 906 g cannot lose 116.
@pytest.mark.parametrize(
    ("before_g", "after_g", "code"),
    [
        (1242, 1126, "drying.impossible_loss"),
        (1200, 1203, "drying.heavier_after"),
        (1204, 1184, None),
        (1200, 1201, None),
    ],
)
def test_a_loss_that_cannot_be_has_a_caution(spool, dryer, box, before_g, after_g, code):
    (run,) = drying_runs.start_drying(
        [spool], dryer, DryingSettings(75), at=hours_ago(20), gross_g={spool.pk: before_g}
    )
    run = drying_runs.finish_drying(run, place=box, at=hours_ago(6), gross_g=after_g)
    caution = loss_caution(run)
    assert (None if caution is None else caution.code) == code


def test_above_the_cap_is_refused_with_the_cap_its_reason_and_nothing_stored(spool, pla, shelf, dryer):
    with refuses("above_cap", "set_point_c", names=["81 °C", "80 °C", "ABS"]):
        drying_runs.start_drying([spool], dryer, DryingSettings(81))
    beside = receive(pla, shelf)
    with refuses("above_cap", "set_point_c", names=["50 °C", pretty(beside.code), "PLA"]):
        drying_runs.start_drying([spool, beside], dryer, DryingSettings(75))
    for absurd in (float("nan"), float("inf"), -5, "hot"):
        with refuses("out_of_range", "set_point_c"):
            drying_runs.start_drying([spool], dryer, DryingSettings(absurd))
    assert not DryingRun.objects.exists()
    assert spool.stays.count() == 1


def test_spools_already_in_the_dryer_count_too(spool, pla, nylon, shelf, dryer):
    drying_runs.start_drying([receive(pla, shelf)], dryer, DryingSettings(45))
    with refuses("above_cap"):
        drying_runs.start_drying([spool], dryer, DryingSettings(75))
    with refuses("other_set_point", "set_point_c", names=["45 °C"]):
        drying_runs.start_drying([spool], dryer, DryingSettings(50))
    drying_runs.start_drying([spool], dryer, DryingSettings(45))
    assert open_runs(dryer).count() == 2


def test_a_hotter_run_that_is_over_since_counts_for_a_start_in_the_past(spool, nylon, shelf, box, dryer):
    (run,) = drying_runs.start_drying([spool], dryer, DryingSettings(75), at=hours_ago(30))
    drying_runs.finish_drying(run, place=box, at=hours_ago(10))
    other = receive(nylon, shelf)
    with refuses("other_set_point", "set_point_c", names=["75 °C"]):
        drying_runs.start_drying([other], dryer, DryingSettings(60), at=hours_ago(20))
    drying_runs.start_drying([other], dryer, DryingSettings(60), at=hours_ago(9))


def test_one_spool_is_in_one_dryer(spool, dryer):
    drying_runs.start_drying([spool], dryer, DryingSettings(75), at=hours_ago(5))
    second = Place.objects.create(name="Second", kind="dryer", max_set_point_c=90)
    for place in (second, dryer):
        with refuses("in_a_run"):
            drying_runs.start_drying([spool], place, DryingSettings(75))
    assert DryingRun.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "field", "code"),
    [
        ({"at": hours_ago(-1)}, "at", "in_the_future"),
        ({"at": hours_ago(500)}, "at", "before_receipt"),
        ({"at": hours_ago(100)}, "at", "before_stay"),
        ({"settings": DryingSettings(70, planned_hours=0)}, "planned_hours", "out_of_range"),
        ({"settings": DryingSettings(70, target_pct=-1)}, "target_pct", "out_of_range"),
        ({"gross_g": 150}, "gross_g", "below_reel_mass"),
    ],
)
def test_impossible_starts_are_refused_and_nothing_is_stored(spool, dryer, box, change, field, code):
    moves.move_spool(spool, box, at=hours_ago(50))
    if "gross_g" in change:
        change = {"gross_g": {spool.pk: change["gross_g"]}}
    with refuses(code, field):
        drying_runs.start_drying([spool], dryer, **{"settings": DryingSettings(70)} | change)
    assert not DryingRun.objects.exists()
    assert (spool.stays.count(), spool.mass_entries.count()) == (2, 1)


def test_only_dryers_dry_and_only_spools_that_are_not_empty(spool, shelf, dryer):
    with refuses("not_a_dryer"):
        drying_runs.start_drying([spool], shelf, DryingSettings(50))
    with refuses("no_spool"):
        drying_runs.start_drying([], dryer, DryingSettings(50))
    endings.end_spool(spool)
    with refuses("spool_ended"):
        drying_runs.start_drying([spool], dryer, DryingSettings(50))


def test_impossible_ends_are_refused(spool, dryer, box):
    (run,) = drying_runs.start_drying([spool], dryer, DryingSettings(75), at=hours_ago(5))
    for hours, code in ((6, "before_start"), (5, "before_start"), (-2, "in_the_future")):
        with refuses(code, "at"):
            drying_runs.finish_drying(run, place=box, at=hours_ago(hours))
    drying_runs.finish_drying(run, place=dryer)
    with refuses("finished_already"):
        drying_runs.finish_drying(run, place=box)
    assert spool.stays.count() == 2


def test_the_database_itself_holds_the_cap(spool, dryer):
    given = {"cap_c": 80, "start_cap_c": 90, "start": hours_ago(5)}
    for wrong in ({"set_point_c": 81}, {"set_point_c": 70, "end": hours_ago(9)}):
        with pytest.raises(IntegrityError), transaction.atomic():
            DryingRun.objects.create(spool=spool, dryer=dryer, planned_hours=1, target_pct=1, **given | wrong)
