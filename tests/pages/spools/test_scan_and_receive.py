"""Scanning a code, receiving a spool and its label, with bad input too."""

import pytest
from django.test import Client

from spools.inventory.ledger import remaining
from spools.inventory.moves import current_stay
from spools.models import CoreKind, MassEntry, Spool, Stay
from tests.pages.corner import corner, of
from tests.pages.shown import notes, shows


@pytest.fixture
def shop(db):
    return corner()


@pytest.fixture
def free(shop) -> Spool:
    """A nylon spool in a bag."""
    return shop.free


@pytest.fixture
def desk(shop) -> Client:
    """A signed-in browser; a page that fails raises."""
    client = Client()
    client.force_login(shop.user)
    return client


@pytest.mark.parametrize("write", ["{}", " {} ", "http://127.0.0.1:8000/S/{}", "http://shop.example/s/{}/"])
def test_scan_leads_to_the_spool(desk, free, write):
    assert desk.get("/scan/", {"code": write.format(free.code)}).headers["Location"] == of("spool", free)
    small = write.format(free.code[:3] + "-" + free.code[3:].lower())
    assert desk.get("/scan/", {"code": small}).headers["Location"] == of("spool", free)


@pytest.mark.parametrize("address", ["/S/{}", "/s/{}", "/S/{}/"])
def test_every_way_to_write_the_labels_address_leads_to_one(desk, free, address):
    assert desk.get(address.format(free.code)).headers["Location"] == of("spool", free)
    assert desk.get(address.format(free.code.lower())).headers["Location"] == of("spool", free)


def test_a_mistyped_code_is_caught_and_explained(desk, free):
    wrong = next(c for c in "34679CDFGHJKMNPQRTVWXY" if c != free.code[2])
    mistyped = free.code[:2] + wrong + free.code[3:]
    for page in (desk.get("/scan/", {"code": mistyped}), desk.get(f"/s/{mistyped}/")):
        assert page.status_code == 404
        assert shows(page, f"{mistyped[:3]}-{mistyped[3:]}", note="code_check")
        assert f'value="{mistyped}"' in page.content.decode()


@pytest.mark.parametrize(
    ("typed", "code", "names"),
    [
        ("", "code_missing", []),
        ("K7M", "code_length", ["6", "3"]),
        ("K7M4Q0", "code_character", ["digit 0"]),
        ("http://shop.example/elsewhere/", "not_a_label", []),
        ("\0<b>" * 50, "code_character", []),
    ],
)
def test_an_invalid_code_is_explained(desk, typed, code, names):
    page = desk.get("/scan/", {"code": typed})
    assert page.status_code == 404
    assert code in notes(page) and shows(page, *names, note=code)
    assert "<b>" not in page.content.decode()


def test_a_code_that_no_spool_carries(desk, free):
    code = free.code
    MassEntry.objects.filter(spool=free).delete()
    Stay.objects.filter(spool=free).delete()
    free.moves.all().delete()
    free.delete()
    page = desk.get(f"/s/{code}/")
    assert page.status_code == 404
    assert "unknown_code" in notes(page)


def received(shop, **values) -> dict:
    given = {"feedstock": shop.nylon.pk, "place": shop.box.pk, "sealed": "on", "opened": "on", "card": "dry"}
    return (
        given | {"resolution_g": "1", "net_mass_g": "1000", "core_radius_mm": "50", "width_mm": "60"} | values
    )


@pytest.fixture
def reel(db) -> CoreKind:
    return CoreKind.objects.create(
        name="cardboard reel, 1 kg",
        material="cardboard",
        mass_g=175,
        mass_band_g=50,
        core_radius_mm=50,
        width_mm=60,
        net_mass_g=1000,
        source="invented for tests",
    )


def test_receive_and_label(shop, desk):
    response = desk.post("/spools/receive/", received(shop, batch="B 12", core_mass_g="230"), follow=True)
    spool = Spool.objects.order_by("pk").last()
    assert response.request["PATH_INFO"] == of("spool-label", spool)
    assert (spool.batch, spool.sealed, spool.card, spool.created_by) == ("B 12", True, "dry", shop.user)
    assert current_stay(spool).place == shop.box
    page = response.content.decode()
    assert f"{spool.code[:3]}-{spool.code[3:]}" in page
    assert f"HTTP://TESTSERVER/S/{spool.code}" in page
    assert shows(response, "B 12")
    # A reel of unknown material holds 60 °C (fixtures/reference/README.md).
    assert shows(response, "60 °C", note="cap")


def test_a_form_sent_twice_receives_one_spool(shop, desk):
    values, before = received(shop) | {"form_key": "one form"}, Spool.objects.count()
    labels = {desk.post("/spools/receive/", values).headers["Location"] for _ in range(2)}
    assert len(labels) == 1 and Spool.objects.count() == before + 1
    desk.post("/spools/receive/", values | {"form_key": "another"})
    assert Spool.objects.count() == before + 2


