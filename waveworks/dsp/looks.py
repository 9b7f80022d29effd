"""Looking at one recording again and again, with a stated rate of false positives for all looks.

At each look a test of the sweeps so far gives a p. Stopping as soon as it is below the nominal
level would fire far too often, so the levels are lowered until the share of noise that is below
its level at any look is the overall alpha. That share is counted on paths: p values at all looks
of many recordings without a response, with the noise of this one.
"""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from waveworks.dsp._validate import finite_array, one_of, whole_number
from waveworks.dsp.group_sequential import spent
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]

KINDS = ("constant", "obrien-fleming", "spending-obrien-fleming", "spending-pocock")

_ENOUGH = 50
"""Paths that must cross for a limit to be counted: it then has a standard error of 14 %."""

_AT_ONCE = 20_000


def quadratic_p_paths(
    eigenvalues: ArrayLike, n_sweeps: ArrayLike, n_paths: int = 20_000, seed: int = 0
) -> FloatArray:
    """Draw what the p of a quadratic form does over the looks without a response.

    Parameters
    ----------
    eigenvalues : array_like, shape (n_components,)
        Weights of the squares, such as those of `average_noise`; equal ones for Hotelling's T2.
    n_sweeps : array_like, shape (n_looks,)
        Sweeps at each look, rising.
    n_paths : int
        Recordings to draw.
    seed : int
        Decides the draws.

    Returns
    -------
    ndarray, shape (n_paths, n_looks)
        Ranked among all draws and looks, so that each column is uniform.

    Raises
    ------
    DataError
        If the eigenvalues are negative or all 0, or the counts do not rise.
    """
    weights = finite_array(eigenvalues, name="eigenvalues", ndim=1)
    counts = checked_looks(n_sweeps)
    whole_number(n_paths, name="n_paths", least=1, most=10_000_000)
    if weights.min() < 0 or not weights.max() > 0:
        raise DataError("eigenvalues must be at least 0, and not all 0")
    # Components of less than a thousandth of the largest change no rank that matters; what they
    # add on average is added.
    large = weights[weights > 1e-3 * weights.max()]
    rng = np.random.default_rng(seed)
    values = np.empty((len(counts), n_paths))
    for start in range(0, n_paths, _AT_ONCE):
        rows = slice(start, min(start + _AT_ONCE, n_paths))
        summed = np.zeros((rows.stop - start, len(large)))
        for look, added in enumerate(np.diff(counts, prepend=0)):
            summed += math.sqrt(added) * rng.standard_normal(summed.shape)
            values[look, rows] = (summed**2 @ large) / counts[look]
    return ranked(values.T)


def ranked(values: FloatArray) -> FloatArray:
    """Turn statistics of noise, the same in distribution at all looks, into p values.

    Parameters
    ----------
    values : ndarray, shape (n_paths, n_looks)
        Larger for more of a response.

    Returns
    -------
    ndarray, shape of `values`
        Share of all values that are at least as large.
    """
    order = np.sort(values, axis=None)
    below = np.searchsorted(order, values, side="left")
    return np.asarray((order.size - below) / order.size)


def levels_from_paths(
    p_paths: FloatArray, n_sweeps: ArrayLike, alpha: float, kind: str = "constant"
) -> FloatArray:
    """Return the nominal level at each look that keeps an overall rate of false positives.

    Parameters
    ----------
    p_paths : ndarray, shape (n_paths, n_looks)
        p values of recordings without a response at all looks.
    n_sweeps : array_like, shape (n_looks,)
        Sweeps at each look, rising.
    alpha : float
        Share of recordings without a response that may be found at any look.
    kind : {'constant', 'obrien-fleming', 'spending-obrien-fleming', 'spending-pocock'}
        One level for all looks; levels as of normal limits that fall with the root of the sweeps
        (O'Brien and Fleming 1979, from memory); or what a spending function allows at each look
        (Lan and DeMets 1983, from memory), whose levels do not depend on later looks.

    Returns
    -------
    ndarray, shape (n_looks,)
        Detected is where p is at most the level; 0 where a look has nothing to spend.

    Raises
    ------
    DataError
        If alpha is not between 0 and 1, the kind is unknown, the shapes differ, or so few paths
        would cross that no level can be counted.
    """
    counts = checked_looks(n_sweeps)
    paths = finite_array(p_paths, name="p_paths", ndim=2)
    one_of(kind, KINDS, name="kind")
    if not 0 < alpha < 1:
        raise DataError(f"alpha is {alpha:g}; it must be between 0 and 1")
    if paths.shape[1] != len(counts):
        raise DataError(f"p_paths has {paths.shape[1]} looks, n_sweeps {len(counts)}")
    if alpha * len(paths) < _ENOUGH:
        raise DataError(
            f"{len(paths)} paths: {alpha * len(paths):g} would cross at alpha {alpha:g}, "
            f"at least {_ENOUGH} are needed"
        )
    if kind == "constant":
        return np.full(len(counts), np.quantile(paths.min(axis=1), alpha, method="lower"))
    information = counts / counts[-1]
    if kind == "obrien-fleming":
        return _scaled(paths, alpha, lambda c: special.erfc(c / np.sqrt(2 * information)))
    return _spending(paths, spent(information, alpha, kind.removeprefix("spending-")))


def first_look(pvalues: FloatArray, levels: FloatArray) -> NDArray[np.int64]:
    """Return the first look at which p is at most its level.

    Parameters
    ----------
    pvalues : ndarray, shape (..., n_looks)
        At each look; NaN is not found.
    levels : ndarray, shape (n_looks,)
        From `levels_from_paths`.

    Returns
    -------
    ndarray of int, shape (...)
        Index of the look; -1 where there was none.
    """
    found = (pvalues <= levels) & (levels > 0)  # a level of 0 has nothing to spend
    return np.where(found.any(axis=-1), found.argmax(axis=-1), -1)


def checked_looks(n_sweeps: ArrayLike) -> FloatArray:
    """Return the counts of sweeps at the looks, or say what is wrong with them.

    Parameters
    ----------
    n_sweeps : array_like, shape (n_looks,)
        The caller's.

    Returns
    -------
    ndarray, shape (n_looks,)

    Raises
    ------
    DataError
        If they are not whole numbers of at least 1 that rise.
    """
    counts = finite_array(n_sweeps, name="n_sweeps", ndim=1)
    if (counts != np.round(counts)).any() or counts[0] < 1 or (np.diff(counts) <= 0).any():
        raise DataError("n_sweeps at the looks must be whole numbers of at least 1 that rise")
    return counts


def _scaled(
    paths: FloatArray, alpha: float, levels_of: Callable[[float], FloatArray]
) -> FloatArray:
    """Return the levels of a family, falling with its parameter, that cross at the rate alpha."""

    def excess(parameter: float) -> float:
        crossed = (paths <= levels_of(parameter)).any(axis=1)
        return float(crossed.mean()) - alpha

    parameter = optimize.bisect(excess, 0.0, 40.0, xtol=1e-6)
    return levels_of(float(parameter) + 1e-6)


def _spending(paths: FloatArray, cumulative: FloatArray) -> FloatArray:
    """Return levels that spend a given share of all paths at each look, first crossings only."""
    levels = np.zeros(len(cumulative))
    crossed = np.zeros(len(paths), dtype=bool)
    for look, share in enumerate(cumulative):
        left = int(share * len(paths)) - int(crossed.sum())
        if left > 0:
            p = np.sort(paths[~crossed, look])
            levels[look] = p[left - 1]
            crossed |= paths[:, look] <= levels[look]
    return levels
