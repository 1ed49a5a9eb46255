from typing import Any

import numpy as np
from django.core.management.base import BaseCommand, CommandError, CommandParser

from spools.models import Polymer
from spools.physics import calibration
from spools.physics.ensemble import Spread
from spools.physics.isotherm import Isotherm
from spools.physics_inputs import SEALED

SCALES_G = (1.0, 0.1)


class Command(BaseCommand):
    help = (
        "Show that the bands are honest: synthetic spools with a known truth, weighed on a 1 g and a 0.1 g "
        "scale; how often the 80 % band holds the truth, and how wide it is, after each weighing. Takes "
        "about a second a spool."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--spools", type=int, default=100, help="synthetic spools for each line")
        parser.add_argument("--polymer", action="append", help="by its catalogue name; may be repeated")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["spools"] < 1:
            raise CommandError("--spools: give 1 or more.")
        for name in options["polymer"] or ["PA6", "PETG"]:
            polymer = Polymer.objects.filter(name=name).first()
            if polymer is None:
                raise CommandError(
                    f"The catalogue has no polymer {name!r}: look at manage.py load_catalogue."
                )
            for step_g in SCALES_G:
                self._table(polymer, step_g, options["spools"])

    def _table(self, polymer: Polymer, step_g: float, spools: int) -> None:
        known = _known(polymer)
        trials = [calibration.trial(known, step_g / 1000, seed) for seed in range(spools)]
        self.stdout.write(f"\n{polymer}, a scale with steps of {step_g:g} g, {spools} spools\n")
        self.stdout.write("| weighings | band holds the mean | the outer 50 g | width, mean | outer 50 g |")
        self.stdout.write("|---|---|---|---|---|")
        for told in zip(*trials, strict=True):
            held = 100 * np.mean([one.held for one in told], axis=0)
            width = np.median([one.width_pct for one in told], axis=0)
            self.stdout.write(
                f"| {told[0].weighings} | {held[0]:.0f} % | {held[1]:.0f} % "
                f"| {width[0]:.3f} % water | {width[1]:.3f} % |"
            )
        after = [one.held for told in trials for one in told if one.weighings]
        self.stdout.write(f"After weighings, all together: {100 * np.mean(after):.1f} %.")


def _known(polymer: Polymer) -> calibration.Polymer:
    bands = {
        "w50_pct": Spread(polymer.w50_low, polymer.w50_pct, polymer.w50_high),
        "d23_m2_s": Spread(polymer.d23_low, polymer.d23_m2_s, polymer.d23_high),
        "e_d_kj_mol": Spread(polymer.e_d_low, polymer.e_d_kj_mol, polymer.e_d_high),
        "start_rh": Spread(*SEALED),
    }
    shape = {"c": polymer.gab_c, "k": polymer.gab_k} if polymer.gab_c and polymer.gab_k else {}
    density = 1000 * polymer.density_g_cm3
    isotherm = Isotherm(polymer.isotherm, polymer.w50_pct / 100, density_kg_m3=density, **shape)
    hours = float(polymer.dry_hours.split("-")[0])
    return calibration.Polymer(bands, isotherm, density, polymer.dry_set_c, hours)
