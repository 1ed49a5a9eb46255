"""A place and many spools are scanned one after the other, and moved together."""

from django.urls import reverse

from spools.codes import build_short
from spools.inventory.moves import current_stay
from tests.pages.frame.test_take_back import take_back
from tests.pages.shown import notices, require_refused

ADDRESS = reverse("spools-move")


def places_of(spools) -> list[str]:
    return [current_stay(spool).place.name for spool in spools]


def test_spools_come_to_the_place_above_them_and_go_back(shop, desk):
    spools = shop.spools[1:5]
    before = places_of(spools)
    lines = [build_short("P", shop.box.pk), spools[0].code, f"HTTP://SHOP/S/{spools[1].code}", ""]
    lines += [build_short("P", shop.bag.pk), spools[2].code.lower(), spools[3].code, spools[3].code]
    response = desk.post(ADDRESS, {"codes": "\r\n".join(lines)})
    assert places_of(spools) == ["Dry box", "Dry box", "Bags", "Bags"] != before
    take_back(desk, response)
    assert places_of(spools) == before


def test_a_chosen_place_needs_no_label(shop, desk):
    desk.post(ADDRESS, {"place": shop.box.pk, "codes": shop.spools[1].code})
    assert places_of(shop.spools[1:2]) == ["Dry box"]


def test_of_lines_with_an_error_none_is_moved(shop, desk):
    before = places_of(shop.spools[1:3])
    codes = [shop.spools[1].code, "7KD-4QQ"]
    page = desk.post(ADDRESS, {"place": shop.box.pk, "codes": "\n".join(codes)})
    require_refused(page, "code_check", "codes", names=["2"])
    require_refused(desk.post(ADDRESS, {"codes": codes[0]}), "no_place", "codes", names=["1"])
    part = desk.post(ADDRESS, {"codes": build_short("T", 1)})
    require_refused(part, "not_a_place", "codes")
    require_refused(desk.post(ADDRESS, {"codes": "\n".join([codes[0]] * 250)}), "too_many", "codes")
    loaded = desk.post(ADDRESS, {"place": shop.dryer.pk, "codes": "\n".join([codes[0], "\x00"])})
    assert loaded.status_code == 200 and places_of(shop.spools[1:3]) == before


def test_the_first_spool_that_cannot_be_moved_is_named_by_its_line(shop, desk):
    before = places_of(shop.spools[1:2])
    values = {
        "place": shop.box.pk,
        "codes": f"{shop.spools[1].code}\n{shop.spools[2].code}",
        "when": "2001-01-01T10:00",
    }
    page = desk.post(ADDRESS, values)
    assert page.status_code == 200 and places_of(shop.spools[1:2]) == before
    assert notices(desk.get(ADDRESS)) == []
