"""Scales on the pages: a device that scans beside one, and masses that wait for a person."""

from maintenance.jobs.records import record_job
from maintenance.models import Scale, ScalePrint, ScaleWeighing, Scan
from maintenance.scales.values import record_values
from maintenance.scales.weighings import SentMass, record_weighing
from spools.models import MassEntry
from tests.pages.frame.test_take_back import fill_in, take_back
from tests.pages.shown import notes, notices, shows
from tests.spools.conftest import hours_ago


def weighed(spool) -> list[float]:
    return [entry.gross_g for entry in MassEntry.objects.valid().filter(spool=spool, kind="weighed")]


def test_a_device_beside_a_scale_ties_its_scans_to_the_place(shop, desk):
    Scale.objects.create(name="bench", place=shop.shelf)
    first, second, third = shop.spools[1:4]
    desk.get(f"/S/{third.code}")
    assert not Scan.objects.exists(), "a device that stands nowhere"
    desk.get(f"/scan/?at={shop.shelf.pk}")
    assert "station" in notes(desk.get("/scan/"))
    page = desk.get(f"/S/{first.code}", follow=True)
    assert "scanned info" in notices(page)
    desk.get(f"/s/{third.code}/")
    record_weighing(SentMass("bench", 1100))
    assert (weighed(first), weighed(third)) == ([1100], []), "a page that was opened by a link is no scan"
    desk.get("/scan/", {"code": second.code})
    record_weighing(SentMass("bench", 1050))
    assert weighed(second) == [1050]
    desk.get("/scan/?at=")
    assert "station" not in notes(desk.get("/scan/"))


def test_who_only_looks_scans_for_no_scale(shop, desk):
    shop.user.role = "view"
    shop.user.save()
    desk.get(f"/scan/?at={shop.shelf.pk}")
    assert desk.get(f"/S/{shop.spools[1].code}").status_code == 302 and not Scan.objects.exists()


def test_a_mass_that_waits_is_settled_in_one_tap_and_taken_back(shop, desk):
    row = record_weighing(SentMass("bench", 1000))[0]
    spool = shop.spools[2]
    assert 'data-held="which_spool"' in desk.get("/scales/").content.decode()
    assert "held_masses" in notes(desk.get("/status/"))
    address = f"/scales/held/{row.pk}/"
    assert "code_length error" in notices(desk.post(address, {"spool": "K7"}, follow=True))
    settled = desk.post(address, {"spool": spool.code})
    assert weighed(spool) == [1000] and ScaleWeighing.objects.get().held == ""
    take_back(desk, settled)
    assert weighed(spool) == [] and ScaleWeighing.objects.get().held == "which_spool"
    take_back(desk, desk.post(address, {}))
    assert ScaleWeighing.objects.get().held == "which_spool"
    desk.post(address, {})
    assert "data-held" not in desk.get("/scales/").content.decode() and weighed(spool) == []


def test_a_scale_is_added_placed_and_taken_back(shop, desk):
    added = fill_in(desk, "/scales/new/", name="bench", step_g="0,1")
    scale = Scale.objects.get()
    assert (scale.step_g, scale.place) == (0.1, None)
    changed = fill_in(desk, f"/scales/{scale.pk}/", place=shop.shelf.pk)
    assert Scale.objects.get().place == shop.shelf
    take_back(desk, changed)
    assert Scale.objects.get().place is None
    again = fill_in(desk, "/scales/new/", name="bench")
    assert "name" in again.context["form"].errors
    assert added.status_code == 302


def test_a_print_on_a_scale_shows_both_grams(shop, desk):
    spool, at = shop.spools[0], hours_ago(3)
    scale = Scale.objects.create(name="holder", toolhead=shop.toolheads[0])
    job = record_job(
        toolhead=shop.toolheads[0],
        spool=spool,
        start=at,
        name="x",
        mass_g=50,
        hours=1,
        nozzle_c=205,
        bed_c=55,
    )
    weighing = ScaleWeighing.objects.create(scale=scale, at=at, mass_g=1000, spool=spool, held="jumped")
    row = ScalePrint.objects.create(
        scale=scale, job=job, spool=spool, before_g=1050, after_g=1000, error_g=1, weighing=weighing
    )
    assert shows(desk.get(f"/jobs/{job.pk}/"), "50.0 g", note="scale_agrees")
    ScalePrint.objects.filter(pk=row.pk).update(after_g=970)
    assert shows(desk.get(f"/jobs/{job.pk}/"), "80.0 g", note="scale_differs")
    record_values("holder", [(hours_ago(1), 812.0)])
    assert "812.0" in desk.get("/scales/").content.decode()
