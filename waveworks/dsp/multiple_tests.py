"""Several tests of one recording."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waveworks.errors import DataError


def holm(pvalues: ArrayLike) -> NDArray[np.float64]:
    """Return p values that hold for all tests together.

    Parameters
    ----------
    pvalues : array_like, shape (n_tests,)
        Of each test; NaN is a test that was not made and stays NaN.

    Returns
    -------
    ndarray, shape (n_tests,)
        Where one of them is at most alpha, the chance that any test of a recording without a
        response is so is at most alpha, however the tests depend on each other.

    Raises
    ------
    DataError
        If a p is not between 0 and 1.

    References
    ----------
    Holm 1979, Scand J Statist 6:65-70 (from memory).
    """
    p = np.asarray(pvalues, dtype=np.float64)
    made = np.flatnonzero(~np.isnan(p))
    if ((p[made] < 0) | (p[made] > 1)).any():
        raise DataError(f"pvalues must be between 0 and 1, given {p.tolist()}")
    order = made[np.argsort(p[made], kind="stable")]
    adjusted = np.full(p.shape, np.nan)
    factors = np.arange(len(order), 0, -1)
    adjusted[order] = np.minimum(np.maximum.accumulate(factors * p[order]), 1)
    return adjusted
