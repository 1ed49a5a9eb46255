"""The members of an ensemble, for the numbers of a material that are uncertain.

The numbers of a member: uptake, diffusivity, activation energy and the shape of the isotherm, which spools of a feedstock
share; the wetness on receipt and the pores of this spool; and how far the air of each place may be off the recorded
one (spools/physics/air_errors.py). All spools start from the same members, so equal spools have equal answers.
"""

import numpy as np

from spools.catalogue.values import material_values
from spools.models import Feedstock, Spool
from spools.physics import ensemble
from spools.physics.air import Array
from spools.physics.ensemble import Between, Members, Spread
from spools.physics.geometry import pore_share
from spools.physics.isotherm import LEAST_GAB_C, POLYAMIDE_HEAT_J_MOL, Isotherm, gab_k
from spools.physics.state import Material
from spools.statements import Statement

# Wetness on receipt: the humidity with which the spool was in equilibrium, % RH (low, likely, high).
# Common practice, no source: even a factory-sealed spool may be wet.
SEALED_CARD_DRY = (5.0, 12.0, 25.0)
SEALED = (5.0, 25.0, 55.0)
OPEN_OR_CARD_WET = (20.0, 45.0, 70.0)
WETTEST_START_RH = 0.98
# The numbers of a member that spools of a feedstock share, and those of one spool.
SHARED_NUMBERS = ("w50_pct", "d23_m2_s", "e_d_kj_mol", "gab_c")
NUMBERS = (*SHARED_NUMBERS, "start_rh", "pore_fraction")
# The numbers that spools of a feedstock teach each other, with the standard deviation of one spool from the feedstock, in
# spreads of the catalogue: a material is made to one recipe, and its spools are packed alike. Common practice, no source.
LOTS = dict.fromkeys(SHARED_NUMBERS, 0.2) | {"start_rh": 0.25}
# The c of a GAB isotherm at 23 °C as its 5 % and 95 % quantiles. Fits run from 1 to 20 and more (isotherm.gab_k), but with
# more than 10 nylon would not stay good in a gasketed box with silica gel, which it does. Common practice, no source.
LOW_GAB_C, HIGH_GAB_C = 1.2, 10.0
# The air between the turns. Common practice, no source.
PORE_FRACTION = Between(0.22, 0.30, 0.40)


def first_members() -> Members:
    """The members before any weighing: the same for all spools."""
    return ensemble.first_members(NUMBERS)


def start_rh(spool: Spool) -> tuple[tuple[float, float, float], Statement]:
    """The assumed wetness on receipt, % RH (low, likely, high), and the reason for it."""
    if spool.sealed and spool.card == Spool.Card.DRY:
        spread, arrived = SEALED_CARD_DRY, "sealed_card_dry"
    elif spool.sealed and spool.card != Spool.Card.WET:
        spread, arrived = SEALED, "sealed_card_unread"
    else:
        spread, arrived = OPEN_OR_CARD_WET, "sealed_card_wet" if spool.sealed else "open"
    low, likely, high = spread
    values = {"rh_pct": likely, "rh_low_pct": low, "rh_high_pct": high, "arrived": arrived}
    return spread, Statement("moisture_reason.start", values)


def spool_material(spool: Spool, members: Members) -> tuple[Material, Array]:
    """The spool's material and the humidity it came from, 0..1, one value for each member."""
    return member_material(spool.feedstock, start_rh(spool)[0], members)


def member_material(
    feedstock: Feedstock, start_rh_pct: tuple[float, float, float], members: Members
) -> tuple[Material, Array]:
    """The material of a feedstock and the humidity that a spool came from, 0..1, one value for each member.

    start_rh_pct: its low, likely and high value, % RH.
    """
    values = material_values(feedstock)

    def at(name: str, low: float, likely: float, high: float) -> Array:
        return Spread(min(low, likely), likely, max(low, likely, high)).at(members.point(name))

    w50_pct = at("w50_pct", values.w50_low_pct, values.w50_pct, values.w50_high_pct)
    d23_m2_s = at("d23_m2_s", values.d23_low_m2_s, values.d23_m2_s, values.d23_high_m2_s)
    e_d_kj_mol = at("e_d_kj_mol", values.e_d_low_kj_mol, values.e_d_kj_mol, values.e_d_high_kj_mol)
    isotherm = _isotherm(feedstock, w50_pct, members)
    pores = pore_share(PORE_FRACTION.at(members.point("pore_fraction")))
    material = Material(d23_m2_s, 1000 * e_d_kj_mol, isotherm, pore_share=pores)
    return material, np.minimum(at("start_rh", *start_rh_pct) / 100, WETTEST_START_RH)


def _isotherm(feedstock: Feedstock, w50_pct: float | Array, members: Members | None = None) -> Isotherm:
    """With the likely shape, or with that of each member. Only a GAB isotherm has a shape of its own."""
    polymer, density_kg_m3 = feedstock.polymer, 1000 * material_values(feedstock).density_g_cm3
    if polymer.gab_c is None or polymer.gab_k is None:
        return Isotherm(polymer.isotherm, w50_pct / 100, density_kg_m3=density_kg_m3)
    likely_c = polymer.gab_c
    c: float | Array = likely_c
    if members is not None:
        spread = Spread(min(LOW_GAB_C, likely_c), likely_c, max(HIGH_GAB_C, likely_c))
        c = np.maximum(LEAST_GAB_C, spread.at(members.point("gab_c")))
    k = gab_k(c, likely_c, polymer.gab_k)
    return Isotherm(polymer.isotherm, w50_pct / 100, c, k, density_kg_m3, POLYAMIDE_HEAT_J_MOL)


def likely_material(feedstock: Feedstock) -> Material:
    """The material with the median of each number, which is the first member of any spool's."""
    values = material_values(feedstock)
    return Material(values.d23_m2_s, 1000 * values.e_d_kj_mol, _isotherm(feedstock, values.w50_pct))


def water_in_balance_pct(feedstock: Feedstock, rh_pct: float) -> tuple[float, float, float]:
    """The content of the filament in balance with air of 23 °C, % by mass: low, likely and high by its uptake."""
    values = material_values(feedstock)
    uptakes_pct = (
        min(values.w50_low_pct, values.w50_pct),
        values.w50_pct,
        max(values.w50_high_pct, values.w50_pct),
    )
    low, likely, high = (
        100 * float(_isotherm(feedstock, w50_pct).equilibrium(rh_pct / 100)) for w50_pct in uptakes_pct
    )
    return low, likely, high


def most_water_pct(spool: Spool) -> float:
    """The highest content of the filament, % by mass: with the upper end of its uptake, in saturated air."""
    high_pct = material_values(spool.feedstock).w50_high_pct
    return 100 * float(_isotherm(spool.feedstock, high_pct).equilibrium(1.0))
