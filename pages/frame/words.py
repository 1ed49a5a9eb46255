"""Help for every term: the trade's words that the pages use, each in one sentence, on one page."""

from typing import TYPE_CHECKING, NamedTuple

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django.utils.functional import _StrPromise


class Term(NamedTuple):
    """A word, its meaning, and whose definition or number it is, if anybody's."""

    name: "_StrPromise"
    meaning: "_StrPromise"
    source: str = ""


TERMS = {
    "assumed": Term(_("assumed"), _("neither measured nor computed: stated for a place, or common practice")),
    "bore": Term(_("bore"), _("the inner diameter of a nozzle at its narrow end, the land")),
    "cap": Term(
        _("cap"),
        _("the highest temperature at which a spool may be dried: the least of polymer, reel and dryer"),
    ),
    "caution": Term(_("caution"), _("a limit may be crossed, or something that matters is not known")),
    "charring": Term(
        _("charring"),
        _(
            "plastic that stays in a hot nozzle turns to residue; charring hours count this as hours at the middle of "
            "the print temperatures, more when hotter"
        ),
    ),
    "clear": Term(_("clear"), _("every check is within its limit")),
    "cold_pull": Term(
        _("cold pull"), _("filament is pulled out of a cooling hot end and takes residue with it")
    ),
    "computed": Term(
        _("computed"), _("by the physics of water in plastic and air, from all that was recorded")
    ),
    "consumable": Term(
        _("consumable"),
        _("a supply that service or printing uses up, such as adhesive, grease or wipes"),
    ),
    "coupon_test": Term(
        _("coupon test"),
        _(
            "a loop of filament is heated in the dryer: it shows at which temperature its turns stick together"
        ),
    ),
    "desiccant": Term(
        _("desiccant"), _("the drying agent in a box or bag, such as silica gel or molecular sieve")
    ),
    "dew_point": Term(_("dew point"), _("the temperature at which the water in the air begins to condense")),
    "drive_gears": Term(_("drive gears"), _("the toothed wheels that push the filament")),
    "dry_box": Term(_("dry box"), _("a closed box with desiccant; it may feed a printer")),
    "drying_run": Term(_("drying run"), _("a spool in a dryer at a set point, from start to end")),
    "equilibrium": Term(
        _("equilibrium"),
        _("the moisture at which filament neither takes up nor gives off water in this air"),
    ),
    "exposure_hours": Term(
        _("exposure hours"),
        _(
            "hours out of dry storage since the last complete drying: the plain clock beside the computed moisture"
        ),
        "IPC/JEDEC J-STD-033",
    ),
    "feedstock": Term(
        _("feedstock"), _("a filament as bought: polymer, filler, colour, diameter, maker"), "ISO/ASTM 52900"
    ),
    "filler": Term(
        _("filler"), _("what is mixed in: carbon or glass fibre, metal, mineral, glow pigment, wood")
    ),
    "floor": Term(
        _("floor"), _("the moisture below which a dryer cannot bring a spool in the air of its room")
    ),
    "flow_check": Term(
        _("flow check"), _("blobs are weighed at rising flow rates, to learn how fast a toolhead may print")
    ),
    "flow_loss": Term(_("flow loss"), _("the share of the commanded filament that does not come out")),
    "half_time": Term(
        _("half-time"),
        _("hours in which the difference in humidity between a box and its room halves"),
        "Thomson 1977",
    ),
    "heat_budget": Term(
        _("heat budget"),
        _("the hours in hot air that a polyamide stands in its life before it turns yellow and brittle"),
    ),
    "hold": Term(_("hold"), _("a limit is probably crossed: do the act that is named first")),
    "liner": Term(_("liner"), _("the PTFE tube inside some hot ends; it ages with heat")),
    "loss_on_drying": Term(_("loss on drying"), _("mass before less mass after drying: the water that left")),
    "moisture": Term(
        _("moisture"),
        _("water in % of the filament's mass: of the whole winding, or of the turns that a job will use"),
    ),
    "outer_turns": Term(
        _("outer turns"), _("the filament that is printed next; it dries and gets wet first")
    ),
    "polymer": Term(_("polymer"), _("the base plastic, with physical data and their sources")),
    "print_limit": Term(
        _("print limit"),
        _(
            "the moisture above which a polymer prints badly: strings, bubbles, rough walls; mostly common practice, so "
            "each material names its source"
        ),
    ),
    "purge": Term(_("purge"), _("filament is pushed out when material or colour changes")),
    "range": Term(_("range"), _("where the true value lies in about eight of ten cases")),
    "regenerate": Term(_("to regenerate"), _("to heat desiccant until it has given its water off")),
    "reorder_point": Term(_("reorder point"), _("the stock at which a part or feedstock is bought again")),
    "reserved": Term(_("reserved"), _("grams of a spool that planned and printing jobs will take")),
    "residue": Term(_("residue"), _("charred plastic in the hot end")),
    "rh": Term(
        _("relative humidity, RH"),
        _("the water in the air as a share of the most that it can hold at its temperature, in %"),
    ),
    "salt_check": Term(
        _("salt check"),
        _("a hygrometer beside wet table salt in a closed bag, where the air has 75.3 % RH at 25 °C"),
        "Greenspan 1977",
    ),
    "set_point": Term(_("set point"), _("the temperature to which a dryer is set")),
    "slot": Term(_("slot"), _("one of several spools that a changer offers to one toolhead")),
    "softening_point": Term(
        _("softening point"),
        _("where turns of filament begin to flatten and stick: the glass transition Tg, or the Vicat point"),
        "ISO 306",
    ),
    "stay": Term(_("stay"), _("a spool in a place from one time to another")),
    "strong_parts": Term(
        _("limit for strong parts"),
        _(
            "the moisture that makers allow for moulding: above it the part may be weaker though it looks well"
        ),
    ),
    "toolhead": Term(_("toolhead"), _("hot end with drive; a printer has one or more")),
    "uptake": Term(_("uptake"), _("the moisture in balance with air of 23 °C and 50 % RH")),
    "verdict": Term(
        _("verdict"), _("clear, caution or hold, for a spool on a toolhead for a job, with reasons")
    ),
    "wettest_turns": Term(
        _("wettest turns"),
        _("where the winding holds most water, mostly inside; a spool is dry when these are dry enough"),
    ),
    "winding": Term(
        _("winding"), _("the filament as it lies on the reel; the outer turns are printed first")
    ),
    "withdraw": Term(
        _("to withdraw"), _("to mark a recorded fact as wrong: it stays on record and no longer counts")
    ),
}


def words(request: HttpRequest) -> HttpResponse:
    ordered = sorted(TERMS.items(), key=lambda item: str(item[1].name).removeprefix("to ").casefold())
    return render(request, "frame/words.html", {"terms": ordered})
