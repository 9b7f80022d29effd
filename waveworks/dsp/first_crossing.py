"""The first crossing of limits that are looked at again and again, by numerical integration.

A look comes when the data hold some information I, as a rule the number of sweeps so far. There
the test has a statistic Z, normal with variance 1 and mean drift * sqrt(I); without a response the
drift is 0. The score Z sqrt(I) grows by independent normal steps, so the density of the scores
that have crossed no limit is carried from look to look (Armitage, McPherson & Rowe 1969, from
memory).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from waveworks.dsp._validate import FloatArray, finite_array, one_of, whole_number
from waveworks.errors import DataError

MOST_LOOKS = 500
"""Integration time grows with the square of the looks: 0.1 s for 50, 10 s for the limits of 500."""

LEAST_STEP = 1e-3
"""Least share of the information that a look must add: less makes the integration long."""

REACH = 10.0
"""The score is followed within so many standard deviations; 2e-23 of it is beyond."""

NODES, WEIGHTS = np.polynomial.legendre.leggauss(16)
PANEL = 6.0
"""Width of a panel of 16 nodes, in standard deviations of the sharpest feature of the density."""


@dataclass(frozen=True, eq=False)
class Crossing:
    """Where a sequence of looks stops.

    Parameters
    ----------
    information : ndarray, shape (n_looks,)
        At each look.
    drift : float
        Mean of Z per square root of information.
    upper, lower : ndarray, shape (n_looks,)
        Probability that the look is the first to cross, at Z >= limit and at Z <= -limit.
        `lower` is 0 for a one-sided test.
    """

    information: FloatArray
    drift: float
    upper: FloatArray
    lower: FloatArray

    @property
    def overall(self) -> float:
        """The probability to cross at any look: the overall alpha when the drift is 0."""
        return float(self.upper.sum() + self.lower.sum())

    @property
    def power(self) -> float:
        """The probability to cross on the side to which the drift points, the upper one for 0."""
        return float((self.lower if self.drift < 0 else self.upper).sum())

    @property
    def maximum_information(self) -> float:
        """The information at the last look."""
        return float(self.information[-1])

    @property
    def expected_information(self) -> float:
        """The mean information when it stops, at the last look if not before."""
        saved = self.information[-1] - self.information
        return float(self.information[-1] - (self.upper + self.lower) @ saved)


@dataclass(frozen=True, eq=False)
class Paths:
    """The scores that have crossed no limit, just before a look.

    Parameters
    ----------
    score, mass : ndarray, shape (n_nodes,)
        Where they were at the look before, and how probable that is.
    step : float
        The information that this look adds.
    information : float
        All of it at this look.
    drift : float
        Mean of Z per square root of information.
    """

    score: FloatArray
    mass: FloatArray
    step: float
    information: float
    drift: float

    @classmethod
    def start(cls, information: float, drift: float = 0.0) -> "Paths":
        """Return the one path before the first look, from no information and score 0.

        Parameters
        ----------
        information : float
            At the first look.
        drift : float
            Mean of Z per square root of information.

        Returns
        -------
        Paths
        """
        return cls(np.zeros(1), np.ones(1), information, information, drift)

    def above(self, limit: float) -> float:
        """Return the probability that this look is reached and Z is at or above a limit.

        Parameters
        ----------
        limit : float
            Of Z.

        Returns
        -------
        float
        """
        return float(self.mass @ special.ndtr(self._beyond(limit)))

    def below(self, limit: float) -> float:
        """Return the probability that this look is reached and Z is at or below a limit.

        Parameters
        ----------
        limit : float
            Of Z.

        Returns
        -------
        float
        """
        return float(self.mass @ special.ndtr(-self._beyond(limit)))

    def within(self, limit: float, sides: int, information: float) -> "Paths":
        """Return the paths that do not cross at this look, just before the next one.

        Parameters
        ----------
        limit : float
            Of |Z|, or of Z if one-sided, at this look.
        sides : {2, 1}
            Whether |Z| or Z is held against the limit.
        information : float
            At the next look.

        Returns
        -------
        Paths
        """
        root, middle = math.sqrt(self.information), self.drift * self.information
        low, high = middle - REACH * root, min(middle + REACH * root, limit * root)
        if sides == 2:
            low = max(low, -limit * root)
        step = information - self.information
        sharpest = 1 / math.sqrt(1 / self.step + 1 / step)
        score, weights = _quadrature(low, max(low, high), PANEL * sharpest)
        return Paths(score, weights * self._density(score), step, information, self.drift)

    def _beyond(self, limit: float) -> FloatArray:
        """Return each expected score minus the limit, in standard deviations of the step."""
        expected = self.score + self.drift * self.step
        return np.asarray((expected - limit * math.sqrt(self.information)) / math.sqrt(self.step))

    def _density(self, score: FloatArray) -> FloatArray:
        """Return the density of the score at this look, with those that cross here."""
        z = score[:, np.newaxis] - (self.score + self.drift * self.step)
        z /= math.sqrt(self.step)
        return np.asarray(np.exp(-0.5 * z * z) @ self.mass) / math.sqrt(2 * math.pi * self.step)


def crossing_probabilities(
    limits: ArrayLike, information: ArrayLike, drift: float = 0.0, sides: int = 2
) -> Crossing:
    """Return how probably each look is the first to cross its limit.

    Parameters
    ----------
    limits : array_like, shape (n_looks,)
        Of |Z|, or of Z if one-sided. Infinity is a look at which nothing can be crossed.
    information : array_like, shape (n_looks,)
        Information at each look, positive and rising.
    drift : float
        Mean of Z per square root of information; so it is the mean of the last Z when information
        is given as shares of its maximum. 0 is no response.
    sides : {2, 1}
        Whether |Z| or Z is held against the limit.

    Returns
    -------
    Crossing

    Raises
    ------
    DataError
        If a limit is NaN, or negative in a two-sided test, if lengths differ, if the drift is not
        finite, or as `checked_information`.
    """
    one_of(sides, (1, 2), name="sides")
    looks = checked_information(information).copy()
    bounds = _limits(limits, sides, looks.size)
    if not math.isfinite(drift):
        raise DataError(f"drift is {drift}; it must be a finite number")

    upper, lower = np.zeros(looks.size), np.zeros(looks.size)
    paths = Paths.start(looks[0], float(drift))
    for k, bound in enumerate(bounds):
        if k > 0:
            paths = paths.within(bounds[k - 1], sides, looks[k])
        upper[k] = paths.above(bound)
        lower[k] = paths.below(-bound) if sides == 2 else 0.0
    for result in (looks, upper, lower):
        result.setflags(write=False)
    return Crossing(information=looks, drift=float(drift), upper=upper, lower=lower)


def checked_information(values: ArrayLike) -> FloatArray:
    """Return the information at each look, or say what is wrong with it.

    Parameters
    ----------
    values : array_like, shape (n_looks,)
        In any unit, at most 500 looks.

    Returns
    -------
    ndarray, shape (n_looks,)

    Raises
    ------
    DataError
        If it is not positive and rising, by at least 1/1000 of itself at each look.
    """
    looks = finite_array(values, name="information", ndim=1)
    whole_number(looks.size, name="number of looks", least=1, most=MOST_LOOKS)
    steps = np.diff(looks, prepend=0.0)
    wrong = (looks <= 0) | (steps < LEAST_STEP * looks)
    if wrong.any():
        k = int(np.argmax(wrong))
        before = f" after {looks[k - 1]}" if k > 0 else ""
        raise DataError(
            f"information at look {k + 1} is {looks[k]}{before}; it must be positive and rise by "
            f"at least {LEAST_STEP} of itself"
        )
    return looks


def _quadrature(low: float, high: float, panel: float) -> tuple[FloatArray, FloatArray]:
    """Return nodes and weights of Gauss-Legendre integration over panels of at most that width."""
    edges = np.linspace(low, high, max(1, math.ceil((high - low) / panel)) + 1)
    half = np.diff(edges)[:, np.newaxis] / 2
    nodes = edges[:-1, np.newaxis] + half * (NODES + 1)
    return nodes.ravel(), (half * WEIGHTS).ravel()


def _limits(values: ArrayLike, sides: int, n_looks: int) -> FloatArray:
    """Return a limit for each look; infinity is one."""
    limits = np.asarray(values, dtype=np.float64)
    if limits.shape != (n_looks,):
        raise DataError(f"limits: shape {limits.shape} given, {n_looks} looks in information")
    least = 0.0 if sides == 2 else -math.inf
    wrong = ~(limits >= least)
    if wrong.any():
        k = int(np.argmax(wrong))
        raise DataError(f"limit at look {k + 1} is {limits[k]}; it must be a number from {least}")
    return limits
