"""The heat of sorption of nylon: its isotherm at 80 °C by van 't Hoff's rule, and its heat of wetting.

The heat of wetting of dry nylon is 31 J/g by Morton and Hearle, Physical Properties of Textile Fibres, table 8.1.
"""

import numpy as np
import pytest

from benchmarks.drying_cases import make_spool
from spools.catalogue.members import likely_material

GAS, WATER_G_MOL = 8.314, 18.015
ROOM_K, DRYER_K = 296.15, 353.15
# kJ for each gram of the first layer of water, over the heat of condensation.
FIRST_LAYER_KJ_G = 1.05


@pytest.fixture(scope="module")
def nylon():
    return likely_material(make_spool("PA6").feedstock).isotherm


def test_the_isotherm_at_80_degrees_is_that_of_van_t_hoff(nylon):
    """The layers of water as a sum: each after the first one is bound k times as well as liquid water is."""
    heat_j_mol = 1000 * FIRST_LAYER_KJ_G * WATER_G_MOL
    c_hot = 4.6 * np.exp(heat_j_mol / GAS * (1 / DRYER_K - 1 / ROOM_K))

    def layers(rh, c):
        layer = np.arange(1, 400)
        sites = c * (0.768 * rh) ** layer
        return (layer * sites).sum() / (1 + sites.sum())

    first_layer = 0.028 / layers(0.5, 4.6)
    for rh in (0.01, 0.03, 0.1, 0.4):
        expected = first_layer * layers(rh, c_hot)
        assert float(nylon.equilibrium(rh, DRYER_K)) == pytest.approx(expected, rel=0.01)


def test_the_first_layer_gives_most_of_the_published_heat_of_wetting(nylon):
    """From two isotherms by the equation of Clausius and Clapeyron, up to saturation."""
    cold_k, warm_k = ROOM_K - 1, ROOM_K + 1
    content = np.linspace(1e-4, float(nylon.saturated), 400)
    rise = np.log(nylon.rh_of(content, warm_k) / nylon.rh_of(content, cold_k))
    heat_j_g = GAS * rise / (1 / cold_k - 1 / warm_k) / WATER_G_MOL
    assert heat_j_g[0] == pytest.approx(1000 * FIRST_LAYER_KJ_G, rel=0.02)
    # The layers after the first have a heat as well, which the isotherm leaves out.
    assert 0.7 * 31 < np.trapezoid(heat_j_g, content) < 31
