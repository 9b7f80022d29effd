"""Which spectrum has the noise of this recording? A small grid of spectra, weighed by likelihood.

Power falls as f^-slope between a high-pass and a low-pass of second order each. One trace of 25 ms
says too little for more: a long autoregressive fit to it is unstable. The likelihood is Whittle's
(1953; from memory) of the tapered periodogram against its own expectation, so that leakage and the
short window are part of the model (the idea of Sykulski et al. 2019, Biometrika; from memory).

Frequencies are in units of 1 / (width of wave V), so that slower waves are treated alike.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

SLOPES = (0.0, 0.5, 1.0, 1.5, 2.0)
HIGHPASSES = (0.012, 0.030, 0.066)
"""20, 50 and 110 Hz for a wave V of 0.6 ms."""

LOWPASS = 0.9
"""1500 Hz for a wave V of 0.6 ms. Nothing above it is looked at."""

FIRST_GUESS = 8
"""1/f above 110 Hz: in it a best shape is first looked for if only the size of noise is known."""

LEAST_WEIGHT = 0.03
"""Spectra of less weight are left out."""

_WHITE = 1e-4  # of the variance: keeps the whitening stable above the low-pass
_CIRCLE = 1 << 14


@dataclass(frozen=True)
class Spectrum:
    """A spectrum of the grid.

    Parameters
    ----------
    slope : float
        Power falls as f to the minus this.
    highpass, lowpass : float
        Corners in 1 / (width of wave V).
    """

    slope: float
    highpass: float
    lowpass: float = LOWPASS

    def autocorrelation(self, n_lags: int, step: float) -> FloatArray:
        """Return the autocorrelation.

        Parameters
        ----------
        n_lags : int
            From lag 0 on.
        step : float
            Between lags, in widths of wave V.

        Returns
        -------
        ndarray, shape (n_lags,)
            Starts with 1, a little white noise included.
        """
        size = max(_CIRCLE, 1 << (8 * n_lags - 1).bit_length())
        frequency = np.fft.rfftfreq(size, step)
        above = frequency[1:]
        power = np.zeros_like(frequency)
        power[1:] = above**-self.slope / (
            (1 + (self.highpass / above) ** 4) * (1 + (above / self.lowpass) ** 4)
        )
        covariance = np.fft.irfft(power, size)[:n_lags]
        correlation = covariance / covariance[0]
        correlation[0] += _WHITE
        return np.asarray(correlation / correlation[0])


GRID = tuple(Spectrum(slope, highpass) for slope in SLOPES for highpass in HIGHPASSES)


class Whittle:
    """The likelihood of noise of one length under every spectrum of the grid.

    Parameters
    ----------
    autocorrelations : ndarray, shape (n_spectra, n_samples)
        At lags of one sample.
    step : float
        Between samples, in widths of wave V.
    """

    def __init__(self, autocorrelations: FloatArray, step: float) -> None:
        n_samples = autocorrelations.shape[-1]
        taper = np.sin(np.pi * (np.arange(n_samples) + 0.5) / n_samples)
        self._taper = taper / np.sqrt(np.sum(taper**2))
        overlap = np.correlate(self._taper, self._taper, "full")[n_samples - 1 :]
        self._size = 2 * n_samples
        circle = np.zeros((len(autocorrelations), self._size))
        circle[:, :n_samples] = autocorrelations * overlap
        circle[:, n_samples + 1 :] = circle[:, n_samples - 1 : 0 : -1]
        expected = np.fft.rfft(circle, axis=-1).real
        frequency = np.fft.rfftfreq(self._size, step)
        # The lowest line is mostly the mean over the window, which a drift would decide.
        self._lines = np.flatnonzero(
            (frequency > 0.8 / (n_samples * step)) & (frequency <= LOWPASS)
        )
        expected = np.maximum(expected[:, self._lines], 1e-9)
        self._inverse = (1 / expected).T
        self.log_sum = np.log(expected).sum(axis=-1)
        self.n_lines = len(self._lines)

    def power(self, traces: FloatArray) -> FloatArray:
        """Return the power of traces as a multiple of what each spectrum of unit variance expects.

        Parameters
        ----------
        traces : ndarray, shape (..., n_samples)
            Noise in nV.

        Returns
        -------
        ndarray, shape (..., n_spectra)
            Summed over the lines, in nV^2.
        """
        spectrum = np.fft.rfft(traces * self._taper, self._size, axis=-1)[..., self._lines]
        return np.asarray((spectrum.real**2 + spectrum.imag**2) @ self._inverse)


def weigh(
    power: FloatArray, n_lines: float, log_sum: FloatArray, sd_nv: float | None = None
) -> tuple[FloatArray, FloatArray]:
    """Weigh the spectra by their likelihood, each at its own best variance.

    Parameters
    ----------
    power : ndarray, shape (n_cases, n_spectra)
        As from `Whittle.power`, summed over independent traces, in nV^2.
    n_lines : float
        How many lines they have together.
    log_sum : ndarray, shape (n_spectra,)
        Of `Whittle.log_sum` over the same traces.
    sd_nv : float, optional
        Standard deviation of the noise where it is known, in nV.

    Returns
    -------
    weights : ndarray, shape (n_cases, n_spectra)
        They sum to 1 in each case; those below `LEAST_WEIGHT` are 0.
    sd_nv : ndarray, shape (n_cases, n_spectra)
        Standard deviation of the noise under each spectrum.
    """
    variance = power / n_lines if sd_nv is None else np.full_like(power, sd_nv**2)
    # Padding to twice the length makes two lines of one: half the likelihood each.
    likelihood = -0.5 * (log_sum + n_lines * np.log(variance) + power / variance)
    weights = np.exp(likelihood - likelihood.max(axis=-1, keepdims=True))
    weights /= weights.sum(axis=-1, keepdims=True)
    weights[weights < LEAST_WEIGHT] = 0
    return weights / weights.sum(axis=-1, keepdims=True), np.sqrt(variance)
