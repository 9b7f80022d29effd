"""How well two replicates of one condition agree.

Four questions, four numbers: do the shapes agree (`r` with its p), is one later than the other
(`lag_samples`), how far apart are they (`gap_nv`), and how strong is what they share
(`snr_power`)? They are not interchangeable: a shrunken copy has r = 1 and yet a finite SNR.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from waveworks.dsp._validate import FloatArray, finite_array, whole_number
from waveworks.errors import DataError

LEAST_SAMPLES = 3
"""Two samples always correlate with +1 or -1."""

DIFFERENCE_SHARE = 0.25
"""The share of the difference in the effective sample size; the choice is in `agreement`."""


@dataclass(frozen=True)
class Agreement:
    """The agreement of two traces, y against x.

    Parameters
    ----------
    r : float
        Pearson correlation at lag 0. NaN if a trace is constant.
    pvalue : float
        One-sided p of `r` under independent noise: small when the traces agree. NaN, with the
        reason in `note`, where nothing can be said.
    n_effective : float
        How many independent samples the traces are worth, at most the number of samples.
    lag_samples : float
        The lag of the highest correlation, a whole number of samples; positive means that y is
        later than x. NaN if a trace is constant.
    gap_nv : float
        Mean absolute difference after removing one vertical offset, the median of the difference
        (which makes the gap smallest), in nV. No time shift.
    snr_power : float
        Power signal-to-noise ratio of the average of the two,
        4 cov / (var x + var y - 2 cov), which is 2r / (1 - r) only for equal variances.
    note : str
        What is missing, and why, in words; else empty.
    """

    r: float
    pvalue: float
    n_effective: float
    lag_samples: float
    gap_nv: float
    snr_power: float
    note: str = ""

    def critical_r(self, alpha: float = 0.05) -> float:
        """Return the correlation at lag 0 that noise reaches with a given chance.

        Parameters
        ----------
        alpha : float
            The chance, one-sided, between 0 and 1.

        Returns
        -------
        float
            From Student's t with the effective number of samples; NaN where there is no p.

        Raises
        ------
        DataError
            If `alpha` is not between 0 and 1.
        """
        if not 0 < alpha < 1:
            raise DataError(f"alpha is {alpha:g}; it must be between 0 and 1")
        df = self.n_effective - 2
        if not df > 0:
            return math.nan
        t = float(-special.stdtrit(df, alpha))
        return t / math.sqrt(df + t * t)

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Return the confidence interval of `r` by Fisher's z, SE 1 / sqrt(n_effective - 3).

        Own simulation (Q33 and white noise, 5 to 17 ms, seed 5, 3000 runs a cell): the interval at
        95 % holds the true correlation in 95 to 96 % without a response, and is too wide with one
        (97 to 100 %), because a response is no random process.

        Parameters
        ----------
        level : float
            Confidence, between 0 and 1.

        Returns
        -------
        tuple of float
            Lower and upper limit; NaN where `r` is missing or `n_effective` is 3 or less.

        Raises
        ------
        DataError
            If the level is not between 0 and 1.
        """
        if not 0 < level < 1:
            raise DataError(f"level is {level}; it must lie between 0 and 1")
        if not self.n_effective > 3 or math.isnan(self.r):
            return math.nan, math.nan
        if abs(self.r) == 1:
            return self.r, self.r
        reach = float(special.ndtri((1 + level) / 2)) / math.sqrt(self.n_effective - 3)
        z = math.atanh(self.r)
        return math.tanh(z - reach), math.tanh(z + reach)


@dataclass(frozen=True, eq=False)
class CrossCorrelation:
    """Correlation of two traces over lags.

    Parameters
    ----------
    lag_samples : ndarray of int, shape (2 max_lag + 1,)
        From -max_lag to max_lag; positive means that y is later than x.
    r : ndarray of float, shape (2 max_lag + 1,)
        Pearson correlation of the samples that overlap at that lag; NaN where one of the
        overlapping pieces is constant.
    """

    lag_samples: NDArray[np.int64]
    r: FloatArray


