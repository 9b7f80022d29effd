"""What the search for marks is given, checked once."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from waveworks.dsp._validate import FloatArray, finite_array, sweeps_array
from waveworks.errors import DataError

LEAST_SAMPLES = 16
"""Fewer samples hold no peak, trough and noise (choice made here)."""

LEAST_NOISE_RATE, MOST_NOISE_RATE = 0.005, 0.5
"""A thousand surrogates say nothing about rarer events (choice made here)."""

_ROUNDING = 0.01
"""Share of a sample that written times may be off: three decimals of a ms at 12 kHz."""


@dataclass(frozen=True, eq=False)
class SearchInput:
    """The arguments of `suggest_marks`, checked, windows as samples.

    Attributes
    ----------
    trace : ndarray, shape (n_samples,)
        In nV.
    start_ms, step_ms : float
        Of the time axis.
    rn_nv : float
        SD of the noise in nV, or NaN.
    v_samples : range
        Samples that wave V may have; each has two neighbours.
    after : range
        Samples from V to where SN10 may be.
    replicates, noise : ndarray, shape (n_traces, n_samples), or None
        In nV.
    noise_rate : float
        How often noise alone may get a mark.
    """

    trace: FloatArray
    start_ms: float
    step_ms: float
    rn_nv: float
    v_samples: range
    after: range
    replicates: FloatArray | None
    noise: FloatArray | None
    noise_rate: float


def search_input(
    trace: ArrayLike,
    times_ms: ArrayLike,
    rn_nv: float,
    v_window_ms: tuple[float, float],
    replicates: Sequence[ArrayLike] | ArrayLike | None,
    noise: Sequence[ArrayLike] | ArrayLike | None,
    noise_rate: float,
    sn10_after_ms: tuple[float, float],
) -> SearchInput:
    """Check the arguments of `suggest_marks`, where they are described.

    Parameters
    ----------
    trace, times_ms : array_like, shape (n_samples,)
        In nV and ms.
    rn_nv : float
        In nV.
    v_window_ms : tuple of float
        In ms.
    replicates, noise : array_like, shape (n_traces, n_samples), or None
        In nV.
    noise_rate : float
        From 0.005 to 0.5.
    sn10_after_ms : tuple of float
        In ms after V.

    Returns
    -------
    SearchInput

    Raises
    ------
    DataError
        With the first thing that is wrong.
    """
    values = finite_array(trace, name="trace", ndim=1)
    if values.size < LEAST_SAMPLES:
        raise DataError(f"trace: {values.size} samples given, at least {LEAST_SAMPLES} needed")
    start_ms, step_ms = _time_axis(times_ms, values.size)
    if rn_nv < 0 or math.isinf(rn_nv):
        raise DataError(f"rn_nv is {rn_nv:g} nV; it must be a number of at least 0, or NaN")
    if not LEAST_NOISE_RATE <= noise_rate <= MOST_NOISE_RATE:
        raise DataError(
            f"noise_rate is {noise_rate:g}; it must be from {LEAST_NOISE_RATE:g} "
            f"to {MOST_NOISE_RATE:g}"
        )
    v_start_ms, v_stop_ms = _window(v_window_ms, "v_window_ms")
    near_ms, far_ms = _window(sn10_after_ms, "sn10_after_ms")
    if near_ms < step_ms:
        raise DataError(f"sn10_after_ms begins at {near_ms:g} ms; SN10 comes after V")
    stop_ms = start_ms + (values.size - 1) * step_ms
    # A peak needs a neighbour on either side, and a trough after it.
    first_ms, last_ms = start_ms + step_ms, stop_ms - near_ms
    slack_ms = _ROUNDING * step_ms
    if v_start_ms < first_ms - slack_ms or v_stop_ms > last_ms + slack_ms:
        raise DataError(
            f"v_window_ms is {v_start_ms:g} to {v_stop_ms:g} ms; with SN10 {near_ms:g} ms or more "
            f"after V it must lie inside {first_ms:g} to {last_ms:g} ms of the trace"
        )
    v_samples = _samples(v_start_ms - start_ms, v_stop_ms - start_ms, step_ms)
    after = _samples(near_ms, far_ms, step_ms)
    if len(v_samples) < 3 or not after:
        raise DataError(
            f"v_window_ms holds {len(v_samples)} samples and sn10_after_ms {len(after)}; "
            "at least 3 and 1 needed"
        )
    return SearchInput(
        trace=values,
        start_ms=start_ms,
        step_ms=step_ms,
        rn_nv=float(rn_nv),
        v_samples=v_samples,
        after=after,
        replicates=_beside(replicates, "replicates", 2, values.size),
        noise=_beside(noise, "noise", 1, values.size),
        noise_rate=float(noise_rate),
    )


def _time_axis(times_ms: ArrayLike, n_samples: int) -> tuple[float, float]:
    times = finite_array(times_ms, name="times_ms", ndim=1)
    if times.size != n_samples:
        raise DataError(f"times_ms: {times.size} values given, {n_samples} needed as in trace")
    step_ms = float(times[-1] - times[0]) / (n_samples - 1)
    if step_ms <= 0:
        raise DataError(f"times_ms goes from {times[0]:g} to {times[-1]:g} ms; it must rise")
    off_ms = np.abs(times - (times[0] + step_ms * np.arange(n_samples)))
    worst = int(off_ms.argmax())
    if off_ms[worst] > _ROUNDING * step_ms:
        raise DataError(
            f"times_ms is not equally spaced: value {worst} is {times[worst]:g} ms, "
            f"{off_ms[worst]:g} ms off"
        )
    return float(times[0]), step_ms


def _window(window_ms: tuple[float, float], name: str) -> tuple[float, float]:
    try:
        start_ms, stop_ms = (float(edge) for edge in window_ms)
    except (TypeError, ValueError):
        raise DataError(f"{name} is {window_ms!r}; give a start and a stop in ms") from None
    if not (math.isfinite(start_ms) and math.isfinite(stop_ms) and start_ms < stop_ms):
        raise DataError(f"{name} is {start_ms:g} to {stop_ms:g} ms; the start must be before the stop")
    return start_ms, stop_ms


def _samples(start_ms: float, stop_ms: float, step_ms: float) -> range:
    first = math.ceil(start_ms / step_ms - _ROUNDING)
    return range(first, math.floor(stop_ms / step_ms + _ROUNDING) + 1)


def _beside(
    traces: Sequence[ArrayLike] | ArrayLike | None, name: str, least: int, n_samples: int
) -> FloatArray | None:
    if traces is None:
        return None
    array = sweeps_array(traces, name=name, least=least)
    if array.shape[-1] != n_samples:
        raise DataError(f"{name}: {array.shape[-1]} samples given, {n_samples} needed as in trace")
    return array
