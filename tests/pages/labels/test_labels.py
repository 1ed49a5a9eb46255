"""Labels of spools, places and parts, on sheets and rolls, and the codes that they carry."""

import pytest
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import reverse

from maintenance.models import Part
from pages.labels.papers import A4_SHEETS, LETTER_SHEETS, ROLLS, USUAL, Paper, list_faults, read_paper
from spools import codes
from tests.pages.corner import corner, of
from tests.pages.shown import notes, shows
from tests.pages.small_shop import part_kind


@pytest.fixture
def shop(db):
    return corner()


@pytest.fixture
def desk(shop) -> Client:
    client = Client()
    client.force_login(shop.user)
    return client


def show(desk: Client, **query):
    return desk.get(reverse("labels"), query)


@pytest.mark.parametrize("number", [1, 22, 10_647, 10_648, 5_153_631])
def test_a_short_code_is_read_again_and_a_slip_is_not(number):
    for kind in (codes.PLACE, codes.PART):
        code = codes.build_short(kind, number)
        assert len(code) in (5, 7) and codes.read_short(codes.label_address(code, "http://shop")) == (
            kind,
            number,
        )
        wrong = code[:2] + codes.ALPHABET[(codes.ALPHABET.index(code[2]) + 1) % 22] + code[3:]
        with pytest.raises(ValidationError):
            codes.read_short(wrong)
    assert codes.read_short(codes.new_code()) is None


def test_usual_papers_are_possible_and_are_read_from_their_keys():
    for paper in [*ROLLS, *A4_SHEETS, *LETTER_SHEETS]:
        assert list_faults(paper) == {} and read_paper(paper.key) == paper
    too_wide = Paper(210, 297, 4, 2, 60, 30)
    assert list(list_faults(too_wide)) == ["columns"] and read_paper(too_wide.key) is None
    for key in ("", "0x0", "62", "62x29-1x1-0x0", "210x297-3x8-70x36", "999x999", "62x29;}"):
        assert read_paper(key) is None


def test_labels_of_a_spool_a_place_and_a_part_lead_to_their_pages(shop, desk):
    part = Part.objects.create(kind=part_kind("nozzle", "Brass nozzle", bore_mm=0.4, life_unit="dose_km"))
    page = show(desk, spools=shop.free.code, places=shop.box.pk, parts=part.pk)
    labels = [label for sheet in page.context["pages"] for label in sheet]
    assert [label.address.split("/")[3] for label in labels] == ["S", "C", "C"]
    for label, target in zip(
        labels, (of("spool", shop.free), f"/places/{shop.box.pk}/", f"/parts/{part.pk}/"), strict=True
    ):
        path = label.address.removeprefix("HTTP://TESTSERVER")
        assert desk.get(path).headers["Location"] == target
        assert desk.get("/scan/", {"code": label.address}).headers["Location"] == target
    for wrong in (f"/C/{shop.free.code}", "/C/P3334"):
        assert desk.get(wrong).status_code == 404


def test_a_sheet_begins_at_its_first_free_label_and_stays_chosen(shop, desk):
    spools = f"{shop.free.code} {shop.other.code}"
    sheet = A4_SHEETS[0]
    page = show(desk, spools=spools, paper=sheet.key, start=21)
    first, second = page.context["pages"]
    assert first[:20] == [None] * 20 and first[20].code == codes.pretty(shop.free.code)
    assert [label.code for label in second] == [codes.pretty(shop.other.code)]
    assert show(desk, spools=spools).context["paper"] == sheet
    styles = desk.get(reverse("label-paper", args=[sheet.key]))
    assert styles.headers["Content-Type"].startswith("text/css")
    assert "size: 210mm 297mm" in styles.content.decode() and "repeat(3, 63.5mm)" in styles.content.decode()
    assert desk.get(reverse("label-paper", args=["1x1"])).status_code == 404


def test_an_own_paper_is_named_by_its_dimensions_or_refused(shop, desk):
    own = {"spools": shop.free.code, "paper": "own", "width": "40", "height": "20,5"}
    page = desk.get(reverse("labels"), own, follow=True)
    assert page.context["paper"].key == "40x20.5"
    page = desk.get(reverse("labels"), own | {"page": "a4", "columns": "9", "rows": "1"})
    assert list(page.context["form"].errors) == ["columns"] and page.context["paper"].key == "40x20.5"
    page = desk.get(reverse("labels"), {"spools": shop.free.code, "paper": "own"})
    assert set(page.context["form"].errors) == {"width", "height"}
    page = desk.get(reverse("labels"), own | {"width": "1"})
    assert list(page.context["form"].errors) == ["width"]


def test_wrong_codes_and_no_codes_lead_to_the_choice(shop, desk):
    page = show(desk, spools="K7M")
    assert (
        page.status_code == 200 and shows(page, "6") and f'value="{shop.free.code}"' in page.content.decode()
    )
    assert show(desk, places="9999", parts="x").status_code == 200
    assert show(desk).context["places"].count() == 4


@pytest.mark.parametrize(
    ("public_url", "host", "caution"),
    [
        ("", "localhost", "address_loopback"),
        ("", "192.0.2.7", "address_not_set"),
        ("http://127.0.0.1:8000", "192.0.2.7", "address_loopback"),
        ("https://shop.example", "localhost", None),
    ],
)
def test_labels_warn_while_phones_cannot_open_their_address(shop, desk, settings, public_url, host, caution):
    settings.PUBLIC_URL, settings.ALLOWED_HOSTS = public_url, ["*"]
    page = desk.get(of("spool-label", shop.free), headers={"host": host})
    assert {note for note in notes(page) if note.startswith("address_")} == ({caution} if caution else set())
    base = (public_url or f"http://{host}").upper()
    assert page.context["label"].address == f"{base}/S/{shop.free.code}"


def test_a_name_that_the_shop_accepts_is_offered_instead_of_localhost(shop, desk, settings):
    settings.PUBLIC_URL, settings.ALLOWED_HOSTS = "", ["localhost", "shop.example"]
    page = desk.get(of("spool-label", shop.free), headers={"host": "localhost:8000"})
    assert page.context["address"].others == ["http://shop.example:8000"]
    query = {"spools": shop.free.code, "base": "http://shop.example:8000"}
    page = desk.get(reverse("labels"), query, headers={"host": "localhost:8000"})
    assert page.context["label"].address == f"HTTP://SHOP.EXAMPLE:8000/S/{shop.free.code}"
    page = desk.get(
        reverse("labels"), query | {"base": "http://evil.example"}, headers={"host": "localhost:8000"}
    )
    assert page.context["label"].address.startswith("HTTP://LOCALHOST:8000/")


def test_the_usual_paper_is_a_roll(shop, desk):
    assert show(desk, spools=shop.free.code, paper="nonsense").context["paper"] == USUAL
