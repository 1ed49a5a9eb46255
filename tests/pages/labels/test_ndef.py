"""Files for NFC tags, read again by an independent reader."""

import io
import zipfile

import ndef
import pytest
from django.test import Client

from pages.labels.ndef import build_tag_address, count_tag_bytes, list_fitting_tags, write_ndef
from spools import codes
from tests.pages.corner import of
from tests.pages.labels.test_labels import desk, shop  # noqa: F401  fixtures
from tests.pages.shown import notes


@pytest.mark.parametrize(
    "address",
    [
        "http://192.168.1.20:8000/S/7KD4QM",
        "https://shop.example/S/7KD4QM",
        "https://www.shop.example/C/P334K",
        "http://www.shop.example/C/T334K",
        f"https://{'workshop.' * 30}example/S/7KD4QM",
    ],
)
def test_an_independent_reader_finds_the_address(address):
    (record,) = ndef.message_decoder(write_ndef(address))
    assert isinstance(record, ndef.UriRecord) and record.uri == address
    assert write_ndef(address) == b"".join(ndef.message_encoder([ndef.UriRecord(address)]))


def test_the_address_of_a_label_has_a_scheme_that_phones_know():
    printed = codes.label_address("7KD4QM", "https://Shop.Example:8443")
    assert build_tag_address(printed) == "https://shop.example:8443/S/7KD4QM"


def test_which_tags_hold_it():
    message = write_ndef("https://shop.example/S/7KD4QM")
    # Header, its type's and payload's lengths, type, prefix, 21 letters; then 5 of lock control and 3 around it.
    assert (len(message), count_tag_bytes(message)) == (26, 34)
    assert list_fitting_tags(message) == ["NTAG213", "NTAG215", "NTAG216"]
    assert list_fitting_tags(write_ndef("https://" + 132 * "x")) == ["NTAG215", "NTAG216"]
    assert list_fitting_tags(write_ndef("https://" + 131 * "x"))[0] == "NTAG213"


def test_one_file_or_an_archive(shop, desk):  # noqa: F811
    page = desk.get(of("spool-label", shop.free))
    assert "tags" in notes(page)
    answer = desk.get(page.context["tags"])
    (record,) = ndef.message_decoder(answer.content)
    assert record.uri.endswith(f"/S/{shop.free.code}") and record.uri.startswith("http://")
    assert f'"{codes.pretty(shop.free.code)}.ndef"' in answer["Content-Disposition"]
    several = desk.get("/labels/tags/", {"spools": shop.free.code, "places": f"{shop.box.pk}"})
    archive = zipfile.ZipFile(io.BytesIO(several.content))
    uris = [next(ndef.message_decoder(archive.read(name))).uri for name in archive.namelist()]
    assert [uri.split("/")[3] for uri in uris] == ["S", "C"]
    for query in ({}, {"spools": "K7"}, {"parts": "99"}):
        assert Client.get(desk, "/labels/tags/", query).status_code == 404


def test_a_tap_without_sign_in_leads_to_sign_in_and_back(shop, django_user_model):  # noqa: F811
    shop.user.set_password("filament-and-dry-air")
    shop.user.save()
    phone, printed = Client(), f"/S/{shop.free.code}"
    sign_in = phone.get(printed)
    assert sign_in.status_code == 302
    account = {"username": shop.user.username, "password": "filament-and-dry-air"}
    page = phone.post(sign_in["Location"], account, follow=True)
    assert [address for address, _ in page.redirect_chain] == [printed, of("spool", shop.free)]
