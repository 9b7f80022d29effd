"""Is there a response? Single-point and multiple-point F.

F compares the variance over time of the average, about its window mean, with the noise that the
scatter of the sweeps predicts for it. Without a response it is about 1, with one about 1 + SNR.
Over all samples of the window it is the F of a one-way analysis of variance with the time points
as groups. White noise would give it exactly the F distribution; a recording's noise is not white,
so its degrees of freedom and the scale of F without a response are measured, not assumed.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from waveworks.dsp._validate import (
    FloatArray,
    at_least_two_samples,
    finite_array,
    sweeps_array,
    whole_number,
)
from waveworks.dsp.average_noise import average_noise
from waveworks.dsp.coloured_noise import ROUNDING, centred_df
from waveworks.dsp.residual_noise import average_and_deviations, noise_from_sweeps
from waveworks.dsp.sign_flips import SignFlipTest, sign_flip_test
from waveworks.errors import DataError

__all__ = [
    "FStatistic",
    "Growth",
    "SignFlipTest",
    "f_statistic",
    "growth",
    "sign_flip_test",
]

_METHOD = "quadratic-form"

LARGE_OFFSET = 1e-4
"""Sums of squares about the mean below this share of those about zero have lost four digits."""


@dataclass(frozen=True)
class FStatistic:
    """An F statistic with its own null distribution.

    Parameters
    ----------
    statistic : float
        n_sweeps times the variance of the average over the window, over the variance across
        sweeps; so it is var(average) / rn_nv^2. NaN if the sweeps are identical.
    rn_nv : float
        Residual noise in nV, from the same samples as the denominator.
    df_num, df_den : float
        Degrees of freedom of numerator and denominator without a response, with respect to this
        recording's coloured noise: the F distribution of the same moments, for reference.
    null_scale : float
        The expectation of numerator over denominator without a response: below 1 for slow noise,
        part of which goes with the window mean.
    pvalue : float
        Chance that noise with this recording's own covariance gives at least as much.
    method : {'quadratic-form'}
        How the p was found: the tail of a quadratic form in normal variables.
    """

    statistic: float
    rn_nv: float
    df_num: float
    df_den: float
    null_scale: float
    pvalue: float
    method: str

    def pvalue_with(self, df_num: float, df_den: float) -> float:
        """Return the p of the statistic for degrees of freedom that somebody assumes.

        Parameters
        ----------
        df_num, df_den : float
            Positive; customary are 5 and 250 (from memory: Elberling & Don 1984), whose 95 % and
            99 % points are the customary limits 2.25 and 3.1.

        Returns
        -------
        float
            NaN where the statistic is.

        Raises
        ------
        DataError
            If one is not positive.
        """
        if not (df_num > 0 and df_den > 0):
            raise DataError(f"degrees of freedom {df_num} and {df_den}: both must be positive")
        return float(special.fdtrc(df_num, df_den, self.statistic))


@dataclass(frozen=True, eq=False)
class Growth:
    """Residual noise and Fmp while the sweeps came in.

    Parameters
    ----------
    n_sweeps : ndarray of int, shape (n_steps,)
        The first n sweeps: step, 2 step, ...
    rn_nv : ndarray of float, shape (n_steps,)
        Residual noise of their average in nV; NaN for one sweep.
    fmp : ndarray of float, shape (n_steps,)
        Multiple-point F over all samples; NaN for one sweep and for identical ones.
    """

    n_sweeps: NDArray[np.int64]
    rn_nv: FloatArray
    fmp: FloatArray

    def sweeps_to_rn(self, limit_nv: float) -> int | None:
        """Return the count at which residual noise first met a limit.

        Parameters
        ----------
        limit_nv : float
            In nV; equal to it is met.

        Returns
        -------
        int or None
            Sweeps; None if it was never met. Later it may be above the limit again.
        """
        return self._first(self.rn_nv <= limit_nv)

    def sweeps_to_fmp(self, limit: float) -> int | None:
        """Return the count at which Fmp first met a limit.

        Parameters
        ----------
        limit : float
            Equal to it is met.

        Returns
        -------
        int or None
            Sweeps; None if it was never met. A limit that is looked at after every step is passed
            by noise more often than one that is looked at once.
        """
        return self._first(self.fmp >= limit)

    def _first(self, met: NDArray[np.bool_]) -> int | None:
        return int(self.n_sweeps[np.argmax(met)]) if met.any() else None


def f_statistic(sweeps: ArrayLike, point: int | None = None) -> FStatistic:
    """Return Fmp over all samples, or Fsp with the noise of one point.

    Parameters
    ----------
    sweeps : array_like, shape (n_sweeps, n_samples)
        In nV, cut to the response window. Blocks of equal size will do.
    point : int, optional
        Index of the sample whose variance is the denominator of Fsp. Fmp if not given.

    Returns
    -------
    FStatistic

    Raises
    ------
    DataError
        If there are fewer than two sweeps or samples, a value is not finite or the point is not a
        sample of the window.

    Notes
    -----
    Without a response the numerator is a sum of chi-square variables weighed by the eigenvalues of
    the noise covariance about the window mean. They and the noise that the numerator is held
    against come from averages of successive sweeps (`average_noise`), so the dependence of sweeps
    that follow each other is allowed for; the tail is that of `quadratic_forms`. The expected
    variance at the point of Fsp is taken to be that of the window, so noise that is stronger at
    the point than elsewhere makes its p too large. How well that variance is known follows from the
    fourth moment in the window: bursts leave it far fewer degrees of freedom than sweeps.

    With C the noise covariance, M the centring matrix and W samples, df_num = tr(MC)^2 / tr(MCMC)
    and null_scale = (tr(MC) / (W - 1)) / (tr(C) / W), both from the covariance of the sweeps (see
    `coloured_noise.centred_df`). df_den is n_sweeps - 1 for Fsp; for Fmp it is n_sweeps - 1 times
    df_num, because what remains of the denominator after division by null_scale is the pooled
    variance about the window mean. The F distribution with these moments is for reference only:
    in its tail it is too small (a nominal 0.1 % is 0.2 to 0.3 % on coloured noise).

    References
    ----------
    Elberling & Don 1984, Scand Audiol 13:187-197 (Fsp); Martin et al. 1994, Don & Elberling 1994
    (Fmp); formulas from memory. Box 1954 for the moments (from memory).
    """
    array = _window(sweeps)
    n_sweeps, n_samples = array.shape
    source = array
    if point is not None:
        source = array[:, [whole_number(point, name="point", least=0, most=n_samples - 1)]]
    rn_nv = noise_from_sweeps(source).rn_nv
    average, deviations = average_and_deviations(array, np.full(n_sweeps, 1 / n_sweeps))
    statistic = _over_noise(average, rn_nv)

    centred = deviations - deviations.mean(axis=1, keepdims=True)
    if np.abs(centred).max() <= ROUNDING * np.abs(array).max():
        return FStatistic(statistic, rn_nv, math.nan, math.nan, math.nan, math.nan, _METHOD)
    largest = np.abs(deviations).max()  # keeps the squares of tiny numbers from vanishing
    share_left = _sum_of_squares(centred / largest) / _sum_of_squares(deviations / largest)
    null_scale = share_left * n_samples / (n_samples - 1)
    df_num = centred_df(centred, n_sweeps - 1)
    df_den = float(n_sweeps - 1) if point is not None else (n_sweeps - 1) * df_num
    noise = average_noise(array)
    if point is None:
        pvalue = noise.pvalue(_sum_of_squares(average - average.mean()))
    else:
        expected = noise_from_sweeps(array).rn_nv ** 2 * (n_samples - 1)
        pvalue = noise.pvalue(statistic * expected, _variance_df(deviations))
    return FStatistic(
        statistic=statistic,
        rn_nv=rn_nv,
        df_num=df_num,
        df_den=df_den,
        null_scale=null_scale,
        pvalue=pvalue,
        method=_METHOD,
    )


def growth(sweeps: ArrayLike, step: int) -> Growth:
    """Follow residual noise and Fmp over the sweeps, in one pass.

    Parameters
    ----------
    sweeps : array_like, shape (n_sweeps, n_samples)
        In nV in the order of recording, cut to the response window.
    step : int
        How many sweeps lie between two values; sweeps after the last full step are not used.

    Returns
    -------
    Growth
        At every full step what `noise_from_sweeps` and `f_statistic` give for the sweeps so far.

    Raises
    ------
    DataError
        As `f_statistic`, or if the step is not a whole number from 1 to the number of sweeps.

    Notes
    -----
    The means and sums of squares of the steps are merged (Chan, Golub & LeVeque 1979, from
    memory), so that a drift costs no digits.
    """
    array = _window(sweeps, finite=False)
    size = whole_number(step, name="step", least=1, most=len(array))
    n_steps, n_samples = len(array) // size, array.shape[1]
    chunks = array[: n_steps * size].reshape(n_steps, size, n_samples)
    with np.errstate(invalid="ignore"):  # of infinite values, refused in the next line
        means = chunks.mean(axis=1)
    if not np.isfinite(means).all():
        finite_array(array, name="sweeps", ndim=2)
    squares = _squares(chunks, means)
    n_sweeps = size * np.arange(1, n_steps + 1)
    drift = np.cumsum(means - means[0], axis=0) / np.arange(1, n_steps + 1)[:, np.newaxis]
    averages = means[0] + drift
    changes = np.sum((means[1:] - averages[:-1]) ** 2, axis=1)
    squares[1:] += n_sweeps[:-1] * size / n_sweeps[1:] * changes
    with np.errstate(divide="ignore", invalid="ignore"):  # NaN for one sweep or without noise
        variance = np.cumsum(squares) / (n_sweeps - 1) / n_samples
        rn_nv = np.sqrt(variance / n_sweeps)
        fmp = np.where(rn_nv > 0, n_sweeps * averages.var(axis=1, ddof=1) / variance, math.nan)
    for result in (n_sweeps, rn_nv, fmp):
        result.setflags(write=False)
    return Growth(n_sweeps=n_sweeps, rn_nv=rn_nv, fmp=fmp)


def _squares(chunks: FloatArray, means: FloatArray) -> FloatArray:
    """Return the sum of all squares about the mean of each chunk of sweeps.

    An offset is left in the sum of squares until the mean's share is taken off, which saves a
    pass over the sweeps. Where that would cost more than a few digits they are shifted first.
    """
    size = chunks.shape[1]
    powers = np.sum(chunks[:, :, np.newaxis, :] @ chunks[:, :, :, np.newaxis], axis=(1, 2, 3))
    squares: FloatArray = powers - size * np.sum(means**2, axis=1)
    if (squares < LARGE_OFFSET * powers).any():
        shifted = chunks - chunks[:, :1]
        squares = np.sum((shifted - shifted.mean(axis=1, keepdims=True)) ** 2, axis=(1, 2))
    return squares


def _window(sweeps: ArrayLike, *, finite: bool = True) -> FloatArray:
    """Return the sweeps, checked, with at least two samples each."""
    array = sweeps_array(sweeps, finite=finite)
    at_least_two_samples(array, name="sweeps")
    return array


def _over_noise(average: FloatArray, rn_nv: float) -> float:
    """Return the variance of the average over its noise, NaN where no noise was seen."""
    ratio = float(average.std(ddof=1)) / rn_nv if rn_nv > 0 else math.nan
    return ratio * ratio


def _variance_df(deviations: FloatArray) -> float:
    """Return the degrees of freedom of a chi-square that scatters as the variance of a point does.

    From the variance of a sample variance, (m4 - m2^2 (n - 3) / (n - 1)) / n (a textbook's), with
    the fourth moment of the whole window: a burst lasts longer than a sample.
    """
    n = len(deviations)
    squares = (deviations / np.abs(deviations).max()) ** 2
    power = squares.mean(axis=0)
    varies = power > 0
    kurtosis = float(np.mean(np.mean(squares**2, axis=0)[varies] / power[varies] ** 2))
    return min(n - 1.0, 2 * n / (kurtosis - (n - 3) / (n - 1)))


def _sum_of_squares(array: FloatArray) -> float:
    flat = array.ravel()
    return float(flat @ flat)
