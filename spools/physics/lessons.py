"""Knowledge that the weighed spools of a feedstock pass on to those that come later.

Uptake, diffusivity, its activation energy and the shape of the isotherm belong to the feedstock, and its spools arrive
about as wet, for they are packed alike; lots of it differ a little. So the weighings of one spool are evidence about the
next. Each spool's own ensemble says what it knows, as a normal distribution over the numbers that are shared (their
standard normal points); these multiply, as independent evidence does, each widened by the difference between lots.

Errors that spools have in common (the same hygrometer, scale and model) do not average out. That is why many
spools together count as no more than MOST of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .air import Array
from .ensemble import Members

# Evidence that narrows a number by less than this share of its variance may be chance among so few members.
LEAST_NARROWING = 0.2
# So many spools with the same errors teach no less than any number of them.
MOST = 8.0


@dataclass(frozen=True)
class Lesson:
    """Evidence about the shared numbers, in the form that adds up.

    precision: inverse covariance, (numbers, numbers); pull: precision times the likely points, (numbers,).
    """

    precision: Array
    pull: Array

    def without(self, number: int) -> Lesson:
        """The same about all numbers but one, of which nothing is known any more."""
        coupling = self.precision[:, number] / (1 + self.precision[number, number])
        precision = self.precision - np.outer(coupling, self.precision[number])
        pull = self.pull - coupling * self.pull[number]
        precision[number] = precision[:, number] = pull[number] = 0.0
        return Lesson(precision, pull)


def lesson_from(members: Members, lots: Mapping[str, float]) -> Lesson:
    """The evidence about another lot in the members that a spool's own weighings moved, their prior taken out.

    Parameters
    ----------
    members : Members
        After the weighings, from ensemble.first_members().
    lots : mapping of str to float
        The shared numbers, with the standard deviation of a lot from its feedstock in spreads of the catalogue.

    Returns
    -------
    Lesson
        The evidence about the feedstock.
    """
    points = np.column_stack([members.point(name) for name in lots])
    variances, axes = np.linalg.eigh(np.cov(points.T, bias=True))
    variances = np.maximum(variances, 1e-4)
    narrowed = variances < 1 - LEAST_NARROWING
    precision = (axes * np.where(narrowed, 1 / variances - 1, 0.0)) @ axes.T
    pull = axes @ np.where(narrowed, (axes.T @ points.mean(0)) / variances, 0.0)
    other_lot = np.linalg.inv(np.eye(len(lots)) + precision @ np.diag(_variances(lots)))
    return Lesson(other_lot @ precision, other_lot @ pull)


@dataclass(frozen=True)
class Knowledge:
    """The shared numbers of another spool of the feedstock, as a normal distribution of their points.

    middle: (numbers,); factor: lower triangle, which times itself is the covariance, (numbers, numbers).
    """

    middle: Array
    factor: Array

    def members(self, first: Members, lots: Mapping[str, float]) -> Members:
        """The members that a spool starts with, from ensemble.first_members()."""
        columns = [first.names.index(name) for name in lots]
        points = first.points.copy()
        points[:, columns] = self.middle + points[:, columns] @ self.factor.T
        return Members(first.names, points)


def combine(lessons: Sequence[Lesson], lots: Mapping[str, float]) -> Knowledge:
    """The knowledge that lessons of other spools of a feedstock add up to.

    Parameters
    ----------
    lessons : sequence of Lesson
        In an order that does not change: sums depend on it in the last bits.
    lots : mapping of str to float
        As for lesson_from.

    Returns
    -------
    Knowledge
        That of the catalogue without lessons.
    """
    share = 1 / (1 + (len(lessons) - 1) / MOST) if lessons else 0.0
    precision, pull = np.diag(1 / (1 - _variances(lots))), np.zeros(len(lots))
    for lesson in lessons:
        precision = precision + share * lesson.precision
        pull = pull + share * lesson.pull
    covariance = np.linalg.inv((precision + precision.T) / 2)
    factor = np.linalg.cholesky(covariance + np.diag(_variances(lots)))
    return Knowledge(covariance @ pull, factor)


def _variances(lots: Mapping[str, float]) -> Array:
    return np.array(list(lots.values())) ** 2
