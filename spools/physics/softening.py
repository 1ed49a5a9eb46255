"""How far down water brings a polymer's glass transition, and how dry it must be to stand a temperature.

Between the dry and a wet polymer whose transitions are known, 1/Tg runs straight in the water content: the
form of Fox's equation [1], with the known wet point in the place of water's own transition. It lies a little
below a straight line in Tg, so it errs on the careful side.

References
----------
[1] Fox, T. G. (1956), Bull. Am. Phys. Soc. 1, 123 (from memory; the form is in every textbook).
"""


def glass_transition_k(w: float, dry_k: float, wet_k: float, w_wet: float) -> float:
    """The transition [K] at a water content w; dry_k when dry, wet_k at w_wet. Contents in one unit."""
    return 1 / (1 / dry_k + (1 / wet_k - 1 / dry_k) * w / w_wet)


def water_to_stand(temperature_k: float, dry_k: float, wet_k: float, w_wet: float) -> float:
    """The most water, in the unit of w_wet, with which the transition is no lower than a temperature.

    Zero or less where even the dry polymer softens there.
    """
    return w_wet * (1 / temperature_k - 1 / dry_k) / (1 / wet_k - 1 / dry_k)
