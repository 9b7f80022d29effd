"""The spectrum of the noise that is left in an average."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal, stats

from waveworks.dsp._validate import finite_array, sweeps_array
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class NoiseDensity:
    """Amplitude density of noise.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n_frequencies,)
        Above 0 Hz and below half the sampling rate.
    density : ndarray, shape (n_frequencies,)
        In nV/sqrt(Hz).
    low, high : ndarray, shape (n_frequencies,)
        95 % interval at each frequency by itself, in nV/sqrt(Hz).
    df : float
        Degrees of freedom of the power at one frequency.
    method : str
        What it was computed from.
    """

    frequency_hz: FloatArray
    density: FloatArray
    low: FloatArray
    high: FloatArray
    df: float
    method: str


def density_from_sweeps(sweeps: ArrayLike, sfreq_hz: float) -> NoiseDensity:
    """Return the density of the noise left in the average of sweeps.

    Parameters
    ----------
    sweeps : array_like, shape (n_sweeps, n_samples)
        One sweep a row, in nV.
    sfreq_hz : float
        Sampling rate in Hz.

    Returns
    -------
    NoiseDensity
        Of the deviations from the average, divided by the root of the number of sweeps.

    Raises
    ------
    DataError
        If there are fewer than two sweeps or four samples, or the rate is not positive.
    """
    array = sweeps_array(sweeps)
    deviations = array - array.mean(axis=0)
    scale = 1 / math.sqrt(len(array) * (len(array) - 1))
    return _density(deviations * scale, sfreq_hz, len(array) - 1, f"{len(array)} sweeps")


def density_from_noise(traces: ArrayLike, sfreq_hz: float) -> NoiseDensity:
    """Return the density of noise-only traces.

    Parameters
    ----------
    traces : array_like, shape (n_traces, n_samples)
        Traces without a response at the scale of the noise in the average, such as one half
        difference, in nV.
    sfreq_hz : float
        Sampling rate in Hz.

    Returns
    -------
    NoiseDensity

    Raises
    ------
    DataError
        If there are fewer than four samples, a value is not finite or the rate is not positive.
    """
    array = finite_array(traces, name="traces", ndim=2)
    return _density(
        array / math.sqrt(len(array)), sfreq_hz, len(array), f"{len(array)} noise-only trace(s)"
    )


def _density(traces: FloatArray, sfreq_hz: float, n_independent: int, method: str) -> NoiseDensity:
    """Add the periodograms of traces (Hann window, mean removed)."""
    n_samples = traces.shape[1]
    if n_samples < 4:
        raise DataError(f"a spectrum needs at least 4 samples; {n_samples} given")
    if not (math.isfinite(sfreq_hz) and sfreq_hz > 0):
        raise DataError(f"sampling rate is {sfreq_hz:g} Hz; it must be above 0")
    frequency, power = signal.periodogram(
        traces, sfreq_hz, window="hann", detrend="constant", axis=-1
    )
    # 0 Hz has no noise left, and half the sampling rate only half of the degrees of freedom.
    inside = slice(1, (n_samples + 1) // 2)
    density = np.sqrt(power.sum(axis=0))[inside]
    df = 2.0 * n_independent
    low, high = (density * math.sqrt(df / float(stats.chi2.ppf(p, df))) for p in (0.975, 0.025))
    arrays = (frequency[inside], density, low, high)
    for array in arrays:
        array.setflags(write=False)
    return NoiseDensity(*arrays, df=df, method=method)
