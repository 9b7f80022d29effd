"""The noise of the validation scenarios as definitions: each kind a record, its spectrum known.

A spectrum is scaled so that the process has a standard deviation of `SD_NV`: that is the scatter
of one sample from sweep to sweep, which residual noise rests on. Within a sweep the scatter about
the sweep's own mean is smaller, because power below 1 / (sweep length) moves whole sweeps.
"""

import math
import operator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft

from waveworks.errors import DataError

FloatArray = NDArray[np.float64]

SD_NV = 800.0
"""Standard deviation of the stationary kinds, in nV."""

_FINE_S = 10.0
"""Length of the circle on which spectra are integrated: what it adds is below 1e-12."""


@dataclass(frozen=True, kw_only=True)
class NoiseKind:
    """One kind of noise, as a definition.

    Parameters
    ----------
    name, meaning : str
        What it is called, and what it is in one line.
    slope : float
        Power falls with frequency to this power.
    band_hz : tuple of float or None
        Corners of a high-pass and a low-pass of second order each; None: white up to half the
        sampling rate.
    sd_start_nv, sd_stop_nv : float
        Standard deviation in the first and the last sweep, in nV; it changes linearly.
    burst_chance, burst_factor : float
        With this chance a sweep is this many times larger.
    mains_hz, mains_peak_nv : float
        Frequency and peak of a sine with a random start phase.
    rate_hz : float or None
        Sweeps a second; None: each sweep begins where the one before ends.
    """

    name: str
    meaning: str
    slope: float = 1.0
    band_hz: tuple[float, float] | None = (33.0, 1500.0)
    sd_start_nv: float = SD_NV
    sd_stop_nv: float = SD_NV
    burst_chance: float = 0.0
    burst_factor: float = 1.0
    mains_hz: float = 0.0
    mains_peak_nv: float = 0.0
    rate_hz: float | None = None

    @property
    def stationary_gaussian(self) -> bool:
        """True if the spectrum says everything about it."""
        steady = self.sd_start_nv == self.sd_stop_nv == SD_NV
        return steady and self.burst_chance == 0 and self.mains_peak_nv == 0


NOISE_KINDS: dict[str, NoiseKind] = {
    kind.name: kind
    for kind in (
        NoiseKind(name="Q33", meaning="quiet newborn, 1/f between 33 and 1500 Hz"),
        NoiseKind(name="Q100", meaning="1/f between 100 and 1500 Hz", band_hz=(100.0, 1500.0)),
        NoiseKind(name="W", meaning="white up to half the sampling rate", slope=0.0, band_hz=None),
        NoiseKind(name="S33", meaning="slow drift, 1/f^2 between 33 and 1500 Hz", slope=2.0),
        NoiseKind(
            name="D",
            meaning="Q33 whose SD grows linearly from 500 to 1600 nV over the sweeps",
            sd_start_nv=500.0,
            sd_stop_nv=1600.0,
        ),
        NoiseKind(
            name="B",
            meaning="Q33, each sweep ten times larger with chance 0.02",
            burst_chance=0.02,
            burst_factor=10.0,
        ),
        NoiseKind(
            name="M",
            meaning="Q33 and a 50 Hz sine of 200 nV peak, a sweep every 1/45.1 s",
            mains_hz=50.0,
            mains_peak_nv=200.0,
            rate_hz=45.1,
        ),
    )
}
"""Every kind of noise by its name."""


def noise_spectrum(kind: str, frequency_hz: ArrayLike, sfreq_hz: float = 12_000.0) -> FloatArray:
    """Return the one-sided power density of a noise.

    Parameters
    ----------
    kind : str
        A stationary Gaussian kind: Q33, Q100, W or S33.
    frequency_hz : array_like
        Frequencies in Hz, not negative.
    sfreq_hz : float
        Sampling rate in Hz: there is no power above half of it, and the power below adds up to
        the square of `SD_NV`.

    Returns
    -------
    ndarray, shape of `frequency_hz`
        In nV^2/Hz.

    Raises
    ------
    DataError
        If the kind is not stationary and Gaussian, the sampling rate is too low for it, or a
        frequency is negative or not a number.
    """
    noise = known_kind(kind, sfreq_hz, stationary_gaussian=True)
    frequencies = np.asarray(frequency_hz, dtype=np.float64)
    if not (np.isfinite(frequencies).all() and (frequencies >= 0).all()):
        raise DataError("frequency_hz: every frequency must be a finite number of at least 0 Hz")
    carried = frequencies <= sfreq_hz / 2
    return density(noise, np.where(carried, frequencies, 0.0), sfreq_hz) * carried


def noise_autocovariance(kind: str, n_lags: int, sfreq_hz: float = 12_000.0) -> FloatArray:
    """Return the autocovariance of a noise, integrated from its spectrum.

    Parameters
    ----------
    kind : str
        A stationary Gaussian kind: Q33, Q100, W or S33.
    n_lags : int
        How many lags, from 0 on, one a sample.
    sfreq_hz : float
        Sampling rate in Hz.

    Returns
    -------
    ndarray, shape (n_lags,)
        In nV^2; the first is the square of `SD_NV`.

    Raises
    ------
    DataError
        If the kind is not stationary and Gaussian, the sampling rate is too low for it, or
        `n_lags` is not positive.
    """
    noise = known_kind(kind, sfreq_hz, stationary_gaussian=True)
    return autocovariance(noise, whole(n_lags, name="n_lags"), sfreq_hz)


