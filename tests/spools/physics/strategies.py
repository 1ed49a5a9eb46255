"""Spools, members and surroundings as Hypothesis draws them: wide, but of this world."""

import numpy as np
from hypothesis import strategies as st

from spools.physics.isotherm import Isotherm
from spools.physics.winding import Geometry, Lane, Material, Surroundings, uniform


def logarithmic(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(np.log(low), np.log(high)).map(lambda x: float(np.exp(x)))


geometries = st.builds(
    lambda core, depth, width, pores, radius, density: Geometry(
        core, core + depth, width, pores, radius, density
    ),
    core=st.floats(0.02, 0.08),
    depth=logarithmic(0.001, 0.08),
    width=st.floats(0.02, 0.12),
    pores=st.floats(0.15, 0.5),
    radius=st.sampled_from([0.875e-3, 1.425e-3]),
    density=st.floats(900, 1600),
)


@st.composite
def isotherms(draw: st.DrawFn, members: int = 2) -> Isotherm:
    kind = draw(st.sampled_from(["henry", "gab", "flory-huggins"]))
    low, high = (0.02, 0.09) if kind == "flory-huggins" else (1e-4, 0.05)
    first = draw(logarithmic(low, high))
    # The uptake of one polymer is known within a factor of 3; members that differ by over 100 cannot share a step.
    others = [first * draw(logarithmic(1 / 30, 30)) for _ in range(members - 1)]
    w50 = np.clip([first, *others], low, high)
    return Isotherm(kind, w50, draw(st.floats(1, 20)), draw(st.floats(0.3, 0.85)), 1200)


@st.composite
def materials(draw: st.DrawFn, members: int = 2) -> Material:
    d23 = np.array([draw(logarithmic(1e-14, 5e-11)) for _ in range(members)])
    return Material(d23, 1000 * draw(st.floats(25, 60)), draw(isotherms(members)))


def each_member(values: st.SearchStrategy[float], members: int = 2) -> st.SearchStrategy[float | np.ndarray]:
    """One value for all members, or one for each."""
    return values | st.lists(values, min_size=members, max_size=members).map(np.array)


surroundings = st.builds(
    Surroundings,
    duration_s=logarithmic(60, 30 * 86400),
    temperature_k=each_member(st.floats(278, 363)),
    rh=each_member(st.floats(0, 0.9)),
    moving_air=st.booleans(),
)


@st.composite
def lanes(draw: st.DrawFn, stretches: int = 3) -> Lane:
    """A lane that starts uniform, in equilibrium with some air."""
    geometry, material = draw(geometries), draw(materials())
    start = material.isotherm.equilibrium(draw(st.floats(0, 0.9)))
    state = uniform(geometry, material, start, draw(st.floats(278, 313)))
    return Lane(geometry, material, state, draw(st.lists(surroundings, min_size=1, max_size=stretches)))
