"""The true error of the winding's solver for each polymer of the catalogue: python -m benchmarks.solver_error.

The command writes docs/solver-error.md. It compares the solver with the independent one of tests/outside, which
cuts pores and filament fine and takes every reading as it is.
"""

import csv
from pathlib import Path
from typing import NamedTuple

import numpy as np

from spools.physics.air import ZERO_C, heated_rh
from spools.physics.isotherm import Isotherm
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, join, outermost, uniform
from tests.outside.fine_winding import Fine, FloryHuggins, Henry, gab

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "solver-error.md"
ROOM_C, ROOM_RH, DRY_RH = 23.0, 0.5, 0.05
# Readings every quarter of an hour, averaged by the hour and joined within quarters of a day, as the shop does.
PER_HOUR, HOURS, JOINED_H = 4, 12, 6
# The content of a job of this mass is compared beside that of each shell [kg].
JOBS_KG = (0.01, 0.05)

HEAD = """# The error of the solver

`python -m benchmarks.solver_error` writes this page; do not edit it. Each polymer of the catalogue, a spool of 1 kg
without heat, against an independent solver that cuts pores and filament fine (tests/outside/fine_winding.py): the
content of every shell and that of the outermost 10 and 50 g, as a share of the drive, which is the distance between
the driest and the wettest equilibrium of the trial. Largest error / mean of its absolute value, in %.

- damp: dry, then 1, 24 and 120 h at 23 °C and 50 % RH.
- dryer: wet, then 1, 4 and 16 h in this air, heated to the usual set point.
- room: 12 h in a room whose air swings by 8 % RH either way within a day and by 3 % within 5 h, read every quarter of
  an hour, averaged by the hour and joined along lines. Most of this error comes from averaging and joining. The drive is
  that of 11 % RH there: 3 % of it are 0.3 % RH, less than a tenth of what an unchecked hygrometer may be off.
- fastest: the same with the fastest diffusion of the published range.

"""


class Polymer(NamedTuple):
    """A polymer of the catalogue: its row, isotherm and density [kg/m³]."""

    row: dict[str, str]
    isotherm: Isotherm
    density: float

    def curve(self) -> Henry | FloryHuggins | object:
        """The isotherm of the independent solver."""
        w50, kind = float(self.row["w50_pct"]) / 100, self.row["isotherm"]
        if kind == "henry":
            return Henry(w50)
        return gab(w50, 4.6, 0.768) if kind == "gab" else FloryHuggins(w50, self.density)


class Trial(NamedTuple):
    """The humidity that a spool comes from, the airs (hours, °C, RH) and how many of them a look takes."""

    start_rh: float
    airs: list[tuple[float, float, float]]
    per_look: int = 1


def main() -> None:
    lines = ["| polymer | damp | dryer | room | fastest |", "|---|---|---|---|---|"]
    for polymer in polymers():
        row = polymer.row
        celsius = float(row["dry_set_c"])
        likely, fastest = float(row["d23_m2_s"]), float(row["d23_high"])
        hot_rh = float(heated_rh(ROOM_C + ZERO_C, ROOM_RH, celsius + ZERO_C))
        damp = Trial(DRY_RH, [(hours, ROOM_C, ROOM_RH) for hours in (1, 23, 96)])
        dryer = Trial(ROOM_RH, [(hours, celsius, hot_rh) for hours in (1, 3, 12)])
        cells = [
            errors(polymer, trial, d23)
            for trial, d23 in ((damp, likely), (dryer, likely), (room(), likely), (room(), fastest))
        ]
        lines.append(f"| {row['polymer']} | {' | '.join(f'{top:.1f} / {mean:.1f}' for top, mean in cells)} |")
        print(lines[-1], flush=True)
    PAGE.write_text(HEAD + "\n".join(lines) + "\n")


def polymers() -> list[Polymer]:
    """All polymers of the catalogue."""
    with (ROOT / "fixtures/reference/polymers.csv").open() as file:
        rows = list(csv.DictReader(file))
    found = []
    for row in rows:
        density = 1000 * float(row["density_g_cm3"])
        isotherm = Isotherm(row["isotherm"], float(row["w50_pct"]) / 100, 4.6, 0.768, density)
        found.append(Polymer(row, isotherm, density))
    return found


def room() -> Trial:
    """A room whose air swings, in readings."""
    at = np.arange(HOURS * PER_HOUR) / PER_HOUR
    rh = 0.45 + 0.08 * np.sin(2 * np.pi * at / 24) + 0.03 * np.sin(2 * np.pi * at / 5 + 1)
    return Trial(0.45, [(1 / PER_HOUR, ROOM_C, float(value)) for value in rh], JOINED_H * PER_HOUR)


def errors(polymer: Polymer, trial: Trial, d23: float) -> tuple[float, float]:
    """The largest and the mean error, as percentages of the drive."""
    geometry = Geometry.from_mass(1.0, core_radius_m=0.05, width_m=0.06, density_kg_m3=polymer.density)
    e_d = 1000 * float(polymer.row["e_d_kj_mol"])
    isotherm = polymer.isotherm
    w0 = float(isotherm.equilibrium(trial.start_rh))
    fine = Fine(
        *(geometry.core_radius_m, geometry.outer_radius_m, geometry.width_m, geometry.pore_fraction),
        *(geometry.filament_radius_m, polymer.density, d23, e_d, polymer.curve(), 40, 24),
    )
    exact = fine.run(w0, trial.airs)[trial.per_look - 1 :: trial.per_look]
    material = Material(d23, e_d, isotherm)
    state = uniform(geometry, material, w0, trial.airs[0][1] + ZERO_C)
    drive = np.ptp([w0, *(float(isotherm.equilibrium(rh)) for _, _, rh in trial.airs)])
    off: list[float] = []
    for look, expected in enumerate(exact):
        airs = trial.airs[look * trial.per_look : (look + 1) * trial.per_look]
        (outcome,) = advance([Lane(geometry, material, state, as_the_shop_does(airs))], heat=False)
        state = outcome.state
        off += (state.profile()[0] - fine.averaged(expected, geometry.edges())).tolist()
        off += [
            float(outermost(state, geometry, mass)[0]) - fine.outermost(expected, mass) for mass in JOBS_KG
        ]
    shares = 100 * np.abs(off) / drive
    return float(shares.max()), float(shares.mean())


def as_the_shop_does(airs: list[tuple[float, float, float]]) -> list[Surroundings]:
    """Readings averaged by the hour and joined; other airs as they are."""
    if len(airs) < PER_HOUR:
        return [Surroundings(3600 * hours, celsius + ZERO_C, rh) for hours, celsius, rh in airs]
    hourly = np.array([rh for _, _, rh in airs]).reshape(-1, PER_HOUR).mean(1)
    return join([Surroundings(3600, ROOM_C + ZERO_C, float(rh)) for rh in hourly])


if __name__ == "__main__":
    main()
