"""The words that the catalogue stores about parts and services, marked for translation: pages show them translated."""

from django.utils.translation import gettext
from django.utils.translation import gettext_noop as _

from maintenance.models import Part, PartKind

PART_KINDS = [
    _("brass nozzle 0.25 mm"),
    _("brass nozzle 0.4 mm"),
    _("brass nozzle 0.6 mm"),
    _("brass nozzle 0.8 mm"),
    _("plated brass nozzle 0.25 mm"),
    _("plated brass nozzle 0.4 mm"),
    _("plated brass nozzle 0.6 mm"),
    _("plated brass nozzle 0.8 mm"),
    _("stainless steel nozzle 0.25 mm"),
    _("stainless steel nozzle 0.4 mm"),
    _("stainless steel nozzle 0.6 mm"),
    _("stainless steel nozzle 0.8 mm"),
    _("hardened steel nozzle 0.25 mm"),
    _("hardened steel nozzle 0.4 mm"),
    _("hardened steel nozzle 0.6 mm"),
    _("hardened steel nozzle 0.8 mm"),
    _("tungsten carbide nozzle 0.25 mm"),
    _("tungsten carbide nozzle 0.4 mm"),
    _("tungsten carbide nozzle 0.6 mm"),
    _("tungsten carbide nozzle 0.8 mm"),
    _("ruby-tipped nozzle 0.25 mm"),
    _("ruby-tipped nozzle 0.4 mm"),
    _("ruby-tipped nozzle 0.6 mm"),
    _("ruby-tipped nozzle 0.8 mm"),
    _("brass drive gears"),
    _("drive gears of unknown metal"),
    _("unhardened steel drive gears"),
    _("hardened steel drive gears"),
    _("PTFE liner"),
    _("all-metal heat break"),
    _("PTFE feed tube"),
    _("heater cartridge"),
    _("thermistor"),
    _("hot-end fan, ball bearing"),
    _("hot-end fan, sleeve bearing"),
    _("part-cooling fan, ball bearing"),
    _("part-cooling fan, sleeve bearing"),
    _("PEI film build surface"),
    _("PEI powder-coated build sheet"),
    _("glass build plate"),
    _("belt set"),
    _("linear bearing set"),
    _("HEPA filter"),
    _("carbon filter, used with styrene"),
    _("carbon filter, other plastics"),
    _("nozzle brush"),
    _("silica gel"),
    _("molecular sieve"),
    _("bed adhesive"),
    _("machine oil"),
    _("grease for lead screws"),
    _("cleaning filament"),
    _("alcohol wipes"),
    _("zip bags for spools"),
]
MATERIALS = [
    _("PEI"),
    _("PEI on spring steel"),
    _("PTFE"),
    _("activated carbon"),
    _("ball bearing"),
    _("brass"),
    _("brass wire"),
    _("ceramic bead"),
    _("fibre mat"),
    _("glass"),
    _("hardened steel"),
    _("metal"),
    _("molecular sieve"),
    _("nickel-plated brass"),
    _("rubber with glass cords"),
    _("ruby in brass"),
    _("silica gel"),
    _("sleeve bearing"),
    _("stainless steel"),
    _("steel"),
    _("tungsten carbide"),
    _("unknown"),
]
HOW = [
    _("derived"),
    _("memory"),
    _("memory and derived"),
    _("quoted"),
    _("quoted and memory"),
]
SERVICES = [
    _("hot-end cleaning"),
    _("drive gear cleaning"),
    _("guide tube check"),
    _("build surface care"),
    _("lubrication of guides"),
    _("lubrication of lead screws"),
    _("belt tension check"),
    _("particle filter change"),
    _("activated carbon change"),
]
ADVICE = [
    _(
        "A cold pull with what was in it last, or a purging compound. Hot: gloves, and no hand under the nozzle."
    ),
    _(
        "Machine off. Brush the teeth with a stiff brush until no plastic is left between them; wipe the dust up, do not blow."
    ),
    _(
        "Pull the tube and look through it. Replace it after 500 km or 12 months, and at once when filled filament has "
        "grooved it."
    ),
    _("Wash with hot water and soap; where prints still lift, roughen it wet with fine paper."),
    _(
        "Machine off. Wipe rods and rails clean, then a thin film of the oil or grease that the printer maker names; at least "
        "every 6 months."
    ),
    _(
        "Machine off. Wipe the screws clean, grease thinly along the whole length, and feel for play once a year."
    ),
    _("Machine off. Both belts alike and without slack; replace one with cracks or missing teeth."),
    _("Change it with gloves and a mask, into a bag that is closed at once."),
    _("Change the carbon; sooner, after 200 to 500 h, where ABS, ASA or HIPS are printed."),
]


def name_kind(kind: PartKind) -> str:
    """A kind of part in the active language; one of the shop's own as it is named."""
    return gettext(kind.name)


def name_part(part: Part) -> str:
    """A single part, such as "brass nozzle 0.4 mm no. 7"."""
    return gettext("{kind} no. {number}").format(kind=name_kind(part.kind), number=part.pk)
