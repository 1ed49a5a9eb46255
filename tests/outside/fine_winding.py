"""A winding by the plain method of lines: pores and filaments both cut fine, stepped by scipy's BDF.

Written for the tests alone, from the equations in design/physics.md; shares no code with spools.physics.
Unknowns: the water content at nodes of the filament's radius, the last one on its surface, in each of many
thin shells of the winding. dw/dt = A w + B c_sat RH(w) + b: A is diffusion in the filament, B the vapour's
way from shell to shell, RH(w) that of the surface nodes.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.integrate import solve_ivp
from scipy.sparse import csr_matrix, diags, lil_matrix

GAS, WATER = 8.314462618, 0.01801528


def saturation(t: float) -> float:
    """Saturated vapour density [kg/m³]: Wagner and Pruss (1993), J. Phys. Chem. Ref. Data 22, 783."""
    theta = 1 - t / 647.096
    a = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)
    powers = (1, 1.5, 3, 3.5, 4, 7.5)
    p = 22.064e6 * np.exp(647.096 / t * sum(x * theta**n for x, n in zip(a, powers, strict=True)))
    return p * WATER / (GAS * t)


@dataclass(frozen=True)
class Henry:
    w50: float

    def rh(self, w):
        return w / (2 * self.w50)

    def drh(self, w):
        return np.full_like(w, 1 / (2 * self.w50))


@dataclass(frozen=True)
class Gab:
    """w = wm C k a / ((1 - k a)(1 - k a + C k a)), inverted for y = k a: the root between 0 and 1."""

    wm: float
    c: float
    k: float

    def rh(self, w):
        q = self.wm * self.c / np.maximum(w, 1e-12)
        # (1 - y)(1 - y + C y) = q y
        a, b = 1 - self.c, self.c - 2 - q
        return 2 / (-b + np.sqrt(b * b - 4 * a)) / self.k

    def drh(self, w):
        d = 1e-6 * self.wm
        return (self.rh(w + d) - self.rh(np.maximum(w - d, 0))) / (w + d - np.maximum(w - d, 0))


def gab(w50: float, c: float, k: float) -> Gab:
    """The GAB curve with this uptake at 50 % RH."""
    y = k / 2
    return Gab(w50 * (1 - y) * (1 - y + c * y) / (c * y), c, k)


class FloryHuggins:
    """ln a = ln phi + (1 - phi) + chi (1 - phi)², phi the volume fraction of water, from the uptake at 50 % RH."""

    def __init__(self, w50: float, density: float):
        self.ratio = density / 997.0
        dry = 1 - self._phi(w50)
        self.chi = (np.log(0.5 / (1 - dry)) - dry) / dry**2

    def _phi(self, w):
        return w * self.ratio / (1 + w * self.ratio)

    def rh(self, w):
        phi = self._phi(np.maximum(w, 0))
        return phi * np.exp((1 - phi) + self.chi * (1 - phi) ** 2)

    def drh(self, w):
        w, d = np.maximum(w, 1e-6), 1e-7
        return (self.rh(w + d) - self.rh(w - d)) / (2 * d)


@dataclass
class Fine:
    """Radii [m], density [kg/m³], D at 23 °C [m²/s], activation energy [J/mol]."""

    core: float
    outer: float
    width: float
    pores: float
    filament: float
    density: float
    d23: float
    e_d: float
    curve: Henry | Gab | FloryHuggins
    shells: int = 40
    nodes: int = 14

    def __post_init__(self):
        x = np.linspace(0, 1, self.shells + 1)
        self.edges = self.core + (self.outer - self.core) * (1 - (1 - x) ** 1.6)
        self.mass = np.pi * self.width * np.diff(self.edges**2) * self.density * (1 - self.pores)
        # Nodes close up towards the surface, where a change begins.
        self.at = self.filament * (1 - (1 - np.linspace(0, 1, self.nodes)) ** 1.8)
        self.faces = (self.at[1:] + self.at[:-1]) / 2
        areas = np.concatenate([[0], self.faces**2, [self.filament**2]])
        self.share = np.diff(areas) / self.filament**2

    def _matrices(self, t: float, rh_air: float):
        n, m = self.nodes, self.shells
        d = self.d23 * np.exp(-self.e_d / GAS * (1 / t - 1 / 296.15))
        g = 2 * self.faces * d / np.diff(self.at) / self.filament**2
        one = np.zeros((n, n))
        for i, gi in enumerate(g):
            one[i, i] -= gi / self.share[i]
            one[i, i + 1] += gi / self.share[i]
            one[i + 1, i + 1] -= gi / self.share[i + 1]
            one[i + 1, i] += gi / self.share[i + 1]
        a = csr_matrix(np.kron(np.eye(m), one))
        d_pore = 2.178e-5 * (t / 273.15) ** 1.81 * self.pores / (2 - self.pores) * saturation(t)
        middle = (self.edges[1:] + self.edges[:-1]) / 2
        towards = np.append(middle[1:], self.outer)
        flow = 2 * np.pi * self.width * d_pore / np.log(towards / middle)
        b = np.zeros((m, m))
        for j in range(m):
            b[j, j] -= flow[j]
            if j + 1 < m:
                b[j, j + 1] += flow[j]
                b[j + 1, j] += flow[j]
                b[j + 1, j + 1] -= flow[j]
        b /= (self.mass * self.share[-1])[:, None]
        at_rim = np.zeros(m)
        at_rim[-1] = flow[-1] * rh_air / (self.mass[-1] * self.share[-1])
        surface = csr_matrix(np.kron(np.eye(m), np.eye(n)[:, -1:]))
        return a, surface @ csr_matrix(b), surface, surface @ at_rim

    def run(self, w0: float, stretches: list[tuple[float, float, float]]) -> list[np.ndarray]:
        """Shell means after each stretch of (hours, °C, RH 0..1), from a uniform start, (shells,) each."""
        w = np.full(self.shells * self.nodes, w0)
        found = []
        for stretch in stretches:
            w = self.advance(w, *stretch)
            found.append(self.means(w))
        return found

    def advance(self, w: np.ndarray, hours: float, celsius: float, rh: float) -> np.ndarray:
        """The nodes of all shells (shells * nodes,) after some hours in an air."""
        a, b, surface, c = self._matrices(celsius + 273.15, rh)

        def slope(_, w):
            return a @ w + b @ self.curve.rh(surface.T @ w) + c

        def jacobian(_, w):
            return a + b @ diags(self.curve.drh(surface.T @ w)) @ surface.T

        solved = solve_ivp(slope, (0, hours * 3600), w, "BDF", jac=jacobian, rtol=1e-5, atol=1e-8)
        assert solved.success
        return solved.y[:, -1]

    def means(self, w: np.ndarray) -> np.ndarray:
        """Shell means of nodes, (shells,)."""
        return w.reshape(self.shells, self.nodes) @ self.share

    def without_outermost_shell(self) -> "Fine":
        """The winding with one shell less, the others where they are."""
        smaller = replace(self, outer=self.edges[-2], shells=self.shells - 1)
        smaller.edges, smaller.mass = self.edges[:-1], self.mass[:-1]
        return smaller

    def run_in_chamber(
        self, w0: float, hours: list[float], celsius: float, rh_in: float, flow: float, volume: float
    ) -> list[np.ndarray]:
        """Shell means at rising hours in a chamber with its own air, a volume [m³] through which a flow [m³/s] goes.

        One unknown more, the humidity of the chamber: V dc/dt = flow (c_in - c) + what the winding gives off.
        """
        a, b, surface, at_rim = self._matrices(celsius + 273.15, 1.0)
        rim = len(at_rim) - 1
        conductance = at_rim[rim] * self.mass[-1] * self.share[-1] / saturation(celsius + 273.15)

        def slope(_, y):
            w, rh = y[:-1], y[-1]
            outer = self.curve.rh(w[-1:])[0]
            air = (flow * (rh_in - rh) + conductance * (outer - rh)) / volume
            return np.append(a @ w + b @ self.curve.rh(surface.T @ w) + at_rim * rh, air)

        def jacobian(_, y):
            w = y[:-1]
            size = len(w)
            full = lil_matrix((size + 1, size + 1))
            full[:size, :size] = a + b @ diags(self.curve.drh(surface.T @ w)) @ surface.T
            full[rim, size] = at_rim[rim]
            full[size, rim] = conductance * self.curve.drh(w[-1:])[0] / volume
            full[size, size] = -(flow + conductance) / volume
            return full.tocsr()

        start = np.append(np.full(self.shells * self.nodes, w0), rh_in)
        ends = [3600 * each for each in hours]
        solved = solve_ivp(
            slope, (0, ends[-1]), start, "BDF", t_eval=ends, jac=jacobian, rtol=1e-5, atol=1e-8
        )
        assert solved.success
        return [y[:-1].reshape(self.shells, self.nodes) @ self.share for y in solved.y.T]

    def averaged(self, profile: np.ndarray, edges: np.ndarray) -> np.ndarray:
        """Shell means between other edges."""
        amount = np.concatenate([[0], np.cumsum(profile * np.diff(self.edges**2))])
        at = np.interp(edges**2, self.edges**2, amount)
        return np.diff(at) / np.diff(edges**2)

    def outermost(self, profile: np.ndarray, mass: float) -> float:
        """Mean of the outermost turns of this mass [kg]."""
        taken = np.clip(mass - np.append(np.cumsum(self.mass[::-1])[::-1][1:], 0), 0, self.mass)
        return float(profile @ taken / taken.sum())
