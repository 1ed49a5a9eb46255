"""Labels and units of the catalogue's numbers on a page."""

from typing import TYPE_CHECKING

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django.utils.functional import _StrPromise

NUMBERS: "dict[str, tuple[_StrPromise, str | _StrPromise]]" = {
    "density_g_cm3": (_("Density"), "g/cm³"),
    "tg_c": (_("Glass transition"), "°C"),
    "tm_c": (_("Melting point"), "°C"),
    "flow_c": (_("Flows from"), "°C"),
    "softening_c": (_("Softening point"), "°C"),
    "dry_cap_c": (_("Highest drying temperature"), "°C"),
    "dry_set_c": (_("Usual drying temperature"), "°C"),
    "dry_hours": (_("Usual drying time"), "h"),
    "w50_pct": (_("Uptake at 23 °C and 50 % RH"), "%"),
    "saturation_pct": (_("Uptake in water"), "%"),
    "d23_m2_s": (_("Diffusivity at 23 °C"), "m²/s"),
    "e_d_kj_mol": (_("Activation energy of diffusion"), "kJ/mol"),
    "limit_clear_pct": (_("Prints well up to"), _("% moisture")),
    "limit_hold_pct": (_("Print limit"), _("% moisture")),
    "moulding_limit_pct": (_("Limit for strong parts"), _("% moisture")),
    "nozzle_min_c": (_("Nozzle from"), "°C"),
    "nozzle_max_c": (_("Nozzle up to"), "°C"),
    "bed_min_c": (_("Bed from"), "°C"),
    "bed_max_c": (_("Bed up to"), "°C"),
}


def labelled(name: str) -> "_StrPromise":
    """The label of an input for that number, with its unit."""
    return format_lazy("{}, {}", *NUMBERS[name])