def density(noise: NoiseKind, frequency_hz: FloatArray, sfreq_hz: float) -> FloatArray:
    """Return the one-sided power density of the Gaussian part of any kind.

    Parameters
    ----------
    noise : NoiseKind
        The definition.
    frequency_hz : ndarray
        Frequencies in Hz.
    sfreq_hz : float
        Sampling rate in Hz.

    Returns
    -------
    ndarray, shape of `frequency_hz`
        In nV^2/Hz.
    """
    return _shape(noise, frequency_hz) * _scale(noise, sfreq_hz)


def autocovariance(noise: NoiseKind, n_lags: int, sfreq_hz: float) -> FloatArray:
    """Return the autocovariance of the Gaussian part of any kind.

    Parameters
    ----------
    noise : NoiseKind
        The definition.
    n_lags : int
        How many lags, from 0 on.
    sfreq_hz : float
        Sampling rate in Hz.

    Returns
    -------
    ndarray, shape (n_lags,)
        In nV^2.
    """
    n_circle, frequencies = circle(n_lags, _FINE_S, sfreq_hz)
    power = density(noise, frequencies, sfreq_hz) * sfreq_hz / n_circle / 2
    return np.asarray(fft.irfft(power, n_circle, norm="forward")[:n_lags], dtype=np.float64)


def circle(n_samples: int, spare_s: float, sfreq_hz: float) -> tuple[int, FloatArray]:
    """Return an even, fast FFT length that leaves time to spare, and its frequencies.

    Parameters
    ----------
    n_samples : int
        Samples that are needed.
    spare_s : float
        The least time to spare, in s.
    sfreq_hz : float
        Sampling rate in Hz.

    Returns
    -------
    n_circle : int
        Samples in the circle.
    frequency_hz : ndarray, shape (n_circle / 2 + 1,)
        From 0 Hz to half the sampling rate.
    """
    half = math.ceil((n_samples + spare_s * sfreq_hz) / 2)
    n_circle = 2 * int(fft.next_fast_len(half, real=True))
    return n_circle, np.asarray(fft.rfftfreq(n_circle, 1 / sfreq_hz), dtype=np.float64)


def known_kind(kind: str, sfreq_hz: float, *, stationary_gaussian: bool = False) -> NoiseKind:
    """Return the definition of a noise that the sampling rate can carry.

    Parameters
    ----------
    kind : str
        Its name.
    sfreq_hz : float
        Sampling rate in Hz.
    stationary_gaussian : bool
        Refuse a kind that its spectrum does not describe in full.

    Returns
    -------
    NoiseKind

    Raises
    ------
    DataError
        If the name is unknown, the kind not what is needed, or the sampling rate too low.
    """
    allowed = [
        name
        for name, known in NOISE_KINDS.items()
        if known.stationary_gaussian or not stationary_gaussian
    ]
    if kind not in NOISE_KINDS:
        raise DataError(f"kind is {kind!r}; it must be one of {', '.join(allowed)}")
    noise = NOISE_KINDS[kind]
    if kind not in allowed:
        raise DataError(
            f"kind is {kind!r} ({noise.meaning}), which one spectrum does not describe; it must "
            f"be one of {', '.join(allowed)}"
        )
    if not (math.isfinite(sfreq_hz) and sfreq_hz > 0):
        raise DataError(f"sfreq_hz is {sfreq_hz:g} Hz; it must be a positive number")
    if noise.band_hz is not None and sfreq_hz <= 2 * noise.band_hz[1]:
        raise DataError(
            f"sfreq_hz is {sfreq_hz:g} Hz; noise {kind} reaches {noise.band_hz[1]:g} Hz and needs "
            f"more than {2 * noise.band_hz[1]:g} Hz"
        )
    return noise


def whole(count: int, *, name: str) -> int:
    """Return a count of at least 1, or say what is wrong with it.

    Parameters
    ----------
    count : int
        The caller's number.
    name : str
        What to call it in an error.

    Returns
    -------
    int

    Raises
    ------
    DataError
        If it is not a whole number, or below 1.
    """
    try:
        number = operator.index(count)
    except TypeError:
        raise DataError(f"{name} is {count!r}; it must be a whole number") from None
    if number < 1:
        raise DataError(f"{name} is {number}; at least 1 is needed")
    return number


def _shape(noise: NoiseKind, frequency_hz: FloatArray) -> FloatArray:
    """Return the spectrum before it is scaled."""
    if noise.band_hz is None:
        return np.ones_like(frequency_hz)
    low_hz, high_hz = noise.band_hz
    # f^-slope / (1 + (low/f)^4), multiplied through by f^4 so that 0 Hz needs no care
    rising = frequency_hz ** (4 - noise.slope) / (frequency_hz**4 + low_hz**4)
    return rising / (1 + (frequency_hz / high_hz) ** 4)


@lru_cache
def _scale(noise: NoiseKind, sfreq_hz: float) -> float:
    """Return what turns the shape into a density whose integral is the variance."""
    _, frequencies = circle(0, _FINE_S, sfreq_hz)
    shape = _shape(noise, frequencies)
    shape[[0, -1]] /= 2  # the trapezoid rule
    return SD_NV**2 / float(shape.sum() * frequencies[1])
