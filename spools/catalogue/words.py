"""The words that the catalogue stores about materials, marked for translation: pages show them translated."""

from django.utils.translation import gettext_noop as _
from django.utils.translation import pgettext_lazy

KINDS = [
    _("amorphous"),
    _("amorphous until crystallised"),
    _("elastomer"),
    _("semicrystalline"),
    _("water soluble"),
]
EMISSIONS = [
    pgettext_lazy("emission", "acetic acid if overheated"),
    pgettext_lazy("emission", "bisphenol A traces"),
    pgettext_lazy("emission", "caprolactam"),
    pgettext_lazy("emission", "formaldehyde if overheated"),
    pgettext_lazy("emission", "isocyanate traces"),
    pgettext_lazy("emission", "lactide"),
    pgettext_lazy("emission", "low"),
    pgettext_lazy("emission", "methyl methacrylate"),
    pgettext_lazy("emission", "styrene"),
    pgettext_lazy("emission", "sulphur compounds if overheated"),
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
REELS = [
    _("polystyrene reel, 250 g"),
    _("polystyrene reel, 500 g"),
    _("cardboard reel, 500 g"),
    _("polystyrene reel, 750 g"),
    _("cardboard reel, 750 g"),
    _("polystyrene reel, 1 kg"),
    _("cardboard reel, 1 kg"),
    _("ABS reel, 1 kg"),
    _("polycarbonate reel, 1 kg"),
    _("polypropylene reel, 1 kg"),
    _("recycled PETG reel, 1 kg"),
    _("printed reel for refills, 1 kg"),
    _("polystyrene reel, 2 to 3 kg"),
    _("cardboard reel, 2 to 3 kg"),
]
