"""Limits for looking more than once: the overall rate of false positives is what was asked for.

Z, information and drift are those of `first_crossing`. Nothing is copied from a table.

The limits hold for a normal Z of cumulated data whose noise is known. For another statistic,
limits on its p that have the same tail probability are an approximation, to be calibrated on noise.
"""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from waveworks.dsp._validate import FloatArray, one_of, whole_number
from waveworks.dsp.first_crossing import (
    MOST_LOOKS,
    REACH,
    Paths,
    checked_information,
    crossing_probabilities,
)
from waveworks.errors import DataError

TINY = float(np.finfo(np.float64).tiny)
"""Less than this cannot be spent."""

SPENDING: dict[str, Callable[[FloatArray, float], FloatArray]] = {
    "obrien-fleming": lambda t, alpha: 2 * special.ndtr(special.ndtri(alpha / 2) / np.sqrt(t)),
    "pocock": lambda t, alpha: alpha * np.log1p((math.e - 1) * t),
    "equal": lambda t, alpha: alpha * t,
}


def sequential_limits(
    n_looks: int,
    alpha: float,
    kind: str,
    *,
    sides: int = 2,
    information: ArrayLike | None = None,
) -> FloatArray:
    """Return the limits of a group sequential test, planned before the first look.

    Parameters
    ----------
    n_looks : int
        From 1, the test with a single look, to 500.
    alpha : float
        The overall rate of false positives, between 0 and 1.
    kind : {'pocock', 'obrien-fleming'}
        The same limit at every look; or falling with the square root of the information, with
        hardly a chance to stop early and nearly the fixed test's limit at the end.
    sides : {2, 1}
        Whether |Z| or Z is held against the limit.
    information : array_like, shape (n_looks,), optional
        Information at each look, rising; only its ratios count. Equal steps if not given.

    Returns
    -------
    ndarray, shape (n_looks,)
        Limits of |Z| or Z; reaching one is crossing it.

    Raises
    ------
    DataError
        If an argument is not as described, or as `first_crossing.checked_information`.

    Notes
    -----
    By root finding on the overall rate of `crossing_probabilities`; right to 1e-6 or better.

    References
    ----------
    Pocock 1977, Biometrika 64:191-199. O'Brien & Fleming 1979, Biometrics 35:549-556 (from memory).
    """
    n_looks = whole_number(n_looks, name="n_looks", least=1, most=MOST_LOOKS)
    alpha = _alpha(alpha)
    one_of(kind, ("pocock", "obrien-fleming"), name="kind")
    one_of(sides, (1, 2), name="sides")
    looks = checked_information(np.arange(1, n_looks + 1) if information is None else information)
    if looks.size != n_looks:
        raise DataError(f"information: {looks.size} looks given, n_looks is {n_looks}")

    shape = np.ones(n_looks) if kind == "pocock" else np.sqrt(looks[-1] / looks)

    def excess(last_limit: float) -> float:
        return crossing_probabilities(last_limit * shape, looks, sides=sides).overall - alpha

    return np.asarray(_limit(excess, alpha / n_looks, sides) * shape)


def spent(information: ArrayLike, alpha: float, spending: str) -> FloatArray:
    """Return how much of the overall alpha may have been spent at each look.

    Parameters
    ----------
    information : array_like, shape (n_looks,)
        Shares t of the planned maximum, rising, at most 1.
    alpha : float
        The overall rate, of both sides together if there are two.
    spending : {'obrien-fleming', 'pocock', 'equal'}
        2 - 2 Phi(z / sqrt(t)), where 1 - Phi(z) is alpha / 2; alpha log(1 + (e - 1) t); alpha t.

    Returns
    -------
    ndarray, shape (n_looks,)
        Cumulative; alpha at t = 1.

    Raises
    ------
    DataError
        If an argument is not as described.

    Notes
    -----
    The functions spend the whole alpha, whatever the number of sides. A two-sided plan that
    spends alpha / 2 by this function on each side stops a little later in the first looks.

    References
    ----------
    Lan & DeMets 1983, Biometrika 70:659-663 (from memory).
    """
    shares = checked_information(information)
    if shares[-1] > 1 + 1e-9:  # more than the rounding of a sum of shares
        raise DataError(f"information: the last share is {shares[-1]}, the planned maximum is 1")
    function = SPENDING[one_of(spending, tuple(SPENDING), name="spending")]
    return np.asarray(function(shares, _alpha(alpha)))


