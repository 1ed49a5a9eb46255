"""The words that the catalogue stores about materials, marked for translation: pages show them translated."""

from django.utils.translation import gettext_noop as _

KINDS = [
    _("amorphous"),
    _("amorphous until crystallised"),
    _("elastomer"),
    _("semicrystalline"),
    _("water soluble"),
]
EMISSIONS = [
    _("acetic acid if overheated"),
    _("bisphenol A traces"),
    _("caprolactam"),
    _("formaldehyde if overheated"),
    _("isocyanate traces"),
    _("lactide"),
    _("low"),
    _("methyl methacrylate"),
    _("styrene"),
    _("sulphur compounds if overheated"),
]
BASES = [
    _("Tg"),
    _("Tg (amorphous as wound)"),
    _("Tg of the weaker phase"),
    _("Tg wet"),
    _("Vicat A50"),
    _("Vicat B50"),
    _("analogy PA6"),
    _("measured"),
    _("practice"),
]
NAMES = [_("PLA crystallised")]
FILLERS = [
    _("carbon fibre"),
    _("glass fibre"),
    _("glow pigment"),
    _("stainless steel powder"),
    _("bronze powder"),
    _("copper powder"),
    _("mineral"),
    _("titanium dioxide"),
    _("wood"),
]
