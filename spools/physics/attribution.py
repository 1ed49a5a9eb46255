"""The uncertain numbers that explain most of the spread of a result.

References
----------
[1] Saltelli, A. et al. (2004), Sensitivity Analysis in Practice, Wiley: standardised rank regression coefficients
    (from memory).
"""

from collections.abc import Mapping

import numpy as np

from .air import Array


def explained_shares(values: Array, points: Mapping[str, Array]) -> dict[str, float]:
    """The share of the spread of a result that each uncertain number explains, by rank regression [1].

    Ranks suffice, since a result rises or falls with each number, and the order of the members decides which of them are
    over a limit. A regression on all numbers together, because among some 30 members each two are correlated by chance.

    Parameters
    ----------
    values : ndarray
        The result of each member, (members,).
    points : mapping of str to ndarray
        The deviates of each number, (members,).

    Returns
    -------
    dict of str to float
        Shares [0..1] by the same names, the greatest first; together the share that all explain; all 0 where the members
        are equal.
    """
    if np.ptp(values) == 0:
        return dict.fromkeys(points, 0.0)
    ranked = _centred_ranks(values)
    columns = _centred_ranks(np.column_stack(list(points.values())))
    effects, *_ = np.linalg.lstsq(columns, ranked, rcond=None)
    explained = 1 - ((ranked - columns @ effects) ** 2).sum() / (ranked**2).sum()
    squares = effects**2 * (columns**2).sum(0)
    shares = explained * squares / squares.sum()
    return dict(sorted(zip(points, shares.tolist(), strict=True), key=lambda item: -item[1]))


def _centred_ranks(values: Array) -> Array:
    """Along the members, equal ones in their order."""
    ranks = values.argsort(axis=0, kind="stable").argsort(axis=0)
    return np.asarray(ranks - (len(values) - 1) / 2)
