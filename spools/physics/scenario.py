"""The simulate command's input and output: plain JSON values in shop units, checked field by field."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .air import ZERO_C
from .geometry import Geometry
from .isotherm import KINDS, Isotherm
from .state import Material, WindingState, uniform
from .winding import Lane, Surroundings, WindingResult, advance

START_C = 23.0

# A polymer of the catalogue by its name, as fields like those of fixtures/reference/polymers.csv; None where
# there is no such polymer. Raises what it likes for a name that it wants to say more about.
Lookup = Callable[[str], Mapping[str, Any] | None]


class ScenarioError(ValueError):
    """A mistake in a field, with the field's name and the expected value."""


@dataclass(frozen=True)
class Scenario:
    """A checked scenario. hours: of each stretch as given."""

    lane: Lane
    heat: bool
    hours: tuple[float, ...]


def simulate(data: Any, lookup: Lookup) -> Any:
    """Read one scenario, or a list of them, and run them all in one batch.

    Parameters
    ----------
    data : object
        As json.loads returns it.
    lookup : callable
        Finds the polymer of {"name": ...}.

    Returns
    -------
    dict or list of dict
        The result for JSON: an object, or a list of them for a list.

    Raises
    ------
    ScenarioError
        Names the field that is wrong and the values that are allowed.
    """
    if isinstance(data, list):
        if not data:
            raise ScenarioError("The list is empty. Give at least one scenario.")
        return run([parse(item, lookup, f"[{n}].") for n, item in enumerate(data)])
    return run([parse(data, lookup)])[0]


def run(scenarios: Sequence[Scenario]) -> list[dict[str, Any]]:
    """Run checked scenarios together; those with and those without heat are two batches."""
    reports: dict[int, dict[str, Any]] = {}
    for heat in (False, True):
        chosen = [n for n, scenario in enumerate(scenarios) if scenario.heat == heat]
        outcomes = advance([scenarios[n].lane for n in chosen], heat=heat, record=True)
        for n, outcome in zip(chosen, outcomes, strict=True):
            reports[n] = _report(scenarios[n], outcome)
    return [reports[n] for n in range(len(scenarios))]


def _report(scenario: Scenario, outcome: WindingResult) -> dict[str, Any]:
    geometry = scenario.lane.geometry
    share = geometry.shell_masses() / geometry.mass_kg
    edges_mm = (1000 * geometry.edges()).tolist()
    steps = []
    for hours, members, temperature in zip(
        scenario.hours, outcome.profiles, outcome.temperatures, strict=True
    ):
        profile_pct = 100 * members[0]
        steps.append(
            {
                "hours": hours,
                "mean_pct": float((profile_pct * share).sum()),
                "inner_pct": float(profile_pct[0]),
                "outer_pct": float(profile_pct[-1]),
                "edges_mm": edges_mm,
                "profile_pct": profile_pct.tolist(),
                "temperature_c": (temperature[:, 0] - ZERO_C).tolist(),
            }
        )
    off = abs(float(outcome.gained_kg[0] - outcome.crossed_kg[0]))
    water = [state.water_kg(geometry)[0] for state in (scenario.lane.state, outcome.state)]
    return {"steps": steps, "water_balance_error_pct": 100 * off / max(*map(float, water), 1e-12)}


class _Fields:
    """An object of the input whose fields are taken out one by one; what is left over is an error."""

    def __init__(self, value: Any, path: str):
        self.path = path
        if not isinstance(value, dict):
            raise ScenarioError(f"{path or 'The scenario'}: give an object with named fields, {{...}}.")
        self.unread = dict(value)

    def name(self, field: str) -> str:
        return f"{self.path}.{field}" if self.path and not self.path.endswith(".") else self.path + field

    def take(self, field: str) -> Any:
        if field not in self.unread:
            raise ScenarioError(f"{self.name(field)}: is missing.")
        return self.unread.pop(field)

    def object(self, field: str) -> "_Fields":
        return _Fields(self.take(field), self.name(field))

    def number(self, field: str, low: float, high: float, *, above: bool = False) -> float:
        """A number from low (or above it) to high."""
        value = self.take(field)
        good = isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high
        if not good or (above and value == low):
            bound = "above" if above else "from"
            raise ScenarioError(
                f"{self.name(field)}: give a number {bound} {low:g} to {high:g}, not {value!r}."
            )
        return float(value)

    def end(self) -> None:
        for field in self.unread:
            raise ScenarioError(f"{self.name(field)}: there is no such field here. Is it mistyped?")


