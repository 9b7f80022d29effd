"""What the pictures of detection share: checked chances, and how they are written."""

import numpy as np
from numpy.typing import ArrayLike

from waveworks.errors import DataError
from waveworks.plots.curves import FloatArray
from waveworks.plots.style import Look
from waveworks.plots.text import INK, short

HOLLOW: Look = {
    "marker": "o",
    "markersize": 5.0,
    "markerfacecolor": "white",
    "markeredgecolor": INK,
}
"""A marker of something that was read from a curve."""

_SMALLEST = 1e-6


def chances(values: ArrayLike, *, name: str, missing: bool = True) -> FloatArray:
    """Return numbers from 0 to 1, or say what is wrong with them.

    Parameters
    ----------
    values : array_like, shape (n,)
        The caller's; may be empty.
    name : str
        What to call them in an error.
    missing : bool
        Whether some may be NaN.

    Returns
    -------
    ndarray, shape (n,)

    Raises
    ------
    DataError
        If they are not numbers in one dimension, or one is not from 0 to 1.
    """
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise DataError(f"{name}: not an array of numbers with 1 dimension") from None
    if array.ndim != 1:
        raise DataError(f"{name}: {array.ndim} dimensions given, 1 needed")
    wrong = ~((array >= 0) & (array <= 1) | (missing & np.isnan(array)))
    if wrong.any():
        place = int(np.argmax(wrong))
        raise DataError(f"{name}: value at index {place} is {array[place]:g}, not from 0 to 1")
    return array


def percent(chance: float) -> str:
    """Return a chance in percent, with two digits.

    Parameters
    ----------
    chance : float
        From 0 to 1.

    Returns
    -------
    str
    """
    if chance < _SMALLEST:
        return f"less than {short(100 * _SMALLEST)} %"
    return f"{short(float(f'{100 * chance:.2g}'))} %"


def with_sign(chance: float) -> str:
    """Return a p with two digits after an equals sign, or below what matters to anybody.

    Parameters
    ----------
    chance : float
        From 0 to 1.

    Returns
    -------
    str
    """
    if chance < _SMALLEST:
        return f"< {short(_SMALLEST)}"
    return f"= {short(float(f'{chance:.2g}'))}"
