"""The use of a part before it came into the shop's records, in the unit of its life."""

from dataclasses import dataclass

from .abrasion import Filament, PrintUse, Surface, wear

# What a person knows in kilograms or months becomes hours and prints by these. Common practice, no source.
USUAL = Filament(density_g_cm3=1.24, diameter_mm=1.75, usual_c=210.0)
USUAL_NOZZLE_C = 215.0
USUAL_G_PER_H = 15.0
USUAL_PRINT_G = 50.0
USUAL_HOURS_A_WEEK = 20.0
DAYS_A_MONTH = 365.25 / 12
# Standard errors of what is converted, as shares of it. Guesses.
KG_ERROR, MONTHS_ERROR = 0.3, 0.6


@dataclass(frozen=True)
class Age:
    """The age at which a part came into the records, in the unit of its life, with its standard error."""

    amount: float
    error: float


def age_before(amount: float, stated_in: str, life_unit: str, surface: Surface) -> Age | None:
    """The age of a part after this prior use; None where ``stated_in`` is no measure of a life in ``life_unit``.

    stated_in: the unit of its life, "kg" of unfilled filament, or "months" on a printer in usual use.
    """
    if stated_in == life_unit:
        return Age(amount, 0.0)
    if stated_in == "months" and life_unit == "days":
        return Age(amount * DAYS_A_MONTH, 0.0)
    if stated_in == "months":
        hours, error = amount * DAYS_A_MONTH / 7 * USUAL_HOURS_A_WEEK, MONTHS_ERROR
    elif stated_in == "kg":
        hours, error = 1000 * amount / USUAL_G_PER_H, KG_ERROR
    else:
        return None
    mass_kg = hours * USUAL_G_PER_H / 1000
    use = PrintUse(mass_kg, hours, USUAL_NOZZLE_C, prints=1000 * mass_kg / USUAL_PRINT_G)
    age = wear(use, USUAL, surface).amount(life_unit)
    return Age(age, error * age)
