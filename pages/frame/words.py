"""Help for every term: the trade's words that the pages use, each in one sentence, on one page."""

from typing import TYPE_CHECKING, NamedTuple

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

if TYPE_CHECKING:
    from django.utils.functional import _StrPromise


class Term(NamedTuple):
    """A word, its meaning, and whose definition or number it is, if anybody's."""

    name: "_StrPromise"
    meaning: "_StrPromise"
    source: str = ""


TERMS = {
    "assumed": Term(
        pgettext_lazy("word", "assumed"),
        _("neither measured nor computed: stated for a place, or common practice"),
    ),
    "bore": Term(
        pgettext_lazy("word", "bore"), _("the inner diameter of a nozzle at its narrow end, the land")
    ),
    "cap": Term(
        pgettext_lazy("word", "cap"),
        _("the highest temperature at which a spool may be dried: the least of polymer, reel and dryer"),
    ),
    "caution": Term(
        pgettext_lazy("word", "caution"), _("a limit may be crossed, or something that matters is not known")
    ),
    "charring": Term(
        pgettext_lazy("word", "charring"),
        _(
            "plastic that stays in a hot nozzle turns to residue; charring hours count this as hours at the middle of "
            "the print temperatures, more when hotter"
        ),
    ),
    "clear": Term(pgettext_lazy("word", "clear"), _("every check is within its limit")),
    "cold_pull": Term(
        pgettext_lazy("word", "cold pull"),
        _("filament is pulled out of a cooling hot end and takes residue with it"),
    ),
    "computed": Term(
        pgettext_lazy("word", "computed"),
        _("by the physics of water in plastic and air, from all that was recorded"),
    ),
    "consumable": Term(
        pgettext_lazy("word", "consumable"),
        _("a supply that service or printing uses up, such as adhesive, grease or wipes"),
    ),
    "coupon_test": Term(
        pgettext_lazy("word", "coupon test"),
        _(
            "a loop of filament is heated in the dryer: it shows at which temperature its turns stick together"
        ),
    ),
    "desiccant": Term(
        pgettext_lazy("word", "desiccant"),
        _("the drying agent in a box or bag, such as silica gel or molecular sieve"),
    ),
    "dew_point": Term(
        pgettext_lazy("word", "dew point"),
        _("the temperature at which the water in the air begins to condense"),
    ),
    "drive_gears": Term(pgettext_lazy("word", "drive gears"), _("the toothed wheels that push the filament")),
    "dry_box": Term(
        pgettext_lazy("word", "dry box"), _("a closed box with desiccant; it may feed a printer")
    ),
    "drying_run": Term(
        pgettext_lazy("word", "drying run"), _("a spool in a dryer at a set point, from start to end")
    ),
    "equilibrium": Term(
        pgettext_lazy("word", "equilibrium"),
        _("the moisture at which filament neither takes up nor gives off water in this air"),
    ),
    "exposure_hours": Term(
        pgettext_lazy("word", "exposure hours"),
        _(
            "hours out of dry storage since the last complete drying: the plain clock beside the computed moisture"
        ),
        "IPC/JEDEC J-STD-033",
    ),
    "feedstock": Term(
        pgettext_lazy("word", "feedstock"),
        _("a filament as bought: polymer, filler, colour, diameter, maker"),
        "ISO/ASTM 52900",
    ),
    "filler": Term(
        pgettext_lazy("word", "filler"),
        _("what is mixed in: carbon or glass fibre, metal, mineral, glow pigment, wood"),
    ),
    "floor": Term(
        pgettext_lazy("word", "floor"),
        _("the moisture below which a dryer cannot bring a spool in the air of its room"),
    ),
    "flow_check": Term(
        pgettext_lazy("word", "flow check"),
        _("blobs are weighed at rising flow rates, to learn how fast a toolhead may print"),
    ),
    "flow_loss": Term(
        pgettext_lazy("word", "flow loss"), _("the share of the commanded filament that does not come out")
    ),
    "half_time": Term(
        pgettext_lazy("word", "half-time"),
        _("hours in which the difference in humidity between a box and its room halves"),
        "Thomson 1977",
    ),
    "heat_budget": Term(
        pgettext_lazy("word", "heat budget"),
        _("the hours in hot air that a polyamide stands in its life before it turns yellow and brittle"),
    ),
    "hold": Term(
        pgettext_lazy("word", "hold"), _("a limit is probably crossed: do the act that is named first")
    ),
    "liner": Term(pgettext_lazy("word", "liner"), _("the PTFE tube inside some hot ends; it ages with heat")),
    "loss_on_drying": Term(
        pgettext_lazy("word", "loss on drying"), _("mass before less mass after drying: the water that left")
    ),
    "moisture": Term(
        pgettext_lazy("word", "moisture"),
        _("water in % of the filament's mass: of the whole winding, or of the turns that a job will use"),
    ),
    "outer_turns": Term(
        pgettext_lazy("word", "outer turns"),
        _("the filament that is printed next; it dries and gets wet first"),
    ),
    "polymer": Term(
        pgettext_lazy("word", "polymer"), _("the base plastic, with physical data and their sources")
    ),
    "print_limit": Term(
        pgettext_lazy("word", "print limit"),
        _(
            "the moisture above which a polymer prints badly: strings, bubbles, rough walls; mostly common practice, so "
            "each material names its source"
        ),
    ),
    "purge": Term(
        pgettext_lazy("word", "purge"), _("filament is pushed out when material or colour changes")
    ),
    "range": Term(pgettext_lazy("word", "range"), _("where the true value lies in about eight of ten cases")),
    "regenerate": Term(
        pgettext_lazy("word", "to regenerate"), _("to heat desiccant until it has given its water off")
    ),
    "reorder_point": Term(
        pgettext_lazy("word", "reorder point"), _("the stock at which a part or feedstock is bought again")
    ),
    "reserved": Term(
        pgettext_lazy("word", "reserved"), _("grams of a spool that planned and printing jobs will take")
    ),
    "residue": Term(pgettext_lazy("word", "residue"), _("charred plastic in the hot end")),
    "rh": Term(
        pgettext_lazy("word", "relative humidity, RH"),
        _("the water in the air as a share of the most that it can hold at its temperature, in %"),
    ),
    "salt_check": Term(
        pgettext_lazy("word", "salt check"),
        _("a hygrometer beside wet table salt in a closed bag, where the air has 75.3 % RH at 25 °C"),
        "Greenspan 1977",
    ),
    "set_point": Term(pgettext_lazy("word", "set point"), _("the temperature to which a dryer is set")),
    "slot": Term(
        pgettext_lazy("word", "slot"), _("one of several spools that a changer offers to one toolhead")
    ),
    "softening_point": Term(
        pgettext_lazy("word", "softening point"),
        _("where turns of filament begin to flatten and stick: the glass transition Tg, or the Vicat point"),
        "ISO 306",
    ),
    "stay": Term(pgettext_lazy("word", "stay"), _("a spool in a place from one time to another")),
    "strong_parts": Term(
        pgettext_lazy("word", "limit for strong parts"),
        _(
            "the moisture that makers allow for moulding: above it the part may be weaker though it looks well"
        ),
    ),
    "toolhead": Term(pgettext_lazy("word", "toolhead"), _("hot end with drive; a printer has one or more")),
    "uptake": Term(
        pgettext_lazy("word", "uptake"), _("the moisture in balance with air of 23 °C and 50 % RH")
    ),
    "verdict": Term(
        pgettext_lazy("word", "verdict"),
        _("clear, caution or hold, for a spool on a toolhead for a job, with reasons"),
    ),
    "wettest_turns": Term(
        pgettext_lazy("word", "wettest turns"),
        _("where the winding holds most water, mostly inside; a spool is dry when these are dry enough"),
    ),
    "winding": Term(
        pgettext_lazy("word", "winding"),
        _("the filament as it lies on the reel; the outer turns are printed first"),
    ),
    "withdraw": Term(
        pgettext_lazy("word", "to withdraw"),
        _("to mark a recorded fact as wrong: it stays on record and no longer counts"),
    ),
}


def words(request: HttpRequest) -> HttpResponse:
    ordered = sorted(TERMS.items(), key=lambda item: str(item[1].name).removeprefix("to ").casefold())
    return render(request, "frame/words.html", {"terms": ordered})