def spending_limits(
    information: ArrayLike, alpha: float, spending: str, sides: int = 2
) -> FloatArray:
    """Return limits that spend alpha as information comes in.

    Each limit depends on the looks up to its own. So the looks need not be planned, and the
    information need not yet reach 1.

    Parameters
    ----------
    information : array_like, shape (n_looks,)
        Shares of the planned maximum at the looks so far, rising, at most 1. When to look must
        not depend on what was seen.
    alpha : float
        The overall rate, between 0 and 1.
    spending : {'obrien-fleming', 'pocock', 'equal'}
        See `spent`.
    sides : {2, 1}
        Whether |Z| or Z is held against the limit.

    Returns
    -------
    ndarray, shape (n_looks,)
        Limits of |Z| or Z; infinite where nothing can be spent yet. The digits of a limit
        above 9 mean no more than "hardly ever".

    Raises
    ------
    DataError
        As `spent` and `sequential_limits`.

    References
    ----------
    Lan & DeMets 1983, Biometrika 70:659-663 (from memory).
    """
    one_of(sides, (1, 2), name="sides")
    amounts = np.diff(spent(information, alpha, spending), prepend=0.0)
    looks = checked_information(information)
    limits = np.full(looks.size, math.inf)
    paths = Paths.start(looks[0])
    for k, amount in enumerate(amounts):
        if k > 0:
            paths = paths.within(limits[k - 1], sides, looks[k])
        if amount > TINY:
            limits[k] = _limit_that_spends(float(amount), paths, sides)
    return limits


def uncorrected_rate(n_looks: int, alpha: float, sides: int = 2) -> float:
    """Return what repeated looks at a limit for one look do to the rate of false positives.

    Parameters
    ----------
    n_looks : int
        Looks at equal steps of information, from 1 to 500.
    alpha : float
        The nominal rate of each look, between 0 and 1.
    sides : {2, 1}
        Whether |Z| or Z is held against the limit.

    Returns
    -------
    float
        The overall rate, alpha for one look.

    Raises
    ------
    DataError
        As `sequential_limits`.
    """
    n_looks = whole_number(n_looks, name="n_looks", least=1, most=MOST_LOOKS)
    one_of(sides, (1, 2), name="sides")
    limits = np.full(n_looks, _fixed_limit(_alpha(alpha), sides))
    return crossing_probabilities(limits, np.arange(1, n_looks + 1), sides=sides).overall


def _limit_that_spends(amount: float, paths: Paths, sides: int) -> float:
    """Return the limit of Z that these paths, without drift, cross with that probability."""

    def excess(limit: float) -> float:
        return sides * paths.above(limit) - amount

    return _limit(excess, amount, sides)


def _limit(excess: Callable[[float], float], least_alpha: float, sides: int) -> float:
    """Return the limit without excess; it is at most that of one look at `least_alpha`."""
    lowest = 0.0 if sides == 2 else -REACH
    highest = _fixed_limit(least_alpha, sides) + 1e-6  # may be the limit itself, but for rounding
    return float(optimize.brentq(excess, lowest, highest))


def _fixed_limit(alpha: float, sides: int) -> float:
    """Return the limit for a single look."""
    return -float(special.ndtri(alpha / sides))


def _alpha(alpha: float) -> float:
    """Return alpha as a number between 0 and 1."""
    if not 0 < alpha < 1:
        raise DataError(f"alpha is {alpha}; it must lie between 0 and 1, both excluded")
    return float(alpha)
