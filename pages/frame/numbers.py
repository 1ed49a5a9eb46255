"""Labels and units of the catalogue's numbers on a page."""

NUMBERS = {
    "density_g_cm3": ("Density", "g/cm³"),
    "tg_c": ("Glass transition", "°C"),
    "tm_c": ("Melting point", "°C"),
    "flow_c": ("Flows from", "°C"),
    "softening_c": ("Softening point", "°C"),
    "dry_cap_c": ("Highest drying temperature", "°C"),
    "dry_set_c": ("Usual drying temperature", "°C"),
    "dry_hours": ("Usual drying time", "h"),
    "w50_pct": ("Uptake at 23 °C and 50 % RH", "%"),
    "saturation_pct": ("Uptake in water", "%"),
    "d23_m2_s": ("Diffusivity at 23 °C", "m²/s"),
    "e_d_kj_mol": ("Activation energy of diffusion", "kJ/mol"),
    "limit_clear_pct": ("Prints well up to", "% moisture"),
    "limit_hold_pct": ("Print limit", "% moisture"),
    "moulding_limit_pct": ("Limit for strong parts", "% moisture"),
    "nozzle_min_c": ("Nozzle from", "°C"),
    "nozzle_max_c": ("Nozzle up to", "°C"),
    "bed_min_c": ("Bed from", "°C"),
    "bed_max_c": ("Bed up to", "°C"),
}


def labelled(name: str) -> str:
    """The label of an input for that number, with its unit."""
    return ", ".join(NUMBERS[name])