def agreement(x: ArrayLike, y: ArrayLike, max_lag: int = 0) -> Agreement:
    """Measure how well two replicates agree.

    Parameters
    ----------
    x, y : array_like, shape (n_samples,)
        Two averages of one condition in nV, cut to one window.
    max_lag : int
        How far, in samples, the lag of the highest correlation is sought either way; at most half
        the number of samples. `r` itself stays at lag 0.

    Returns
    -------
    Agreement

    Raises
    ------
    DataError
        If the traces are not finite, differ in length, have fewer than three samples, or `max_lag`
        is not a whole number from 0 to half the number of samples.

    Notes
    -----
    Neighbouring samples of band-limited noise are not independent, so r at face value finds
    agreement between noises. The p is that of Pearson's r among `n_effective` independent samples
    (Bartlett's idea, see `effective_sample_size`):

        1 / n_effective = 3/4 * 1 / n_traces + 1/4 * 1 / n_difference

    `n_traces` is from the product of the traces' own autocorrelations, at all lags and untapered,
    so that it is an integral of two periodograms and never negative. It is free of bias for noise
    but counts a shared response as slow noise. `n_difference` is from x - y, which holds no
    response; a squared periodogram is on average twice a squared spectrum, hence its factor 2.
    Alone it fires too often, because it is large whenever chance makes the difference small.

    Own simulation (`simulate_average`, seed 5), 20 000 pairs a cell: the test at 5 % fires in
    5.7 % (noise Q33, 5 to 17 ms), 5.6 % (Q33, 0 to 25 ms), 5.4 % and 5.3 % (Q100), 4.6 % and 4.6 %
    (white), 5.4 % and 5.3 % (S33), the test at 1 % in 0.3 to 1.0 %; taking all samples as
    independent fires in 29 and 30 % on Q33. Given a response of 100 nV in two averages of 1500
    sweeps of Q33 (4000 pairs) it fires in 75 % (5 to 17 ms) and 81 % (0 to 25 ms); `n_traces` alone
    reaches 54 % and 77 %, the critical r of a known spectrum 94 % and 89 %.
    """
    first, second = _pair(x, y)
    difference = first - second
    gap_nv = float(np.abs(difference - np.median(difference)).mean())
    flat = [name for name, trace in (("x", first), ("y", second)) if np.ptp(trace) == 0]
    if flat:
        return Agreement(
            r=math.nan,
            pvalue=math.nan,
            n_effective=math.nan,
            lag_samples=math.nan,
            gap_nv=gap_nv,
            snr_power=math.nan,
            note=f"{' and '.join(flat)} constant: no correlation and no signal-to-noise ratio",
        )
    correlations = cross_correlation(first, second, max_lag)
    r = float(correlations.r[correlations.lag_samples == 0][0])
    lag = _best_lag(correlations)
    largest = max(np.abs(first).max(), np.abs(second).max())
    if np.ptp(difference) <= 8 * np.finfo(np.float64).eps * largest:
        return Agreement(
            r=r,
            pvalue=math.nan,
            n_effective=math.nan,
            lag_samples=float(lag),
            gap_nv=gap_nv,
            snr_power=math.nan,
            note="the traces are identical apart from a vertical offset: without noise between "
            "them there is no p and no signal-to-noise ratio",
        )
    n_effective = _effective_samples(first, second)
    enough = n_effective > 2
    return Agreement(
        r=r,
        pvalue=_one_sided_p(r, n_effective) if enough else math.nan,
        n_effective=n_effective,
        lag_samples=float(lag),
        gap_nv=gap_nv,
        snr_power=_snr_power(first, second),
        note=""
        if enough
        else f"no p: the traces are worth {n_effective:.1f} independent samples, more than 2 "
        f"needed",
    )


