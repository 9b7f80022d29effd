"""Noise of the validation scenarios, drawn as sweeps or as what is left of it in averages.

A continuous stretch is drawn by inverse FFT from its spectrum, which makes it circular; it is
drawn longer than needed, so that its ends do not know each other. Sweeps from stretches of their
own need no stretch at all: they are drawn from the exact covariance of a sweep, several times
faster than the middle of a stretch each.
"""

import math
import operator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

from waveworks.errors import DataError
from waveworks.simulate.spectra import (
    NOISE_KINDS,
    SD_NV,
    FloatArray,
    NoiseKind,
    autocovariance,
    circle,
    density,
    known_kind,
    noise_autocovariance,
    noise_spectrum,
    whole,
)

__all__ = [
    "NOISE_KINDS",
    "SD_NV",
    "NoiseKind",
    "NoiseSweeps",
    "draw_noise",
    "noise_autocovariance",
    "noise_spectrum",
    "simulate_average",
    "simulate_noise",
]

_GUARD_S = 0.15
"""How much longer than needed a stretch is. Circularity adds to the autocovariance at each lag
that at the way round, which is never shorter than this: below 2e-6 of the variance for all kinds.
"""


@dataclass(frozen=True, eq=False)
class NoiseSweeps:
    """Sweeps of noise, and what the generator knows about each of them.

    Parameters
    ----------
    sweeps_nv : ndarray, shape (n_sweeps, n_samples)
        In nV.
    sd_nv : ndarray, shape (n_sweeps,)
        Standard deviation of the Gaussian part in each sweep, in nV.
    mains_peak_nv : float
        Peak of the mains sine in nV; 0 is none.
    mains_turns : ndarray, shape (n_sweeps,)
        Phase of the sine at the first sample of each sweep, in turns.
    """

    sweeps_nv: FloatArray
    sd_nv: FloatArray
    mains_peak_nv: float
    mains_turns: FloatArray


def simulate_noise(
    kind: str,
    n_sweeps: int,
    *,
    n_samples: int = 300,
    sfreq_hz: float = 12_000.0,
    seed: int | np.random.Generator,
    independent: bool = False,
) -> FloatArray:
    """Draw sweeps of noise.

    Parameters
    ----------
    kind : str
        One of `NOISE_KINDS`.
    n_sweeps, n_samples : int
        How many sweeps, and samples in each.
    sfreq_hz : float
        Sampling rate in Hz.
    seed : int or numpy.random.Generator
        Decides every number; a generator moves on.
    independent : bool
        False: sweeps are cut from one stretch, one after the other or, where the kind has a rate
        of its own, at the sample nearest to each stimulus, so that they may overlap. True: every
        sweep comes from a stretch of its own, with a mains phase of its own.

    Returns
    -------
    ndarray, shape (n_sweeps, n_samples)
        In nV.

    Raises
    ------
    DataError
        If the kind is unknown, a count is not positive, the sampling rate is too low for the
        noise or too high to draw it independently, or the seed is not usable.
    """
    return draw_noise(
        kind,
        n_sweeps,
        n_samples=n_samples,
        sfreq_hz=sfreq_hz,
        seed=seed,
        independent=independent,
    ).sweeps_nv


def draw_noise(
    kind: str,
    n_sweeps: int,
    *,
    n_samples: int = 300,
    sfreq_hz: float = 12_000.0,
    seed: int | np.random.Generator,
    independent: bool = False,
) -> NoiseSweeps:
    """Draw sweeps of noise, and say how large each was meant to be.

    Parameters
    ----------
    kind : str
        One of `NOISE_KINDS`.
    n_sweeps, n_samples : int
        How many sweeps, and samples in each.
    sfreq_hz : float
        Sampling rate in Hz.
    seed : int or numpy.random.Generator
        Decides every number; a generator moves on.
    independent : bool
        False: sweeps are cut from one stretch, one after the other or, where the kind has a rate
        of its own, at the sample nearest to each stimulus, so that they may overlap. True: every
        sweep comes from a stretch of its own, with a mains phase of its own.

    Returns
    -------
    NoiseSweeps

    Raises
    ------
    DataError
        If the kind is unknown, a count is not positive, the sampling rate is too low for the
        noise or too high to draw it independently, or the seed is not usable.
    """
    noise = known_kind(kind, sfreq_hz)
    n_sweeps = whole(n_sweeps, name="n_sweeps")
    n_samples = whole(n_samples, name="n_samples")
    rng = _generator(seed)
    period = n_samples if noise.rate_hz is None else sfreq_hz / noise.rate_hz
    onsets = np.rint(np.arange(n_sweeps) * period).astype(np.int64)
    index = onsets[:, np.newaxis] + np.arange(n_samples)
    if independent:
        sweeps = _separate(noise, n_sweeps, n_samples, sfreq_hz, rng)
    else:
        sweeps = _stretch(noise, int(index[-1, -1]) + 1, sfreq_hz, rng)[index]
    factor = np.linspace(noise.sd_start_nv, noise.sd_stop_nv, n_sweeps) / SD_NV
    factor[rng.random(n_sweeps) < noise.burst_chance] *= noise.burst_factor
    sweeps *= factor[:, np.newaxis]
    turns = np.zeros(n_sweeps)
    if noise.mains_peak_nv:
        start = rng.random(n_sweeps if independent else 1)
        within = noise.mains_hz / sfreq_hz * index + start[:, np.newaxis]
        sweeps += noise.mains_peak_nv * np.sin(2 * np.pi * within)
        turns = within[:, 0]
    return NoiseSweeps(sweeps, factor * SD_NV, noise.mains_peak_nv, turns)


