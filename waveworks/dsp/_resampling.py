"""What tests by resampling share: their random numbers, the caller's statistic, and the p."""

import operator
from collections.abc import Callable

import numpy as np

from waveworks.dsp._validate import FloatArray
from waveworks.errors import DataError

Statistic = Callable[[FloatArray], FloatArray]
"""From averages, shape (n, n_samples), to n values; a larger one is more of a response."""

MOST_DRAWS = 10_000_000

TIES = 1e-10
"""Values within this share of the observed one are equal to it: they were added up in another
order."""


def generator(seed: int | np.random.Generator | None) -> np.random.Generator:
    """Return the source of random numbers.

    Parameters
    ----------
    seed : int, numpy.random.Generator or None
        A number decides every draw; a generator moves on; None draws anew each time.

    Returns
    -------
    numpy.random.Generator

    Raises
    ------
    DataError
        If it is none of them.
    """
    if isinstance(seed, np.random.Generator):
        return seed
    try:
        return np.random.default_rng(None if seed is None else operator.index(seed))
    except (TypeError, ValueError):
        raise DataError(
            f"seed is {seed!r}; give a whole number of at least 0, a numpy Generator or None"
        ) from None


def upper_p(observed: float, drawn: FloatArray) -> float:
    """Return the p of an observed value among values drawn without a response.

    Parameters
    ----------
    observed : float
        What the recording gave.
    drawn : ndarray, shape (n_draws,)
        The others.

    Returns
    -------
    float
        (b + 1) / (n_draws + 1) with b of them at least as large; never 0.
    """
    at_least = drawn >= observed - TIES * abs(observed)
    return (int(np.count_nonzero(at_least)) + 1) / (drawn.size + 1)


def checked_statistic(statistic: Statistic) -> Statistic:
    """Return a caller's statistic that refuses what is not one finite value an average.

    Parameters
    ----------
    statistic : callable
        From an array of shape (n, n_samples) to one of shape (n,).

    Returns
    -------
    callable

    Raises
    ------
    DataError
        If it is not callable; the returned one, if a result is of another shape or not finite.
    """
    if not callable(statistic):
        raise DataError(f"statistic is {statistic!r}; it must be a function of averages, or None")

    def values_of(averages: FloatArray) -> FloatArray:
        n_averages = len(averages)
        values = np.asarray(statistic(averages), dtype=np.float64)
        if values.shape != (n_averages,):
            raise DataError(
                f"statistic: shape {values.shape} returned for {n_averages} averages of "
                f"{averages.shape[1]} samples; one value each, shape ({n_averages},), needed"
            )
        if not np.isfinite(values).all():
            worst = values[~np.isfinite(values)][0]
            raise DataError(f"statistic: {worst} returned for an average; finite numbers needed")
        return values

    return values_of
