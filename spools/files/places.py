"""Places as a file: shelves, bags, dry boxes, dryers, and the places of printers."""

from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from spools.files.columns import Use, by_own_name, choice, find_named, flag, number, text
from spools.files.kinds import Added, Line, ModelKind, Stored, Values, refuse_change, require_keys
from spools.inventory.assumptions import save_place
from spools.inventory.retiring import bring_back_place, retire_place
from spools.models import Place
from spools.refusals import refusal

# A room stands before what is in it.
ROOMS_FIRST = [kind.value for kind in (Place.Kind.SHELF, Place.Kind.PRINTER, Place.Kind.DRYER)]
ROOMS_FIRST += [Place.Kind.DRY_BOX.value, Place.Kind.BAG.value]


class Places(ModelKind):
    name = "places"
    title = gettext_noop("Places")
    about = gettext_noop("Shelves, bags, dry boxes, dryers, and the place of each printer.")
    model = Place
    related = ("room",)
    columns = (
        text("name", gettext_noop("name of the place"), Use.KEY, 60),
        choice("kind", gettext_noop("kind of the place"), Place.Kind.choices, Use.NEEDED),
        text("room", gettext_noop("name of the place in which it stands or lies"), longest=60),
        number("assumed_temperature_c", gettext_noop("temperature while nothing is read, °C; new: 21")),
        number("assumed_rh_pct", gettext_noop("humidity while nothing is read, % RH; new: 50")),
        number("max_set_point_c", gettext_noop("of a dryer: its hottest set point, °C")),
        number("set_point_error_c", gettext_noop("of a dryer: error of its set point, K; new: 5")),
        number("spool_capacity", gettext_noop("of a dryer: spools that fit in at once")),
        choice(
            "air_exchange",
            gettext_noop("of a dryer: how it gets rid of the water"),
            Place.AirExchange.choices,
        ),
        number("air_flow_l_min", gettext_noop("of a dryer: its air flow, l/min")),
        number("desiccant_dew_point_c", gettext_noop("of a dryer with desiccant: dew point of its air, °C")),
        flag("moved_air", gettext_noop("whether it has a fan")),
        flag("feeds", gettext_noop("of a dry box or dryer: filament is fed from it while it prints")),
        number("volume_l", gettext_noop("of a dry box: its volume, litres")),
        number("half_time_h", gettext_noop("of a dry box: its half-time while empty, h")),
        choice("film", gettext_noop("of bags: their film"), Place.Film.choices),
        number("sachet_g", gettext_noop("of bags: silica gel in each, g")),
        number("limit_rh_pct", gettext_noop("of a dry box: its humidity limit, % RH; new: 20")),
        flag("in_use", gettext_noop("whether it is offered; false takes it out of use")),
    )

    def resolve(self, values: Values) -> Values:
        require_keys(self, values)
        return values

    def rows(self) -> Any:
        stored = list(super().rows())
        yield from sorted(stored, key=lambda each: ROOMS_FIRST.index(each.row.kind))

    def values_of(self, row: Any) -> Values:
        values = super().values_of(row)
        return values | {"room": row.room and row.room.name, "in_use": row.retired_at is None}

    def sort(self, lines: list[tuple[Line, Values]]) -> list[tuple[Line, Values]]:
        return sorted(lines, key=lambda line: self._depth(line[1].get("kind")))

    @staticmethod
    def _depth(kind: str | None) -> int:
        return ROOMS_FIRST.index(kind) if kind in ROOMS_FIRST else len(ROOMS_FIRST)

    def add(self, values: Values) -> Added:
        if values["kind"] == Place.Kind.PRINTER:
            sentence = _("Add the printer on the page of machines first; its place comes with it.")
            raise refusal("place_of_printer", sentence, "kind")
        place = Place()
        self._set(place, values)
        save_place(place)
        if values.get("in_use") is False:
            retire_place(place)
        return Added(place)

    def change(self, stored: Stored, values: Values) -> None:
        if "kind" in values:
            raise refuse_change(
                "kind", _("A place stays of its kind. Add another place, and take this one out of use.")
            )
        place = stored.row
        if values.get("in_use") is True:
            place = bring_back_place(place)
        if values.keys() - {"in_use"}:
            self._set(place, values)
            save_place(place)
        if values.get("in_use") is False:
            retire_place(place)

    def _set(self, place: Place, values: Values) -> None:
        fields = {name: value for name, value in values.items() if name != "room"}
        self.set_fields(place, fields)
        if values.get("room"):
            place.room = find_place(values["room"], "room")


def find_place(name: str, column: str) -> Place:
    """The place of this name. Refused: a name that none has."""
    return find_named(by_own_name(Place.objects.all()), column, name, own_names=True)
