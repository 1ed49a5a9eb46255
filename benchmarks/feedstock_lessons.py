"""Knowledge that the weighed spools of a feedstock pass on to the others.

Uptake, diffusivity, its activation energy and the shape of the isotherm belong to the feedstock; lots of it differ
a little. So the weighings of one spool are evidence about the next. Each spool's own ensemble says what it knows,
as a normal distribution over the numbers that are shared (their standard normal points); these multiply, as
independent evidence does, each widened by the difference between lots. A spool learns from the others only,
never from itself, so that no weighing counts twice.

Errors that spools have in common (the same hygrometer, scale and model) do not average out. That is why many
spools together count as no more than MOST of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spools.physics.air import Array
from spools.physics.ensemble import Members

# Lots of a feedstock differ by this share of what is unknown about the feedstock. Common practice, no source.
LOT_SD = 0.3
# Evidence that narrows a number by less than this share of its variance may be chance among so few members.
LEAST_NARROWING = 0.2
# So many spools with the same errors teach no less than any number of them.
MOST = 4.0
# The common knowledge is rounded to this share of a spread: a further weighing of many changes nothing.
ROUNDED = 0.05


@dataclass(frozen=True)
class Lesson:
    """Evidence about the shared numbers, in the form that adds up.

    precision: inverse covariance, (numbers, numbers); pull: precision times the likely points, (numbers,).
    """

    precision: Array
    pull: Array


def lesson_from(members: Members, names: Sequence[str]) -> Lesson:
    """The evidence in the members that a spool's own weighings moved, its prior taken out.

    Parameters
    ----------
    members : Members
        After the weighings, from members.first_members().
    names : sequence of str
        The shared numbers.

    Returns
    -------
    Lesson
        The evidence about the feedstock.
    """
    points = np.column_stack([members.point(name) for name in names])
    variances, axes = np.linalg.eigh(np.atleast_2d(np.cov(points.T, bias=True)))
    variances = np.maximum(variances, 1e-4)
    narrowed = variances < 1 - LEAST_NARROWING
    precision = np.where(narrowed, 1 / variances - 1, 0.0)
    pull = np.where(narrowed, (axes.T @ points.mean(0)) / variances, 0.0)
    other_lots = 1 / (1 + LOT_SD**2 * precision)
    return Lesson((axes * (precision * other_lots)) @ axes.T, axes @ (pull * other_lots))


@dataclass(frozen=True)
class Knowledge:
    """The shared numbers of another spool of the feedstock, as a normal distribution of their points.

    middle: (numbers,); factor: lower triangle, which times itself is the covariance, (numbers, numbers). Both in
    whole steps of ROUNDED.
    """

    middle: Array
    factor: Array

    def members(self, first: Members, names: Sequence[str]) -> Members:
        """The members that a spool starts with, from members.first_members(); names: of the shared numbers."""
        columns = [first.names.index(name) for name in names]
        points = first.points.copy()
        points[:, columns] = ROUNDED * (self.middle + points[:, columns] @ self.factor.T)
        return Members(first.names, points)


def combine(lessons: Sequence[Lesson], count: int) -> Knowledge:
    """The knowledge that lessons of other spools of a feedstock add up to.

    Parameters
    ----------
    lessons : sequence of Lesson
        In an order that does not change: sums depend on it in the last bits.
    count : int
        Shared numbers.

    Returns
    -------
    Knowledge
        That of the catalogue without lessons.
    """
    share = 1 / (1 + (len(lessons) - 1) / MOST) if lessons else 0.0
    precision, pull = np.eye(count) / (1 - LOT_SD**2), np.zeros(count)
    for lesson in lessons:
        precision = precision + share * lesson.precision
        pull = pull + share * lesson.pull
    covariance = np.linalg.inv(precision)
    factor = np.linalg.cholesky(covariance + LOT_SD**2 * np.eye(count))
    # Adding 0 makes -0 a 0.
    return Knowledge(np.round(covariance @ pull / ROUNDED) + 0.0, np.round(factor / ROUNDED) + 0.0)
