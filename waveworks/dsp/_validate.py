"""The checks that every function of the arithmetic makes before its mathematics."""

import operator
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waveworks.errors import DataError

FloatArray = NDArray[np.float64]


def finite_array(values: ArrayLike, *, name: str, ndim: int) -> FloatArray:
    """Return `values` as a float64 array, or say what is wrong with it.

    Parameters
    ----------
    values : array_like
        The caller's numbers; read-only and strided input is fine and is not copied.
    name : str
        What to call it in an error.
    ndim : int
        The number of dimensions it must have.

    Returns
    -------
    ndarray of float64

    Raises
    ------
    DataError
        If it is empty, not numeric, not finite or of another dimension.
    """
    array = _numbers(values, name, ndim)
    if not np.isfinite(array).all():
        place = tuple(int(i) for i in np.argwhere(~np.isfinite(array))[0])
        raise DataError(f"{name}: value at index {place} is {array[place]}, not a finite number")
    return array


def sweeps_array(
    values: ArrayLike, *, name: str = "sweeps", least: int = 2, finite: bool = True
) -> FloatArray:
    """Return a finite (n_sweeps, n_samples) array with at least `least` sweeps.

    Parameters
    ----------
    values : array_like, shape (n_sweeps, n_samples)
        One sweep a row, in nV.
    name : str
        What to call it in an error.
    least : int
        The fewest rows that the question needs.
    finite : bool
        False leaves NaN and infinity to the caller, who meets them anyway: the look at every
        number costs as much as their mean.

    Returns
    -------
    ndarray of float64, shape (n_sweeps, n_samples)

    Raises
    ------
    DataError
        As `finite_array`, or if there are too few rows.
    """
    array = finite_array(values, name=name, ndim=2) if finite else _numbers(values, name, 2)
    if array.shape[0] < least:
        raise DataError(f"{name}: {array.shape[0]} given, at least {least} needed")
    return array


def at_least_two_samples(array: FloatArray, *, name: str) -> None:
    """Refuse a window of one sample.

    Parameters
    ----------
    array : ndarray, shape (n, n_samples)
        Of the window.
    name : str
        What to call it in an error.

    Raises
    ------
    DataError
        If there is one sample only.
    """
    if array.shape[1] < 2:
        raise DataError(f"{name}: 1 sample in the window; its variance over time needs at least 2")


def even_times(values: ArrayLike, *, n_samples: int) -> FloatArray:
    """Return the times of a trace, or say why they are not those of uniform sampling.

    Parameters
    ----------
    values : array_like, shape (n_samples,)
        In ms.
    n_samples : int
        Of the trace.

    Returns
    -------
    ndarray of float64, shape (n_samples,)

    Raises
    ------
    DataError
        If there are fewer or more than samples, or they do not rise evenly.
    """
    times = finite_array(values, name="times_ms", ndim=1)
    if len(times) != n_samples:
        raise DataError(f"trace has {n_samples} samples, times_ms has {len(times)}")
    steps = np.diff(times)
    if not steps.size or steps.min() <= 0 or np.ptp(steps) > 1e-3 * steps.mean():
        least, most = (steps.min(), steps.max()) if steps.size else (np.nan, np.nan)
        raise DataError(f"times_ms must rise evenly; its steps go from {least:g} to {most:g} ms")
    return times


def positive_counts(values: ArrayLike, *, name: str, length: int) -> FloatArray:
    """Return `length` positive finite counts, spreading a single number over all of them.

    Parameters
    ----------
    values : array_like
        One number, or `length` of them.
    name : str
        What to call it in an error.
    length : int
        How many are needed.

    Returns
    -------
    ndarray of float64, shape (length,)

    Raises
    ------
    DataError
        If the number of values differs from `length` or one is not positive.
    """
    counts = np.asarray(values, dtype=np.float64)
    if counts.ndim == 0:
        counts = np.full(length, float(counts))
    if counts.shape != (length,):
        raise DataError(f"{name}: {counts.size} values given, {length} needed")
    if not (np.isfinite(counts).all() and (counts > 0).all()):
        raise DataError(f"{name}: every count must be a positive number, given {counts.tolist()}")
    return counts


def whole_number(value: int, *, name: str, least: int, most: int) -> int:
    """Return a whole number that lies within limits, or say what is wrong with it.

    Parameters
    ----------
    value : int
        The caller's number; numpy integers are fine.
    name : str
        What to call it in an error.
    least, most : int
        The smallest and the largest that it may be.

    Returns
    -------
    int

    Raises
    ------
    DataError
        If it is not a whole number or lies outside.
    """
    try:
        number = operator.index(value)
    except TypeError:
        number = None
    if number is None or not least <= number <= most:
        raise DataError(f"{name} is {value!r}; it must be a whole number from {least} to {most}")
    return number


def one_of(value: Any, allowed: tuple[Any, ...], *, name: str) -> Any:
    """Return `value` if it is allowed, or name the choices.

    Parameters
    ----------
    value : object
        The caller's choice.
    allowed : tuple
        The choices.
    name : str
        What to call it in an error.

    Returns
    -------
    object
        `value` itself.

    Raises
    ------
    DataError
        If it is none of them.
    """
    if value not in allowed:
        raise DataError(f"{name} is {value!r}; it must be one of {', '.join(map(repr, allowed))}")
    return value


def _numbers(values: ArrayLike, name: str, ndim: int) -> FloatArray:
    """Return `values` as a float64 array of `ndim` dimensions, finite or not."""
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise DataError(f"{name}: not an array of numbers with {ndim} dimensions") from None
    if array.ndim != ndim:
        raise DataError(f"{name}: {array.ndim} dimensions given, {ndim} needed")
    if array.size == 0:
        raise DataError(f"{name}: empty, shape {array.shape}")
    return array
