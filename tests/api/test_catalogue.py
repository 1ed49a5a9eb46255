import pytest

from spools.catalogue.importing import load_materials
from spools.models import Feedstock


@pytest.fixture
def whole_catalogue(shop) -> None:
    load_materials(restore=True)


def test_a_polymer_comes_with_the_sources_of_its_numbers(api, whole_catalogue):
    found = api.get("polymers", name="PA6")["results"]
    assert [polymer["name"] for polymer in found] == ["PA6"]
    assert "sources" not in found[0]
    polymer = api.get(f"polymers/{found[0]['id']}")
    assert polymer["w50_low"] <= polymer["w50_pct"] <= polymer["w50_high"]
    assert polymer["sources"] and all(source["source"] for source in polymer["sources"])


def test_polymers_are_read_only(api, shop):
    api.refused("polymers", status=405, name="PA7")


def test_fillers_and_core_kinds_are_listed(api, whole_catalogue):
    assert all(filler["hardness_hv"] > 0 for filler in api.get("fillers")["results"])
    assert all(core["mass_g"] > 0 and core["source"] for core in api.get("core-kinds")["results"])


def test_makers(api, shop):
    maker = api.post("makers", name="Tern Coast Plastics")
    assert api.patch(f"makers/{maker['id']}", note="invented")["note"] == "invented"
    assert api.refused("makers", name="Tern Coast Plastics")["name"]


def test_a_feedstock_is_added_read_and_corrected(api, shop):
    feedstock = api.post(
        "feedstocks", maker_name="Tern Coast Plastics", polymer=shop.polyamide, name="Clear", colour="natural"
    )
    assert feedstock["maker_name"] == "Tern Coast Plastics" and feedstock["polymer_name"] == "PA6"
    address = f"feedstocks/{feedstock['id']}"
    assert api.patch(address, density_g_cm3=1.13)["density_g_cm3"] == 1.13
    assert api.get(address)["maker_name"] == "Tern Coast Plastics"
    listed = api.get("feedstocks", polymer=shop.polyamide)["results"]
    assert feedstock["id"] in [row["id"] for row in listed]


def test_every_number_of_a_feedstock_has_its_source(api, shop):
    api.patch(f"feedstocks/{shop.nylon}", density_g_cm3=1.13, data_sheet="Nylon 6, May 2026")
    numbers = {number["name"]: number for number in api.get(f"feedstocks/{shop.nylon}/properties")}
    assert numbers["density_g_cm3"]["value"] == 1.13
    assert numbers["density_g_cm3"]["origin"] == "data sheet"
    assert numbers["softening_c"]["origin"] == "catalogue"
    assert numbers["w50_pct"]["low"] < numbers["w50_pct"]["value"] < numbers["w50_pct"]["high"]


def test_a_feedstock_that_no_spool_taught_has_the_ranges_of_the_catalogue(api, shop):
    known = api.get(f"feedstocks/{shop.nylon}/knowledge")
    assert known["spools"] == 0
    assert all(known[name]["p10"] < known[name]["p90"] for name in ("w50_pct", "d23_m2_s", "start_rh_pct"))


def test_a_feedstock_that_cannot_be_is_refused(api, shop):
    good = {"maker_name": "Tern Coast Plastics", "polymer": shop.polyamide, "name": "Odd"}
    stored = Feedstock.objects.count()
    for wrong, field in [
        ({"diameter_mm": 17.5}, "diameter_mm"),
        ({"filler_mass_fraction": 0.3}, ""),
        ({"density_g_cm3": -1}, "density_g_cm3"),
        ({"polymer": 99999}, "polymer"),
        ({"name": ""}, "name"),
        ({"nozzle_min_c": 300, "nozzle_max_c": 200}, "nozzle_min_c"),
    ]:
        assert field in api.refused("feedstocks", **good | wrong), wrong
    assert "" in api.refused("feedstocks", **good | {"maker_name": "Fennel & Fir", "name": "Plain"})
    assert Feedstock.objects.count() == stored
