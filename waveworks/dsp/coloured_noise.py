"""How many independent values coloured noise is worth.

The mean power of W independent Gaussian samples has W degrees of freedom. Neighbouring samples of
a recording are not independent, so it has fewer: v = tr(R)^2 / tr(R^2) for autocorrelation matrix
R, the number that gives a chi-square variable the right mean and variance (the idea of Box 1954
and Satterthwaite 1946; sources from memory).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import fft, linalg

from waveworks.dsp._validate import FloatArray, finite_array
from waveworks.errors import DataError

ROUNDING = 8 * np.finfo(np.float64).eps
"""Deviations below this share of the largest value are rounding, not noise."""

INTERVAL_CAUTION = 2.5
"""Standard errors by which `spectral_df` is lowered for an interval."""

TEST_CAUTION = 3.5
"""The same for a test, where quiet noise that looks white errs in favour of a response twice."""

FEW_DEVIATIONS = 10
"""Below this number a sample covariance says too little (own simulation, see `centred_df`)."""


@dataclass(frozen=True)
class CentredVariance:
    """The variance of noise about its mean over the window.

    Parameters
    ----------
    df : float
        Its degrees of freedom.
    bias : float
        Its expectation over the variance of the noise itself: slow noise is partly removed with
        the mean.
    """

    df: float
    bias: float


def centred_variance(autocorrelation: ArrayLike) -> CentredVariance:
    """Return what the variance about the window mean is worth for a known autocorrelation.

    With the centring matrix M and the autocorrelation matrix R of W samples,
    df = tr(MR)^2 / tr(MRMR) and bias = tr(MR) / (W - 1). White noise gives W - 1 and 1.

    Parameters
    ----------
    autocorrelation : array_like, shape (n_samples,)
        At lags 0, 1, ..., n_samples - 1; starts with 1.

    Returns
    -------
    CentredVariance

    Raises
    ------
    DataError
        If it is shorter than two lags, not finite or does not start with 1.

    References
    ----------
    Box 1954; Satterthwaite 1946 (both from memory).
    """
    rho = finite_array(autocorrelation, name="autocorrelation", ndim=1)
    if rho.size < 2:
        raise DataError("autocorrelation: 1 lag given, at least 2 needed")
    if not math.isclose(rho[0], 1.0):
        raise DataError(f"autocorrelation starts with {rho[0]}; lag 0 must be 1")
    matrix = linalg.toeplitz(rho)
    means = matrix.mean(axis=0)
    centred = matrix - means - means[:, np.newaxis] + means.mean()
    trace = float(np.trace(centred))
    squares = float(np.sum(centred**2))
    return CentredVariance(
        df=trace**2 / squares if squares > 0 else math.nan, bias=trace / (rho.size - 1)
    )


def spectral_df(deviations: FloatArray, n_independent: int, *, caution: float) -> float:
    """Return the degrees of freedom of the power of few deviations, from their own spectrum.

    Parameters
    ----------
    deviations : ndarray of float, shape (n_deviations, n_samples)
        Stationary noise, checked, scaled to one variance.
    n_independent : int
        How many of them are independent: one fewer than there are if their mean was removed.
    caution : float
        How many standard errors, those of flat noise, the estimate is lowered by.

    Returns
    -------
    float
        From 1 to n_independent * n_samples; NaN if the deviations are all zero.

    Notes
    -----
    Let c(k) be the autocovariance summed over the deviations, each cut off at its ends, and
    u = n_samples c(0)^2 / sum_k c(k)^2 over all lags of both signs. The sum is that of a squared
    periodogram, and the square of the mean of m independent periodograms is on average 1 + 1/m
    times the squared spectrum, so each deviation is worth (1 + 1/m) u values. Were the spectrum
    flat within a band, the logarithm of that would have the standard error
    sqrt(8/3) / ((m + 1) sqrt(u)) (delta method, Gaussian noise; derived here). So

        df = (m + 1) u exp(-caution sqrt(8/3) / ((m + 1) sqrt(u))).

    One deviation of 12 ms says little about its own spectrum, and noise that is quiet by chance
    also looks whiter than it is. At face value (caution 0) intervals at 95 % therefore hold the
    true noise in only 90 % (Q33), with `INTERVAL_CAUTION` in 96 %. No family of spectra is assumed:
    with one to nine deviations and windows of 12 and 25 ms at 12 and 20 kHz they held it in 94 to
    98 % for white noise, slopes from f^-0.5 to f^-2, high-pass from 15 to 100 Hz of first to eighth
    order, low-pass from 1 to 3 kHz and first-order autoregressions (own simulation, 2000 runs a
    cell). What the window is too short to resolve stays invisible: with a hump of 4 Hz width at
    40 Hz on Q33 they held it in 92 to 95 %.
    """
    largest = float(np.abs(deviations).max())
    if largest == 0:
        return math.nan
    n_samples = deviations.shape[-1]
    size = fft.next_fast_len(2 * n_samples - 1, real=True)
    spectra = fft.rfft(deviations / largest, size, axis=-1)
    periodogram = np.sum(spectra.real**2 + spectra.imag**2, axis=0)
    autocovariance = fft.irfft(periodogram, size)
    at_face_value = n_samples * autocovariance[0] ** 2 / np.sum(autocovariance**2)
    standard_error = math.sqrt(8 / 3 / at_face_value) / (n_independent + 1)
    df = (n_independent + 1) * at_face_value * math.exp(-caution * standard_error)
    return float(np.clip(df, 1, n_independent * n_samples))


def centred_df(deviations: FloatArray, n_independent: int) -> float:
    """Return the degrees of freedom of one deviation's variance about its mean over the window.

    Parameters
    ----------
    deviations : ndarray of float, shape (n_deviations, n_samples)
        Noise, checked, each without its mean over the window.
    n_independent : int
        How many of them are independent.

    Returns
    -------
    float
        From 1 to n_samples - 1; NaN if the deviations are all zero.

    Notes
    -----
    tr(S)^2 / tr(S^2) of their sample covariance S, which need not be stationary noise, with the
    bias of both traces removed: for m independent Gaussian deviations,
    m^2 / ((m - 1)(m + 2)) (tr(S^2) - tr(S)^2 / m) is free of bias for tr(Sigma^2) (Srivastava 2005;
    source from memory). tr(S^2) is taken from the smaller of the two Gram matrices.

    That difference is mostly noise itself while m is small: in own simulation (Q33, 5 to 17 ms)
    the F test at 5 % built on it fires in 9 % of noise with 4 sweeps. Below ten deviations the
    value is `spectral_df` with `TEST_CAUTION` instead, which keeps 3 to 6 % down to 2 sweeps.
    """
    n_samples = deviations.shape[-1]
    largest = float(np.abs(deviations).max())
    if largest == 0:
        return math.nan
    m = n_independent
    if m < FEW_DEVIATIONS:
        df = spectral_df(deviations, m, caution=TEST_CAUTION) / m
    else:
        unit = deviations / largest
        gram = unit @ unit.T if len(unit) < n_samples else unit.T @ unit
        trace = float(np.trace(gram)) / m
        square = m**2 / ((m - 1) * (m + 2)) * (float(np.sum(gram**2)) / m**2 - trace**2 / m)
        df = trace**2 / square - 2 / m if square > 0 else math.inf
    return float(np.clip(df, 1, n_samples - 1))
