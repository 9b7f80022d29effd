"""Noise like the noise of a recording, drawn again and again from a fixed seed."""

import math

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.coloured_noise import spectral_df

FloatArray = NDArray[np.float64]

# Every draw is used upside down as well. They fix a rate of 5 % to within 0.8 % (standard error).
N_SURROGATES = 800
_SEED = 20310
# The band of brainstem recordings (common practice, no source): a lower high-pass than this leaves
# less power where wave V is, so the stated noise errs towards silence.
STATED_BAND_HZ = (100.0, 1500.0)


def surrogate_noise(
    noise: FloatArray, smoothed: FloatArray, n_independent: int, rn_nv: float
) -> FloatArray:
    """Draw Gaussian noise with the spectrum of noise-only traces.

    Parameters
    ----------
    noise : ndarray, shape (n_traces, n_samples)
        Noise-only traces in nV at the scale of the noise in question, checked, not all zero.
    smoothed : ndarray, shape (n_traces, n_samples)
        The same as smoothed before the search: the power that its result depends on.
    n_independent : int
        How many of the traces are independent.
    rn_nv : float
        Its standard deviation in nV; NaN is that of the traces themselves.

    Returns
    -------
    ndarray, shape (N_SURROGATES, n_samples)
        In nV. Each draw has a scale of its own, because few traces know their own scale only so
        well: rn_nv sqrt(df / chi-square(df)), df the degrees of freedom of the smoothed traces.
    """
    n_samples = noise.shape[-1]
    # On a circle of twice the length the two ends of a trace do not meet.
    power = (np.abs(np.fft.rfft(noise, 2 * n_samples, axis=-1)) ** 2).mean(axis=0)
    rms = math.sqrt(float((noise**2).mean())) if math.isnan(rn_nv) else rn_nv
    return _drawn(power, n_samples, rms, spectral_df(smoothed, n_independent, caution=0.0))


def stated_noise(n_samples: int, rn_nv: float, step_ms: float) -> FloatArray:
    """Draw Gaussian noise whose power falls as 1/f in `STATED_BAND_HZ`, for want of a spectrum.

    Parameters
    ----------
    n_samples : int
        Length of a draw.
    rn_nv : float
        Its standard deviation in nV.
    step_ms : float
        Between samples, in ms.

    Returns
    -------
    ndarray, shape (N_SURROGATES, n_samples)
        In nV.
    """
    bins = np.arange(n_samples + 1, dtype=np.float64)  # of a circle of twice the length
    frequencies_hz = bins / (2 * n_samples * step_ms) * 1e3
    low_hz, high_hz = STATED_BAND_HZ
    ratio = frequencies_hz / low_hz
    power = np.where(ratio < 1, ratio, 1 / np.maximum(ratio, 1)) * (frequencies_hz <= high_hz)
    return _drawn(power, n_samples, rn_nv, math.inf)


def _drawn(power: FloatArray, n_samples: int, rms_nv: float, df: float) -> FloatArray:
    rng = np.random.default_rng(_SEED)
    spectrum = rng.normal(size=(N_SURROGATES // 4, len(power), 2)) @ np.array([1, 1j])
    draws = np.fft.irfft(spectrum * np.sqrt(power), 2 * n_samples, axis=-1)
    draws = draws.reshape(-1, n_samples)  # each half of a circle is a trace
    draws = np.concatenate([draws, -draws])
    draws *= rms_nv / math.sqrt(float((draws**2).mean()))
    if math.isfinite(df):
        draws *= np.sqrt(df / rng.chisquare(df, size=(N_SURROGATES, 1)))
    return draws
