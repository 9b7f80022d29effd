"""Time axes from time stamps: the rate from the first and the last, oddities reported."""

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import LoadError
from waveworks.model import TimeAxis

FloatArray = NDArray[np.float64]

# Stamps this close to a steady rate, in steps, are steady: far below what a latency can show.
_STEADY_STEPS = 0.01


def rate_from_stamps(stamps_ms: FloatArray, *, where: str) -> tuple[float, tuple[str, ...]]:
    """Return the sampling rate and what is odd about the stamps.

    Parameters
    ----------
    stamps_ms : ndarray, shape (n_samples,)
        Time of every sample in ms, in the order of the file.
    where : str
        The file to name in an error or a note.

    Returns
    -------
    sfreq_hz : float
        (n - 1) / (last - first): the median step would be wrong where stamps are rounded.
    notes : tuple of str
        Reversed, repeated and irregular stamps, counted, in words.

    Raises
    ------
    LoadError
        With fewer than two stamps, or if the last is not later than the first.
    """
    if len(stamps_ms) < 2:
        raise LoadError(
            f"{where}: {len(stamps_ms)} time stamp; at least 2 are needed to know the sampling rate"
        )
    span_ms = float(stamps_ms[-1] - stamps_ms[0])
    if span_ms <= 0:
        raise LoadError(
            f"{where}: the last time stamp, {stamps_ms[-1]:g} ms, is not later than the first, "
            f"{stamps_ms[0]:g} ms"
        )
    steps = np.diff(stamps_ms)
    step = span_ms / len(steps)
    notes = []
    reversed_steps, repeated_steps = steps < 0, steps == 0
    if reversed_steps.any():
        notes.append(
            f"{where}: {reversed_steps.sum()} time stamps run backwards, by up to "
            f"{-steps.min():.4g} ms; samples are used in the order of the file"
        )
    if repeated_steps.any():
        notes.append(f"{where}: {repeated_steps.sum()} time stamps repeat the one before")
    farthest = farthest_stamp_ms(stamps_ms)
    if farthest > max(_resolution_ms(stamps_ms), _STEADY_STEPS * step):
        notes.append(
            f"{where}: time stamps are irregular, up to {farthest:.4g} ms from a steady "
            f"{1e3 / step:.6g} Hz (steps from {steps.min():.4g} to {steps.max():.4g} ms)"
        )
    return 1e3 / step, tuple(notes)


def axis_from_stamps(stamps_ms: FloatArray, *, where: str) -> tuple[TimeAxis, tuple[str, ...]]:
    """Return the uniform time axis of a trace and what is odd about its stamps.

    Parameters
    ----------
    stamps_ms : ndarray, shape (n_samples,)
        Time of every sample in ms after the stimulus, in the order of the file.
    where : str
        The file to name in an error or a note.

    Returns
    -------
    axis : TimeAxis
        From the first and the last stamp.
    notes : tuple of str
        As `rate_from_stamps`.

    Raises
    ------
    LoadError
        As `rate_from_stamps`, or if a stamp lies more than half a step from that axis: a latency
        read on it would be wrong.
    """
    sfreq_hz, notes = rate_from_stamps(stamps_ms, where=where)
    step = 1e3 / sfreq_hz
    farthest = farthest_stamp_ms(stamps_ms)
    # Rounding moves a stamp by up to its last decimal place, but never makes one run backwards.
    rounding = 0.0 if (np.diff(stamps_ms) < 0).any() else _resolution_ms(stamps_ms)
    if farthest > max(0.5 * step, rounding):
        raise LoadError(
            f"{where}: a time stamp lies {farthest:.4g} ms from a steady {sfreq_hz:.6g} Hz; "
            f"the limit is half a step, {0.5 * step:.4g} ms"
        )
    return TimeAxis(sfreq_hz, float(stamps_ms[0]), len(stamps_ms)), notes


def farthest_stamp_ms(stamps_ms: FloatArray) -> float:
    """Return how far the stamps stray from a steady rate between the first and the last.

    Parameters
    ----------
    stamps_ms : ndarray, shape (n_samples,)
        Time of every sample in ms.

    Returns
    -------
    float
        Largest distance in ms.
    """
    steady = np.linspace(stamps_ms[0], stamps_ms[-1], len(stamps_ms))
    return float(np.abs(stamps_ms - steady).max())


def _resolution_ms(stamps_ms: FloatArray) -> float:
    """Return the last decimal place that the stamps were written with, in ms."""
    # No stamp is finer than two neighbouring floats, which matters for clock times.
    finest = 2.0 * float(np.spacing(np.abs(stamps_ms).max()))
    for places in range(7):
        scaled = stamps_ms * 10.0**places
        if np.abs(scaled - np.round(scaled)).max() < 1e-4:
            return float(10.0**-places) + finest
    return finest
