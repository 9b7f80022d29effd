"""The spectrum of the noise that is left in an average.

A window of T seconds resolves lines 1/T apart, and the Hann window mixes each with its neighbours;
so the density is that of the noise as the window sees it. No mean over time is removed, as none is
from the residual noise: a slow wave is noise too. Over all lines the power of the density adds up
to the square of the residual noise, but for 0 Hz and half the sampling rate, which are left out.

Own simulation, noise at 12 kHz in a window of 23.5 ms (lines 42.6 Hz apart; seed 7): from the tenth
line on 95 % of the intervals hold the true density, from one trace, 20 and 1000 sweeps alike. Where
the true density is steep between two lines the window smooths it: at the first line the power is
0.70 (Q33) and 1.6 (Q100, a steep high-pass at 100 Hz) times the true one, at the next
three within 8 %; the narrow intervals of many sweeps do not hold the truth there.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, special

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
        Of the deviations from the average, at the scale of the noise in it; 2 (n_sweeps - 1)
        degrees of freedom a frequency.

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
        Two degrees of freedom a trace and frequency.

    Raises
    ------
    DataError
        If there are fewer than four samples, a value is not finite or the rate is not positive.
    """
    array = finite_array(traces, name="traces", ndim=2)
    method = "one noise-only trace" if len(array) == 1 else f"{len(array)} noise-only traces"
    return _density(array / math.sqrt(len(array)), sfreq_hz, len(array), method)


def _density(traces: FloatArray, sfreq_hz: float, n_independent: int, method: str) -> NoiseDensity:
    """Add the periodograms of traces, each tapered by a Hann window."""
    n_samples = traces.shape[1]
    if n_samples < 4:
        raise DataError(f"a spectrum needs at least 4 samples; {n_samples} given")
    if not (math.isfinite(sfreq_hz) and sfreq_hz > 0):
        raise DataError(f"sampling rate is {sfreq_hz:g} Hz; it must be above 0")
    taper = np.sin(np.pi * np.arange(n_samples) / n_samples) ** 2
    lines = fft.rfft(traces * taper, axis=-1)
    power = 2 * np.abs(lines) ** 2 / (sfreq_hz * np.sum(taper**2))  # of both signs of frequency
    frequency = fft.rfftfreq(n_samples, 1 / sfreq_hz)
    # 0 Hz and half the sampling rate have only half of the degrees of freedom.
    inside = slice(1, (n_samples + 1) // 2)
    density = np.sqrt(power.sum(axis=0))[inside]
    df = 2.0 * n_independent
    low, high = (density * math.sqrt(df / float(special.chdtri(df, p))) for p in (0.025, 0.975))
    arrays = (frequency[inside], density, low, high)
    for array in arrays:
        array.setflags(write=False)
    return NoiseDensity(*arrays, df=df, method=method)
