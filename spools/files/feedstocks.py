"""Feedstocks as a file: filament products, with the values of their data sheets."""

from typing import Any

from django.utils.translation import gettext_noop

from spools.files.columns import Use, by_name, find_named, flag, number, text
from spools.files.kinds import Added, ModelKind, Stored, Values, require_keys
from spools.inventory.assumptions import save_feedstock
from spools.inventory.retiring import bring_back_feedstock, retire_feedstock
from spools.models import Feedstock, Filler, Polymer

GUESSED_FILLER_PCT = 15.0
OVERRIDES = {
    "density_g_cm3": gettext_noop("density, g/cm³"),
    "softening_c": gettext_noop("softening temperature, °C"),
    "dry_cap_c": gettext_noop("highest drying temperature, °C"),
    "dry_set_c": gettext_noop("usual drying temperature, °C"),
    "w50_pct": gettext_noop("water taken up at 50 % RH, % of the mass"),
    "d23_m2_s": gettext_noop("diffusion coefficient of water at 23 °C, m²/s"),
    "limit_clear_pct": gettext_noop("moisture that prints well, % of the mass"),
    "limit_hold_pct": gettext_noop("moisture up to which it prints, % of the mass"),
    "nozzle_min_c": gettext_noop("lowest nozzle temperature, °C"),
    "nozzle_max_c": gettext_noop("highest nozzle temperature, °C"),
    "bed_min_c": gettext_noop("lowest bed temperature, °C"),
    "bed_max_c": gettext_noop("highest bed temperature, °C"),
}


class Feedstocks(ModelKind):
    name = "feedstocks"
    title = gettext_noop("Feedstocks")
    about = gettext_noop(
        "Filament products, with the values of their own data sheets; the material's count elsewhere."
    )
    model = Feedstock
    related = ("maker", "polymer", "filler")
    renamed = {"name": "product", "filler_mass_fraction": "filler_pct", "polymer": "material"}
    columns = (
        text("maker", gettext_noop("its maker; a new name adds the maker"), Use.KEY, 80),
        text("product", gettext_noop("name of the product"), Use.KEY, 80),
        text("colour", gettext_noop("in your own words"), Use.KEY, 40),
        number("diameter_mm", gettext_noop("of the filament; empty: 1.75"), Use.KEY),
        text(
            "material",
            gettext_noop("name of the polymer as in Materials, such as PLA or PA6"),
            Use.NEEDED,
            80,
        ),
        text("filler", gettext_noop("such as carbon fibre; empty: none"), longest=80),
        number("filler_pct", gettext_noop("share of the filler, % of the mass; empty: 15, assumed")),
        number("reorder_point_g", gettext_noop("grams below which it is to be bought again")),
        text("data_sheet", gettext_noop("title and date of its data sheet"), longest=200),
        *(number(name, meaning) for name, meaning in OVERRIDES.items()),
        flag("in_use", gettext_noop("whether it is offered; false takes it out of use")),
    )

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.polymers: dict[str, Polymer] | None = None
        self.fillers: dict[str, Filler] = {}

    def values_of(self, row: Any) -> Values:
        return super().values_of(row) | describe_feedstock(row) | {"in_use": row.retired_at is None}

    def find_name(self, column: str, value: Any) -> Any:
        return find_material(self, column, value)

    def resolve(self, values: Values) -> Values:
        require_keys(self, values, "maker", "product")
        return {"diameter_mm": 1.75} | values

    def add(self, values: Values) -> Added:
        feedstock, assumed = Feedstock(), []
        if values.get("filler") and "filler_pct" not in values:
            values = values | {"filler_pct": GUESSED_FILLER_PCT}
            assumed.append("filler_pct")
        self._save(feedstock, values, values.get("maker", ""))
        if values.get("in_use") is False:
            retire_feedstock(feedstock)
        return Added(feedstock, assumed)

    def change(self, stored: Stored, values: Values) -> None:
        feedstock = stored.row
        if values.get("in_use") is True:
            feedstock = bring_back_feedstock(feedstock)
        if values.keys() - {"in_use"}:
            self._save(feedstock, values, feedstock.maker.name)
        if values.get("in_use") is False:
            retire_feedstock(feedstock)

    def _save(self, feedstock: Feedstock, values: Values, maker: str) -> None:
        self.set_fields(feedstock, {name: value for name, value in values.items() if name not in SPECIAL})
        if "product" in values:
            feedstock.name = values["product"]
        if "material" in values:
            feedstock.polymer = find_named(self.polymers or {}, "material", values["material"])
        if "filler" in values:
            feedstock.filler = find_named(self.fillers, "filler", values["filler"])
        if "filler_pct" in values:
            feedstock.filler_mass_fraction = values["filler_pct"] / 100
        save_feedstock(feedstock, maker)


SPECIAL = {"maker", "product", "material", "filler", "filler_pct", "in_use"}


def describe_feedstock(feedstock: Feedstock) -> Values:
    """What names a feedstock, in columns."""
    filler = feedstock.filler
    return {
        "maker": feedstock.maker.name,
        "product": feedstock.name,
        "colour": feedstock.colour,
        "diameter_mm": feedstock.diameter_mm,
        "material": feedstock.polymer.name,
        "filler": None if filler is None else filler.name,
        "filler_pct": None if filler is None else round(100 * feedstock.filler_mass_fraction, 6),
    }


def find_material(kind: Any, column: str, value: Any) -> Any:
    """A material or filler by its name in the catalogue; another value as it is. kind: holds what was looked up."""
    if kind.polymers is None:
        kind.polymers = by_name(Polymer.objects.all())
        kind.fillers = by_name(Filler.objects.all())
    rows = {"material": kind.polymers, "filler": kind.fillers}.get(column)
    return value if rows is None else find_named(rows, column, value).name