def cross_correlation(x: ArrayLike, y: ArrayLike, max_lag: int) -> CrossCorrelation:
    """Correlate y with x at every lag from -max_lag to max_lag.

    At a positive lag k, ``y[t + k]`` is compared with ``x[t]``: if y is a copy of x that comes
    k samples later, the correlation is highest at +k.

    Parameters
    ----------
    x, y : array_like, shape (n_samples,)
        Two traces in nV.
    max_lag : int
        The largest lag in samples, at most half the number of samples.

    Returns
    -------
    CrossCorrelation

    Raises
    ------
    DataError
        As `agreement`.
    """
    first, second = _pair(x, y)
    size = first.size
    reach = whole_number(max_lag, name="max_lag (samples)", least=0, most=size // 2)
    lags = np.arange(-reach, reach + 1)
    r = np.array(
        [
            _pearson(first[max(0, -k) : size - max(0, k)], second[max(0, k) : size + min(0, k)])
            for k in lags.tolist()
        ]
    )
    for array in (lags, r):
        array.setflags(write=False)
    return CrossCorrelation(lag_samples=lags, r=r)


def effective_sample_size(
    autocorrelation_x: ArrayLike, autocorrelation_y: ArrayLike, n_samples: int
) -> float:
    """Return how many independent samples a correlation of two dependent series rests on.

    n_samples / (1 + 2 sum_k rho_x(k) rho_y(k)), which for two first-order autoregressions is
    n_samples (1 - phi_x phi_y) / (1 + phi_x phi_y).

    Parameters
    ----------
    autocorrelation_x, autocorrelation_y : array_like, shape (n_lags,)
        Autocorrelations at lags 0, 1, 2, ...; both start with 1.
    n_samples : int
        The length of the series.

    Returns
    -------
    float
        Never more than `n_samples`.

    Raises
    ------
    DataError
        If the autocorrelations differ in length, do not start with 1 or are not finite, or if
        `n_samples` is not positive.

    References
    ----------
    Bartlett 1935 and 1946, Bretherton et al. 1999 section 5 (formula read second-hand).
    """
    rho_x = finite_array(autocorrelation_x, name="autocorrelation_x", ndim=1)
    rho_y = finite_array(autocorrelation_y, name="autocorrelation_y", ndim=1)
    if rho_x.size != rho_y.size:
        raise DataError(
            f"autocorrelations of {rho_x.size} and {rho_y.size} lags; one length needed"
        )
    if not np.allclose([rho_x[0], rho_y[0]], 1.0):
        raise DataError(f"autocorrelations start with {rho_x[0]} and {rho_y[0]}; lag 0 must be 1")
    if n_samples < 1:
        raise DataError(f"n_samples is {n_samples}; it must be positive")
    inflation = 1 + 2 * float(rho_x[1:] @ rho_y[1:])
    return n_samples / max(1.0, inflation)


def _pair(x: ArrayLike, y: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return both traces, checked, of one length."""
    first = finite_array(x, name="x", ndim=1)
    second = finite_array(y, name="y", ndim=1)
    if first.size != second.size:
        raise DataError(f"x has {first.size} samples, y {second.size}; one length needed")
    if first.size < LEAST_SAMPLES:
        raise DataError(f"x and y have {first.size} samples; at least {LEAST_SAMPLES} needed")
    return first, second


def _unit_deviation(trace: FloatArray) -> FloatArray:
    """Return a trace that is not constant without its mean and of unit length."""
    deviation = trace - trace.mean()
    deviation = deviation / np.abs(deviation).max()  # squares of tiny traces would underflow
    unit: FloatArray = deviation / np.linalg.norm(deviation)
    return unit


def _pearson(x: FloatArray, y: FloatArray) -> float:
    """Return Pearson's r, NaN if either is constant."""
    if np.ptp(x) == 0 or np.ptp(y) == 0:
        return math.nan
    return float(np.clip(_unit_deviation(x) @ _unit_deviation(y), -1, 1))


def _best_lag(correlations: CrossCorrelation) -> int:
    """Return the lag of the highest correlation; of equals the one nearest to no lag."""
    order = np.argsort(np.abs(correlations.lag_samples), kind="stable")
    return int(correlations.lag_samples[order][np.nanargmax(correlations.r[order])])


def _autocorrelation(trace: FloatArray) -> FloatArray:
    """Return the autocorrelation at lags 0 to n_samples - 1, divided by n_samples at each lag."""
    spectrum = np.fft.rfft(_unit_deviation(trace), 2 * trace.size)
    rho: FloatArray = np.fft.irfft(np.abs(spectrum) ** 2)[: trace.size]
    return rho


def _effective_samples(x: FloatArray, y: FloatArray) -> float:
    """Return the effective sample size that `agreement` describes."""
    rho_d = _autocorrelation(x - y)
    n_traces = effective_sample_size(_autocorrelation(x), _autocorrelation(y), x.size)
    n_difference = 2 * effective_sample_size(rho_d, rho_d, x.size)
    inverse = (1 - DIFFERENCE_SHARE) / n_traces + DIFFERENCE_SHARE / n_difference
    return min(float(x.size), 1 / inverse)


def _one_sided_p(r: float, n_effective: float) -> float:
    """Return P(R >= r) for Pearson's r of `n_effective` independent Gaussian pairs."""
    half_df = (n_effective - 2) / 2
    return float(special.betaincc(half_df, half_df, (1 + r) / 2))


def _snr_power(x: FloatArray, y: FloatArray) -> float:
    """Return var((x + y)/2) / var((x - y)/2) - 1, written so that nothing cancels."""
    largest = max(np.ptp(x), np.ptp(y))
    first, second = (x - x.mean()) / largest, (y - y.mean()) / largest
    return float(4 * (first @ second) / np.sum((first - second) ** 2))
