"""The growth of a nozzle's bore, and a gauge's reading as evidence of its life.

Under constant contact pressure the land wears so that, with kappa the depth worn off its wall per length of
filler slid (Archard's K p / H in one lump) and W the wear dose of ``abrasion.dose_km``,

    d^3 = d0^3 + 6 d0^2 kappa W,    for little wear d - d0 = 2 kappa W

(fixtures/reference/wear_values.csv: closed form with V = W pi d0^2 / (4 phi)). So d^3 grows in proportion to
the dose, and a reading of the bore gives the share of the way to the worn bore that is gone, whatever kappa is.
"""

from dataclasses import dataclass

from .learning import BoreEvidence

# A bore is worn out at +0.05 mm on 0.4 mm, and worth a look at +10 %. Common practice, no source
# (fixtures/reference/wear_values.csv); the first is a setting of each kind of nozzle.
WORN_GROWTH_PCT, LOOK_GROWTH_PCT = 12.5, 10.0
# A new bore is off its nominal diameter by so much (one standard deviation). Common practice, no source.
NEW_BORE_ERROR_MM = 0.01


@dataclass(frozen=True)
class Bore:
    """A nozzle's bore: as it was new, with the standard error of that, and at which it is worn out. In mm."""

    new_mm: float
    new_error_mm: float
    worn_mm: float

    def kappa_um_km(self, life_km: float) -> float:
        """Depth worn off the wall per km of filler, when it is worn out after a dose of ``life_km``."""
        return 1000 * (self.worn_mm**3 - self.new_mm**3) / (6 * self.new_mm**2 * life_km)

    def after_mm(self, share: float) -> float:
        """The bore when this share of its life is gone; more than 1 when it goes on being used."""
        return (self.new_mm**3 + share * (self.worn_mm**3 - self.new_mm**3)) ** (1 / 3)

    def evidence(self, dose_km: float, bore_mm: float, error_mm: float) -> BoreEvidence:
        """A measured bore with its standard error, as the share of life that this dose used."""
        span = self.worn_mm**3 - self.new_mm**3
        share = (bore_mm**3 - self.new_mm**3) / span
        measured = 3 * bore_mm**2 * error_mm / span
        when_new = 3 * self.new_mm**2 * self.new_error_mm / span
        return BoreEvidence(dose_km, share, (measured**2 + when_new**2) ** 0.5)
