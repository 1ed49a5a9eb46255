"""Materials: the search, and the curves of a material's page."""

from django.urls import reverse

from tests.pages.shown import shows


def test_a_search_shows_the_materials_in_which_its_words_occur(desk, shop):
    found = desk.get(reverse("materials"), {"q": "pla"})
    assert shows(found, shop.pla.name) and shop.pla in found.context["feedstocks"]
    assert {row.name for row in found.context["polymers"]} == {"PLA"}
    nothing = desk.get(reverse("materials"), {"q": "unobtainium"})
    assert not nothing.context["feedstocks"] and 'data-note="nothing_found"' in nothing.content.decode()


def test_a_material_shows_its_curves(desk, shop):
    for address in (
        reverse("material", args=[shop.pla.polymer_id]),
        reverse("feedstock", args=[shop.pla.pk]),
    ):
        page = desk.get(address).content.decode()
        assert 'data-chart="drying"' in page and 'data-chart="sorption"' in page
