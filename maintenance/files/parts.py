"""Part kinds and consumables as a file, with how many of each are in stock."""

from collections.abc import Iterator
from typing import Any

from django.utils.translation import gettext_noop

from maintenance.models import PartKind
from maintenance.parts.stock import add_stock, save_kind
from maintenance.parts.wear_entries import in_stock
from spools.files.columns import Use, choice, money, number, text
from spools.files.kinds import Added, ModelKind, Stored, Values, require_keys


class Parts(ModelKind):
    name = "parts"
    title = gettext_noop("Parts")
    about = gettext_noop("Part kinds and consumables, with the stock of each.")
    model = PartKind
    renamed = {"count": "in_stock"}
    columns = (
        text("name", gettext_noop("name of the part as bought"), Use.KEY, 80),
        choice(
            "role",
            gettext_noop("its role on the machine, or the kind of consumable"),
            PartKind.Role.choices,
            Use.NEEDED,
        ),
        text("material", gettext_noop("of a part: its material"), longest=60),
        number("hardness_hv", gettext_noop("hardness, HV")),
        number("bore_mm", gettext_noop("of a nozzle: its bore, mm")),
        number("max_c", gettext_noop("its highest temperature, °C")),
        number("heat_reference_c", gettext_noop("temperature of its hot hours, °C")),
        number("worn_growth_pct", gettext_noop("of a nozzle: growth of the bore at which it is worn out, %")),
        choice("life_unit", gettext_noop("of a part: the unit of its life"), PartKind.Unit.choices),
        number("life", gettext_noop("of a part: its expected life, in that unit")),
        number("life_low", gettext_noop("a short life")),
        number("life_high", gettext_noop("a long life")),
        text("source", gettext_noop("of a part: the source of its life"), longest=300),
        text("how", gettext_noop("how the source found it"), longest=80),
        choice(
            "stock_unit",
            gettext_noop("of a consumable: the unit of its stock; empty: pieces"),
            PartKind.StockUnit.choices,
        ),
        money("price", gettext_noop("paid for one, or for a unit of its stock")),
        number("reorder_point", gettext_noop("stock at which it is to be bought again")),
        number("in_stock", gettext_noop("counted in stock; another number adds or takes out the difference")),
    )

    def rows(self) -> Iterator[Stored]:
        counts = in_stock()
        for kind in self.query():
            yield Stored(kind, self.values_of(kind) | {"in_stock": counts.get(kind.pk, 0)})

    def resolve(self, values: Values) -> Values:
        require_keys(self, values)
        return values

    def add(self, values: Values) -> Added:
        kind = PartKind()
        self._save(kind, values)
        if values.get("in_stock"):
            add_stock(kind, values["in_stock"], by=self.by)
        return Added(kind)

    def change(self, stored: Stored, values: Values) -> None:
        kind = stored.row
        if values.keys() - {"in_stock"}:
            self._save(kind, values)
        if "in_stock" in values:
            add_stock(kind, values["in_stock"] - stored.values["in_stock"], by=self.by)

    def _save(self, kind: PartKind, values: dict[str, Any]) -> None:
        self.set_fields(kind, values)
        save_kind(kind)