def test_ten_alike_spools_are_received_at_once_or_not_at_all(shop, desk):
    before = Spool.objects.count()
    response = desk.post("/spools/receive/", received(shop, count="10", batch="B 7"), follow=True)
    assert response.request["PATH_INFO"] == "/labels/" and len(response.context["pages"]) == 10
    new = Spool.objects.order_by("-pk")[:10]
    assert len({spool.code for spool in new}) == 10 and {spool.batch for spool in new} == {"B 7"}
    assert len({spool.received_at for spool in new}) == 1
    for wrong, field in (
        ({"count": "101"}, "count"),
        ({"count": "-1"}, "count"),
        ({"gross_g": "1190"}, "gross_g"),
    ):
        response = desk.post("/spools/receive/", received(shop, **({"count": "2"} | wrong)))
        assert field in response.context["form"].errors
    assert Spool.objects.count() == before + 10


def test_a_spool_goes_to_a_new_place_that_is_added_with_it(shop, desk):
    new = {"place": "", "new_kind": "dry_box", "new_name": "Second box", "new_c": "", "new_rh_pct": ""}
    desk.post("/spools/receive/", received(shop, **new))
    place = current_stay(Spool.objects.order_by("pk").last()).place
    assert (place.name, place.kind, place.assumed_rh_pct) == ("Second box", "dry_box", 20)
    for wrong, field in (
        ({"new_name": ""}, "new_name"),
        ({"new_kind": ""}, "new_kind"),
        ({"new_name": "Open shelf"}, "__all__"),
        ({"place": shop.box.pk}, "new_kind"),
    ):
        form = desk.post("/spools/receive/", received(shop, **(new | wrong))).context["form"]
        assert field in form.errors, (wrong, form.errors)


def test_whoever_may_not_set_up_the_shop_adds_no_place(shop, desk):
    shop.user.role = "work"
    shop.user.save()
    assert not desk.get("/spools/receive/").context["form"].new_place()
    form = desk.post("/spools/receive/", received(shop, place="", new_kind="shelf", new_name="Mine")).context[
        "form"
    ]
    assert list(form.errors) == ["place"]


def test_another_spool_of_a_feedstock_begins_with_the_reel_and_place_of_the_last(shop, desk, reel):
    desk.post("/spools/receive/", received(shop, core_kind=reel.pk))
    initial = desk.get("/spools/receive/", {"feedstock": shop.nylon.pk}).context["form"].initial
    assert (initial["core_kind"], initial["place"]) == (reel, shop.box.pk)
    for other in ("", "x", "9" * 30):
        assert desk.get("/spools/receive/", {"feedstock": other}).status_code == 200


def test_a_common_reel_fills_in_what_is_left_empty(shop, desk, reel):
    nothing = {"net_mass_g": "", "core_radius_mm": "", "width_mm": ""}
    desk.post("/spools/receive/", received(shop, core_kind=reel.pk, **nothing))
    spool = Spool.objects.order_by("pk").last()
    assert (spool.core_mass_g, spool.core_mass_band_g, spool.core_mass_known) == (175, 50, False)
    assert (spool.core_material, spool.core_radius_mm, spool.width_mm) == ("cardboard", 50, 60)
    assert remaining(spool).mass_g == 1000


def test_own_numbers_come_before_the_common_reels(shop, desk, reel):
    own_row = {"core_mass_g": "160", "core_mass_known": "on", "core_material": "pp", "width_mm": "55"}
    desk.post("/spools/receive/", received(shop, core_kind=reel.pk, gross_g="1150", net_mass_g="", **own_row))
    spool = Spool.objects.order_by("pk").last()
    assert (spool.core_mass_g, spool.core_mass_known, spool.core_material) == (160, True, "pp")
    assert spool.width_mm == 55
    assert list(spool.mass_entries.values_list("kind", flat=True)) == ["weighed"]


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"feedstock": ""}, "feedstock"),
        ({"place": "999999"}, "place"),
        ({"net_mass_g": "-5"}, "net_mass_g"),
        ({"net_mass_g": "1e9"}, "net_mass_g"),
        ({"net_mass_g": "nan"}, "net_mass_g"),
        ({"net_mass_g": ""}, "net_mass_g"),
        ({"gross_g": "20", "core_mass_g": "200", "core_mass_known": "on"}, "gross_g"),
        ({"core_radius_mm": ""}, "core_radius_mm"),
        ({"core_radius_mm": "1"}, "core_radius_mm"),
        ({"width_mm": "2000"}, "width_mm"),
        ({"card": "mauve"}, "card"),
        ({"core_cap_c": "5"}, "core_cap_c"),
        ({"when": "2190-01-01T10:00"}, "when"),
        ({"when": "yesterday"}, "when"),
        ({"batch": "x" * 61}, "batch"),
    ],
)
def test_an_impossible_receipt_is_refused_at_its_field(shop, desk, wrong, field):
    before = Spool.objects.count()
    response = desk.post("/spools/receive/", received(shop, **wrong))
    assert response.status_code == 200
    assert field in response.context["form"].errors
    assert b'class="errors"' in response.content
    assert Spool.objects.count() == before
