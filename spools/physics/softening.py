"""How dry a polymer must be to stand a temperature, where water lowers its glass transition.

Between the dry and a wet polymer whose transitions are known, 1/Tg runs straight in the water content: the
form of Fox's equation [1], with the known wet point in the place of water's own transition. It lies a little
below a straight line in Tg, so it errs on the careful side.

References
----------
[1] Fox, T. G. (1956), Bull. Am. Phys. Soc. 1, 123 (from memory; the form is in every textbook).
"""


def water_to_stand(temperature_k: float, dry_k: float, wet_k: float, w_wet: float) -> float:
    """The most water with which the glass transition is no lower than a temperature.

    Parameters
    ----------
    temperature_k : float
        Temperature to stand [K].
    dry_k : float
        Glass transition of the dry polymer [K].
    wet_k : float
        Glass transition at the water content ``w_wet`` [K].
    w_wet : float
        Water content, in any unit.

    Returns
    -------
    float
        Water content in the unit of ``w_wet``; zero or less where even the dry polymer softens.
    """
    return w_wet * (1 / temperature_k - 1 / dry_k) / (1 / wet_k - 1 / dry_k)