def simulate_average(
    kind: str,
    n_sweeps: int,
    n_averages: int = 1,
    *,
    n_samples: int = 300,
    sfreq_hz: float = 12_000.0,
    seed: int | np.random.Generator,
) -> FloatArray:
    """Draw the noise that is left in averages of sweeps, without drawing the sweeps.

    Parameters
    ----------
    kind : str
        A stationary Gaussian kind: Q33, Q100, W or S33.
    n_sweeps : int
        Sweeps in each average, taken as independent: its SD is 800 nV / sqrt(n_sweeps).
    n_averages : int
        How many averages, each from a stretch of its own.
    n_samples : int
        Samples in each average.
    sfreq_hz : float
        Sampling rate in Hz.
    seed : int or numpy.random.Generator
        Decides every number; a generator moves on.

    Returns
    -------
    ndarray, shape (n_averages, n_samples)
        In nV.

    Raises
    ------
    DataError
        As `simulate_noise`, or if the kind is not stationary and Gaussian.
    """
    noise = known_kind(kind, sfreq_hz, stationary_gaussian=True)
    n_sweeps = whole(n_sweeps, name="n_sweeps")
    n_averages = whole(n_averages, name="n_averages")
    n_samples = whole(n_samples, name="n_samples")
    traces = _separate(noise, n_averages, n_samples, sfreq_hz, _generator(seed))
    return traces / math.sqrt(n_sweeps)


def _stretch(
    noise: NoiseKind, n_samples: int, sfreq_hz: float, rng: np.random.Generator
) -> FloatArray:
    """Draw the Gaussian part of one continuous stretch."""
    n_circle, frequencies = circle(n_samples, _GUARD_S, sfreq_hz)
    # A line has a cosine and a sine part, each with the power in the line's width as its variance;
    # the inverse transform adds every line to its mirror image, hence half of its amplitude.
    sd = np.sqrt(density(noise, frequencies, sfreq_hz) * sfreq_hz / n_circle) / 2
    sd[[0, -1]] *= math.sqrt(2)  # 0 Hz and half the sampling rate: half as wide, no mirror image
    lines = rng.standard_normal((frequencies.size, 2)).view(np.complex128)[:, 0] * sd
    stretch = fft.irfft(lines, n_circle, norm="forward")[:n_samples]
    return np.asarray(stretch, dtype=np.float64)


def _separate(
    noise: NoiseKind, n_sweeps: int, n_samples: int, sfreq_hz: float, rng: np.random.Generator
) -> FloatArray:
    """Draw the Gaussian part of sweeps as if each came from a stretch of its own."""
    return rng.standard_normal((n_sweeps, n_samples)) @ _factor(noise, n_samples, sfreq_hz).T


@lru_cache(maxsize=16)
def _factor(noise: NoiseKind, n_samples: int, sfreq_hz: float) -> FloatArray:
    """Return the Cholesky factor of a sweep's covariance."""
    lags = np.abs(np.subtract.outer(np.arange(n_samples), np.arange(n_samples)))
    covariance = autocovariance(noise, n_samples, sfreq_hz)[lags]
    try:
        return np.asarray(np.linalg.cholesky(covariance), dtype=np.float64)
    except np.linalg.LinAlgError:
        raise DataError(
            f"sfreq_hz is {sfreq_hz:g} Hz; noise {noise.name} has too little power near half of "
            "that to draw independent sweeps"
        ) from None


def _generator(seed: int | np.random.Generator) -> np.random.Generator:
    if isinstance(seed, np.random.Generator):
        return seed
    try:
        return np.random.default_rng(operator.index(seed))
    except (TypeError, ValueError):
        raise DataError(
            f"seed is {seed!r}; give a whole number of at least 0 or a numpy Generator"
        ) from None
