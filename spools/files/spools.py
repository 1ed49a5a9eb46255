"""Spools as a file: those in use, as they came. A list from a spreadsheet may leave out nearly all of it."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from django.db.models import OuterRef, Subquery
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from spools.codes import pretty
from spools.files.columns import (
    EXACT,
    SEALED,
    Use,
    by_name,
    by_own_name,
    choice,
    find_named,
    flag,
    moment,
    moment_or_sealed,
    money,
    number,
    spool_code,
    text,
)
from spools.files.feedstocks import GUESSED_FILLER_PCT, describe_feedstock, find_material
from spools.files.kinds import Added, FileKind, Stored, Values, refuse_change
from spools.inventory.assumptions import correct_reel, save_feedstock
from spools.inventory.moves import move_spool
from spools.inventory.openings import record_opening
from spools.inventory.prices import set_price
from spools.inventory.receipts import correct_receipt
from spools.inventory.receiving import NewSpool, receive_spool, suggest_reel
from spools.models import CoreKind, Feedstock, Filler, MassEntry, Opening, Place, Polymer, Spool, Stay
from spools.refusals import refusal

GUESSED_G = 1000.0
FEEDSTOCK = ("material", "maker", "product", "colour", "filler", "filler_pct", "diameter_mm")
REEL = {
    "core_radius_mm": gettext_noop("radius of its core, mm"),
    "width_mm": gettext_noop("width of the winding, mm"),
    "core_mass_g": gettext_noop("mass of the empty reel, g"),
    "core_mass_band_g": gettext_noop("plus or minus, g"),
    "core_cap_c": gettext_noop("the reel's own highest temperature, °C, where stated"),
}
ELSEWHERE = [Place.Kind.DRYER, Place.Kind.PRINTER]


class Spools(FileKind):
    name = "spools"
    title = gettext_noop("Spools")
    about = gettext_noop(
        "The spools in use. A row without a code is a new spool; a row with the code of a spool edits it."
    )
    # A file in preview holds the one writer of SQLite while it lasts.
    most_changes = 300
    renamed = {
        "net_mass_g": "amount_g",
        "at": "opened_on",
        "filler_mass_fraction": "filler_pct",
        "name": "product",
        "feedstock": "material",
    }
    columns = (
        spool_code(
            "code", gettext_noop("of a label that it has from this program; empty: a new one"), Use.KEY
        ),
        text(
            "material",
            gettext_noop("name of the polymer as in Materials, such as PLA or PA6"),
            Use.NEEDED,
            80,
        ),
        text("maker", gettext_noop("a new name adds the maker"), longest=80),
        text("product", gettext_noop("name of the product; empty: the material"), longest=80),
        text("colour", gettext_noop("in your own words"), longest=40),
        text("filler", gettext_noop("such as carbon fibre; empty: none"), longest=80),
        number("filler_pct", gettext_noop("share of the filler, % of the mass; empty: 15, assumed")),
        number("diameter_mm", gettext_noop("of the filament; empty: 1.75")),
        number(
            "amount_g",
            gettext_noop("grams as it came, without the reel; empty: what the reel usually carries"),
        ),
        number("gross_g", gettext_noop("its weighing as it came, with the reel, g; empty: not weighed")),
        text(
            "reel",
            gettext_noop("a common reel by its name; empty: a usual size, of unknown mass and material"),
            Use.READ,
            60,
        ),
        *(number(name, meaning) for name, meaning in REEL.items()),
        flag("core_mass_known", gettext_noop("whether the reel was weighed, or its mass is printed on it")),
        choice("core_material", gettext_noop("material of the reel"), Spool.CoreMaterial.choices),
        moment_or_sealed(
            "opened_on",
            gettext_noop("day or time at which the bag was opened; sealed: not yet; empty: not known"),
        ),
        moment(
            "received_on",
            gettext_noop("day or time at which it came; empty: the day of its opening, else now"),
        ),
        text(
            "place",
            gettext_noop(
                "place of the shop where it is stored, or was before it was loaded; empty: the one chosen"
            ),
            longest=60,
        ),
        text("batch", gettext_noop("as the label states it"), longest=60),
        money("price", gettext_noop("paid for the spool")),
    )

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.polymers: dict[str, Polymer] | None = None
        self.fillers: dict[str, Filler] = {}
        self.reels: dict[str, CoreKind] = {}
        self.places: dict[str, Place] | None = None

    def rows(self) -> Iterator[Stored]:
        entries = MassEntry.objects.valid().filter(spool=OuterRef("pk")).order_by("at", "id")
        stays = Stay.objects.filter(spool=OuterRef("pk"), place__retired_at=None)
        stays = stays.exclude(place__kind__in=ELSEWHERE).order_by("-start")
        openings = Opening.objects.valid().filter(spool=OuterRef("pk")).order_by("at")
        received = entries.filter(kind=MassEntry.Kind.RECEIVED)
        weighed = entries.filter(kind=MassEntry.Kind.WEIGHED, at=OuterRef("received_at"))
        spools = (
            Spool.objects.filter(ended_at=None)
            .select_related("feedstock__maker", "feedstock__polymer", "feedstock__filler")
            .annotate(
                net_g=Subquery(received.values("net_change_g")[:1]),
                first_gross_g=Subquery(weighed.values("gross_g")[:1]),
                stored_in=Subquery(stays.values("place__name")[:1]),
                stated_opening=Subquery(openings.values("at")[:1]),
            )
            .order_by("received_at", "id")
        )
        for spool in spools.iterator(2000):
            yield Stored(spool, self._describe(spool))

    def _describe(self, spool: Any) -> Values:
        reel = {name: getattr(spool, name) for name in [*REEL, "core_mass_known", "core_material"]}
        opened = spool.stated_opening or (SEALED if spool.sealed else None)
        return {
            "code": spool.code,
            **describe_feedstock(spool.feedstock),
            "amount_g": spool.net_g,
            "gross_g": spool.first_gross_g,
            **reel,
            "opened_on": opened,
            "received_on": spool.received_at,
            "place": spool.stored_in,
            "batch": spool.batch,
            "price": spool.price,
        }

    def find_name(self, column: str, value: Any) -> Any:
        if self.places is None:
            self.reels = by_name(CoreKind.objects.all())
            places = Place.objects.in_use().exclude(kind__in=ELSEWHERE)
            self.places = by_own_name(places)
        if column == "place":
            return find_named(self.places, column, value, own_names=True).name
        if column == "reel":
            return find_named(self.reels, column, value).name
        return find_material(self, column, value)

    def label(self, values: Values) -> str:
        names = [values.get("maker"), values.get("product") or values.get("material"), values.get("colour")]
        code = values.get("code")
        return " ".join(filter(None, [pretty(code) if code else "", *names]))

    def add(self, values: Values) -> Added:
        assumed: list[str] = []
        code = values.get("code", "")
        if code and Spool.objects.filter(code=code).exists():
            sentence = _("Spool {code} is out of use. Bring it back on its page, or take the line out.")
            raise refusal("spool_ended", sentence.format(code=pretty(code)), "code")
        feedstock, is_new = self._find_feedstock(values, assumed)
        place = self._find_place(values)
        received_at, opened_at, how = _read_days(values, assumed)
        masses = self._describe_reel(values, assumed)
        spool = receive_spool(
            NewSpool(
                feedstock=feedstock,
                batch=values.get("batch", ""),
                price=values.get("price"),
                masses_confirmed=True,
                **how,
                **masses,
            ),
            place,
            at=received_at,
            by=self.by,
            code=code,
        )
        if opened_at is not None and not how["opened"]:
            record_opening(spool, at=opened_at, by=self.by)
        note = _("Adds the feedstock {name}.").format(name=feedstock) if is_new else ""
        return Added(spool, assumed, note)

    def _find_place(self, values: Values) -> Place:
        name = values.get("place")
        place = (self.places or {})[EXACT + name] if name else self.place
        if place is None:
            raise refusal("place_missing", _("Name a place, or choose one for lines without."), "place")
        return place

    def _find_feedstock(self, values: Values, assumed: list[str]) -> tuple[Feedstock, bool]:
        """The feedstock of a line, which is stored where the shop has none such yet."""
        polymer = find_named(self.polymers or {}, "material", values["material"])
        filler = find_named(self.fillers, "filler", values.get("filler") or "")
        share = values.get("filler_pct")
        if filler is not None and share is None:
            share = GUESSED_FILLER_PCT
            assumed.append("filler_pct")
        maker = " ".join((values.get("maker") or "").split()) or _("unknown maker")
        name = values.get("product") or (str(polymer) if filler is None else f"{polymer} {filler}")
        colour, diameter_mm = values.get("colour") or "", values.get("diameter_mm") or 1.75
        alike = Feedstock.objects.filter(
            maker__name__iexact=maker, name__iexact=name, colour__iexact=colour, diameter_mm=diameter_mm
        )
        if (stored := alike.select_related("maker", "polymer", "filler").first()) is not None:
            if (stored.polymer, stored.filler) != (polymer, filler):
                sentence = _(
                    "The shop has {product} as {material}. Correct the line, or name another product."
                )
                shown = sentence.format(product=stored, material=stored.polymer)
                raise refusal("other_material", shown, "material")
            return stored, False
        new = Feedstock(
            polymer=polymer,
            name=name,
            colour=colour,
            diameter_mm=diameter_mm,
            filler=filler,
            filler_mass_fraction=(share or 0.0) / 100,
        )
        return save_feedstock(new, maker), True

    def _describe_reel(self, values: Values, assumed: list[str]) -> Values:
        """The grams on it, and the numbers of its reel."""
        kind: CoreKind | None = find_named(self.reels, "reel", values.get("reel", ""))
        amount_g = values.get("amount_g")
        if amount_g is None and "gross_g" not in values:
            amount_g = GUESSED_G if kind is None else kind.net_mass_g
            assumed.append("amount_g")
        reel: Values
        if kind is not None:
            reel = {
                "core_radius_mm": kind.core_radius_mm,
                "width_mm": kind.width_mm,
                "core_material": kind.material,
                "core_mass_g": kind.mass_g,
                "core_mass_band_g": kind.mass_band_g,
            }
        else:
            reel = suggest_reel(amount_g or GUESSED_G)
            if not {"core_radius_mm", "width_mm"} <= values.keys():
                assumed.append("reel")
        stated = {
            name: values[name] for name in [*REEL, "core_mass_known", "core_material"] if name in values
        }
        return reel | stated | {"net_mass_g": amount_g, "gross_g": values.get("gross_g")}

    def change(self, stored: Stored, values: Values) -> None:
        spool: Spool = stored.row
        if "received_on" in values:
            sentence = _("When it came is fixed. Correct its receipt on its page.")
            raise refuse_change("received_on", sentence)
        if "opened_on" in values:
            if stored.values["opened_on"] != SEALED:
                sentence = _("Withdraw the opening on the page of the spool, then state another.")
                raise refuse_change("opened_on", sentence)
            record_opening(spool, at=values["opened_on"], by=self.by)
        receipt: Values = {}
        if values.keys() & set(FEEDSTOCK):
            receipt["feedstock"] = self._find_feedstock(stored.values | values, [])[0]
        if "amount_g" in values:
            receipt["net_mass_g"] = values["amount_g"]
        if "gross_g" in values:
            receipt["gross_g"] = values["gross_g"]
        if receipt:
            correct_receipt(spool, reason=_("corrected by a file"), by=self.by, **receipt)
        reel = {
            name: value
            for name, value in values.items()
            if name in {*REEL, "core_mass_known", "core_material", "batch"}
        }
        if reel:
            correct_reel(Spool.objects.get(pk=spool.pk), by=self.by, **reel)
        if "price" in values:
            set_price(Spool.objects.get(pk=spool.pk), values["price"])
        if "place" in values:
            move_spool(spool, self._find_place(values), by=self.by)


def _read_days(values: Values, assumed: list[str]) -> tuple[datetime | None, datetime | None, dict[str, Any]]:
    """When it came, when its bag was opened, and whether it came sealed and was opened at once."""
    received_at, opened_at = values.get("received_on"), values.get("opened_on")
    if opened_at == SEALED:
        return received_at, None, {"sealed": True, "opened": False}
    if opened_at is None:
        # Nobody knows since when it takes up water: it came open, as wet as such spools are.
        assumed.append("opened_on")
        return received_at, None, {"sealed": False, "opened": False}
    if received_at is None or received_at >= opened_at:
        return opened_at, opened_at, {"sealed": True, "opened": True}
    return received_at, opened_at, {"sealed": True, "opened": False}