def parse(data: Any, lookup: Lookup, path: str = "") -> Scenario:
    """One scenario from JSON values. Raises ScenarioError with the field that is wrong."""
    fields = _Fields(data, path)
    filament = fields.object("filament")
    diameter_mm = filament.number("diameter_mm", 0, 10, above=True)
    density_kg_m3 = 1000 * filament.number("density_g_cm3", 0, 10, above=True)
    filament.end()
    geometry = _geometry(fields.object("winding"), diameter_mm / 2000, density_kg_m3)
    material = _material(fields.object("polymer"), density_kg_m3, lookup)
    start = fields.object("start")
    w0 = start.number("moisture_pct", 0, 100) / 100
    start_c = start.number("temperature_c", -50, 200) if "temperature_c" in start.unread else START_C
    start.end()
    heat = fields.unread.pop("heat", False)
    if not isinstance(heat, bool):
        raise ScenarioError(f"{fields.name('heat')}: give true or false, not {heat!r}.")
    hours, surroundings = _surroundings(fields.take("surroundings"), fields.name("surroundings"))
    fields.end()
    state: WindingState = uniform(geometry, material, w0, start_c + ZERO_C)
    return Scenario(Lane(geometry, material, state, surroundings), heat, hours)


def _geometry(winding: _Fields, filament_radius_m: float, density_kg_m3: float) -> Geometry:
    core_mm = winding.number("core_radius_mm", 0, 1000, above=True)
    outer_mm = winding.number("outer_radius_mm", core_mm, 1000, above=True)
    width_mm = winding.number("width_mm", 0, 1000, above=True)
    pore_fraction = winding.number("pore_fraction", 0.01, 0.99)
    winding.end()
    return Geometry(
        core_mm / 1000, outer_mm / 1000, width_mm / 1000, pore_fraction, filament_radius_m, density_kg_m3
    )


def _material(polymer: _Fields, density_kg_m3: float, lookup: Lookup) -> Material:
    if "name" in polymer.unread:
        name = polymer.take("name")
        catalogued = lookup(name) if isinstance(name, str) else None
        if catalogued is None:
            raise ScenarioError(f"{polymer.name('name')}: the catalogue has no polymer {name!r}.")
        isotherm = Isotherm(
            catalogued["isotherm"],
            catalogued["w50_pct"] / 100,
            catalogued.get("gab_c") or 1.0,
            catalogued.get("gab_k") or 0.5,
            density_kg_m3,
        )
        d23, e_d_kj_mol = catalogued["d23_m2_s"], catalogued["e_d_kj_mol"]
    else:
        d23 = polymer.number("d23_m2_s", 0, 1e-6, above=True)
        e_d_kj_mol = polymer.number("e_d_kj_mol", 0, 500)
        isotherm = _isotherm(polymer.object("isotherm"), density_kg_m3)
    polymer.end()
    return Material(d23, 1000 * e_d_kj_mol, isotherm)


def _isotherm(fields: _Fields, density_kg_m3: float) -> Isotherm:
    kind = fields.take("kind")
    if kind not in KINDS:
        raise ScenarioError(f"{fields.name('kind')}: give one of {', '.join(KINDS)}, not {kind!r}.")
    if kind == "gab":
        monolayer = fields.number("wm_pct", 0, 100, above=True) / 100
        c, k = fields.number("c", 1, 1000), fields.number("k", 0.01, 0.99)
        ka = k / 2
        w50 = monolayer * c * ka / ((1 - ka) * (1 - ka + c * ka))
        isotherm = Isotherm("gab", w50, c, k)
    else:
        w50 = fields.number("w50_pct", 0, 100, above=True) / 100
        isotherm = Isotherm(kind, w50, density_kg_m3=density_kg_m3)
    fields.end()
    return isotherm


def _surroundings(value: Any, path: str) -> tuple[tuple[float, ...], list[Surroundings]]:
    if not isinstance(value, list) or not value:
        raise ScenarioError(f"{path}: give a list with at least one stretch, [{{...}}].")
    hours, stretches = [], []
    for n, item in enumerate(value):
        fields = _Fields(item, f"{path}[{n}]")
        hours.append(fields.number("hours", 0, 1e6, above=True))
        temperature_c = fields.number("temperature_c", -50, 200)
        rh_pct = fields.number("rh_pct", 0, 100)
        moving = fields.unread.pop("moving_air", False)
        if not isinstance(moving, bool):
            raise ScenarioError(f"{fields.name('moving_air')}: give true or false, not {moving!r}.")
        fields.end()
        stretches.append(Surroundings(hours[-1] * 3600, temperature_c + ZERO_C, rh_pct / 100, moving))
    return tuple(hours), stretches
