"""Heat in the hot end: how steeply a polymer chars with temperature, and how hot the parts may get."""

from collections.abc import Iterable

from .abrasion import AGEING_KJ_MOL

# Published activation energies of decomposition, kJ/mol: lowest and highest, from
# fixtures/reference/wear_values.csv. PLA: Bernardes et al. 2023; ABS: three grades, 2009; PET: bottle PET in
# air, "use for PETG with care"; PA6: oxygen uptake to mass loss in air; PA66: DTIC ADA308320.
AGEING_BANDS_KJ_MOL = {
    "PLA": (96.0, 96.0),
    "PLA crystallised": (96.0, 96.0),
    "ABS": (204.5, 242.4),
    "PET": (145.0, 218.0),
    "PETG": (145.0, 218.0),
    "PA6": (120.0, 213.0),
    "PA66": (188.0, 188.0),
}
# PTFE gives off fumes in a hot end above about 250 °C (fixtures/reference/README.md, cautions).
PTFE_MAX_C = 250.0
# What limits the heat of a hot end, where it is no part with a name.
HOT_END, PTFE = "hot_end", "ptfe"


def ageing_kj_mol(polymer: str) -> float:
    """The middle of what is published of this polymer, by its catalogue name; the default for all others."""
    low, high = AGEING_BANDS_KJ_MOL.get(polymer, (AGEING_KJ_MOL, AGEING_KJ_MOL))
    return (low + high) / 2


def hot_end_limit(
    hot_end_max_c: float, ptfe_lined: bool, fitted: Iterable[tuple[str, float | None]]
) -> tuple[float, str]:
    """The highest temperature that a hot end allows, °C, and what limits it: HOT_END, PTFE or a part's name.

    fitted: name and temperature limit of each fitted part, °C; None for a part without a limit.
    """
    limits = [(PTFE_MAX_C, PTFE)] if ptfe_lined else []
    limits.append((hot_end_max_c, HOT_END))
    limits += [(max_c, name) for name, max_c in fitted if max_c is not None]
    return min(limits, key=lambda limit: limit[0])
