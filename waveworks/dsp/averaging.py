"""Averages of sweeps with their residual noise and known bias, and combinations of averages."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import fft

from waveworks.dsp._validate import FloatArray, positive_counts, sweeps_array, whole_number
from waveworks.dsp.residual_noise import noise_from_sweeps
from waveworks.errors import DataError

LEAST_DF = 50
"""Degrees of freedom that every noise estimate needs before it may decide a weight."""


@dataclass(frozen=True, eq=False)
class WeightedAverage:
    """An average of sweeps.

    Parameters
    ----------
    trace_nv : ndarray, shape (n_samples,)
        The average, in nV, write-protected.
    weights : ndarray
        Weights that sum to 1, write-protected: one a block where `method` is ``block-weighted``,
        else one a sweep.
    rn_nv : float
        Residual noise of `trace_nv`, in nV. NaN, with the reason in `note`, if not estimable.
    method : str
        ``plain``, ``block-weighted`` or ``power-weighted``.
    amplitude_factor : float
        Expected amplitude of a small response in `trace_nv` relative to the truth: the known bias
        of the method, 1.0 where there is none. `trace_nv` and `rn_nv` are not divided by it. NaN,
        with the reason in `note`, if not estimable.
    note : str
        What is missing, and why, in words; else empty.
    """

    trace_nv: FloatArray
    weights: FloatArray
    rn_nv: float
    method: str
    amplitude_factor: float = 1.0
    note: str = ""


@dataclass(frozen=True, eq=False)
class Combination:
    """One trace from several averages.

    Parameters
    ----------
    trace_nv : ndarray, shape (n_samples,)
        The combined trace in nV, write-protected.
    weights : ndarray, shape (n_traces,)
        One a trace, summing to 1, write-protected.
    rn_nv : float
        Residual noise of `trace_nv` if the noises of the traces are independent, in nV; NaN if
        that of a trace is not given.
    method : str
        What decided the weights: ``inverse-variance``, ``counts`` or ``equal``.
    """

    trace_nv: FloatArray
    weights: FloatArray
    rn_nv: float
    method: str


def plain_average(sweeps: ArrayLike) -> WeightedAverage:
    """Average sweeps with equal weights.

    Parameters
    ----------
    sweeps : array_like, shape (n_sweeps, n_samples)
        At least two sweeps, in nV.

    Returns
    -------
    WeightedAverage
        With one weight a sweep and no bias.

    Raises
    ------
    DataError
        If the sweeps are not finite or fewer than two.
    """
    array = sweeps_array(sweeps)
    trace_nv, weights = _weighted_mean(array, np.ones(array.shape[0]))
    return WeightedAverage(trace_nv, weights, noise_from_sweeps(array).rn_nv, "plain")


def weighted_average(sweeps: ArrayLike, n_per_block: int) -> WeightedAverage:
    """Average blocks of sweeps, each weighted by the inverse noise variance of its mean.

    The noise variance comes from the scatter of the sweeps within the block, pooled over the
    samples. For Gaussian sweeps that scatter is independent of the block's mean, so the average
    is not biased (`amplitude_factor` 1.0).

    Parameters
    ----------
    sweeps : array_like, shape (n_sweeps, n_samples)
        In the order of recording, in nV.
    n_per_block : int
        Sweeps a block, at least two (Elberling and Wahlgreen took 250). The last block takes the
        remainder and so holds up to ``2 n_per_block - 1``.

    Returns
    -------
    WeightedAverage
        With one weight a block.

    Raises
    ------
    DataError
        If the sweeps are not finite or do not fill one block, `n_per_block` is not a whole number
        of at least two, or the sweeps of a block do not differ, so that its weight is infinite.

    Notes
    -----
    Estimated weights cost something. With blocks of equal noise and many of them, each estimate
    on nu degrees of freedom, the variance of the average is (nu - 2) / (nu - 4) times that of
    ideal weights, while 1 / sum(1 / variance) reports only (nu - 2) / nu of it. `rn_nv` corrects
    for both by

        1 + sum_b 4 / (nu_b - 4) p_b (1 - p_b),    p_b the weights,

    which is nu / (nu - 4) for many equal blocks, 1 for a single one, and Meier's correction to
    first order (Meier 1953, from memory). With 250 sweeps a block it is below one per cent. At
    nu = 4 or less that variance is infinite, and `rn_nv` is missing.

    References
    ----------
    Elberling and Wahlgreen 1985, Scand Audiol 14:89-96 (abstract read). Cost (nu - 2) / (nu - 4):
    derived and simulated here.
    """
    array = sweeps_array(sweeps)
    size = whole_number(n_per_block, name="n_per_block (sweeps)", least=2, most=array.shape[0])
    starts = np.arange(array.shape[0] // size) * size
    blocks = np.split(array, starts[1:])
    rn_nv = np.array([noise_from_sweeps(block).rn_nv for block in blocks])
    if not rn_nv.all():
        silent = int(np.argmin(rn_nv))
        raise DataError(
            f"sweeps: block {silent + 1} of {len(blocks)} ({len(blocks[silent])} sweeps) has no "
            f"noise, its sweeps do not differ; its weight would be infinite"
        )
    means_nv = np.array([block.mean(axis=0) for block in blocks])
    trace_nv, weights = _weighted_mean(means_nv, _inverse_variance(rn_nv))
    ideal_nv = math.sqrt(float(np.sum(weights**2 * rn_nv**2)))  # 1 / sqrt(sum(1 / variance))
    df = _block_df(blocks)
    cost = _cost_of_estimated_weights(weights, df)
    return WeightedAverage(
        trace_nv,
        weights,
        ideal_nv * math.sqrt(cost),
        "block-weighted",
        note=""
        if math.isfinite(cost)
        else f"no residual noise: a block's weight rests on {df.min():.1f} degrees of freedom, "
        f"more than 4 needed",
    )


def power_weighted_average(sweeps: ArrayLike) -> WeightedAverage:
    """Average sweeps, each weighted by the inverse of its own mean square.

    Every sweep is judged alone, so single artefacts lose their weight; but the response is part of
    the power that decides, and the average is biased low.

    Parameters
    ----------
    sweeps : array_like, shape (n_sweeps, n_samples)
        At least two sweeps, in nV, cut to the window whose power is to decide.

    Returns
    -------
    WeightedAverage
        With one weight a sweep, and `amplitude_factor` 1 - 2 / M, M the number of independent
        samples that a sweep is worth.

    Raises
    ------
    DataError
        If the sweeps are not finite, fewer than two, or one of them is zero throughout.

    Notes
    -----
    M is estimated as the inverse mean squared cosine between two sweeps, which it is exactly for
    white noise. A slow offset that the sweeps share counts as power and makes M small. The factor
    holds for a response small against a single sweep with the spectrum of the noise. Own
    simulation, a wave V and SN10 on noise Q33 (60 000 sweeps, seed 1): 0.83 where 1 - 2 / M is 0.89
    (5 to 17 ms), 0.91 where it is 0.94 (0 to 25 ms).

    `rn_nv` is 1 / sqrt(sum(1 / mean square)), the noise of `trace_nv` as it stands; divided by
    `amplitude_factor` it can be compared with that of an unbiased average.

    References
    ----------
    Hoke et al. 1984, Electroenceph Clin Neurophysiol 57:484-489 (from memory). The factor is
    derived and simulated here; the bias itself: Lutkenhoner et al. 1985, Biol Cybern 52:409-416
    (abstract read).
    """
    array = sweeps_array(sweeps)
    rms_nv = np.sqrt(np.mean(array**2, axis=1))
    if not (rms_nv > 0).all():
        raise DataError(
            f"sweeps: sweep {int(np.argmin(rms_nv)) + 1} of {rms_nv.size} is zero throughout; its "
            f"weight would be infinite"
        )
    trace_nv, weights = _weighted_mean(array, _inverse_variance(rms_nv))
    worth = _independent_samples(array)
    known = worth > 2
    return WeightedAverage(
        trace_nv,
        weights,
        math.sqrt(float(np.sum(weights**2 * rms_nv**2))),
        "power-weighted",
        amplitude_factor=1 - 2 / worth if known else math.nan,
        note=""
        if known
        else f"no amplitude factor: a sweep is worth {worth:.1f} independent samples, more than "
        f"2 needed",
    )


def combine(
    traces: ArrayLike,
    rn_nv: ArrayLike | None = None,
    *,
    n_sweeps: ArrayLike | None = None,
    df: ArrayLike | None = None,
) -> Combination:
    """Combine several averages of one condition into one trace.

    Weights are the inverse variances of `rn_nv` if `df` is given and each is 50 or more, or if
    `rn_nv` alone is given: then the caller vouches for it. Otherwise they are `n_sweeps` if given,
    else equal. A noise estimate on few degrees of freedom would weight by chance.

    Parameters
    ----------
    traces : array_like, shape (n_traces, n_samples)
        The averages, in nV.
    rn_nv : array_like, shape (n_traces,), optional
        Residual noise of each, in nV; NaN where it is not known.
    n_sweeps : array_like, shape (n_traces,), optional
        Accepted sweeps of each.
    df : array_like, shape (n_traces,), optional
        Degrees of freedom of each noise estimate; NaN where it is not known.

    Returns
    -------
    Combination
        `rn_nv` is sqrt(sum(weight^2 rn_nv^2)) of the noise given, for any weights.

    Raises
    ------
    DataError
        If the traces are not finite, the numbers given do not match them, a count is not positive,
        a noise is negative, or one that should decide a weight is zero or not known.
    """
    array = sweeps_array(traces, name="traces", least=1)
    n_traces = array.shape[0]
    noise_nv = None if rn_nv is None else _per_trace(rn_nv, name="rn_nv", length=n_traces)
    freedom = None if df is None else _per_trace(df, name="df", length=n_traces)
    counts = (
        None if n_sweeps is None else positive_counts(n_sweeps, name="n_sweeps", length=n_traces)
    )
    vouched = freedom is None and counts is None
    certain = freedom is not None and bool((freedom >= LEAST_DF).all())
    if noise_nv is not None and (vouched or certain):
        if not (np.isfinite(noise_nv) & (noise_nv > 0)).all():
            raise DataError(
                f"rn_nv: inverse variances need a positive noise for each trace, given "
                f"{noise_nv.tolist()} nV"
            )
        method, parts = "inverse-variance", _inverse_variance(noise_nv)
    elif counts is not None:
        method, parts = "counts", counts
    else:
        method, parts = "equal", np.ones(n_traces)
    trace_nv, weights = _weighted_mean(array, parts)
    combined_nv = math.nan if noise_nv is None else math.sqrt(np.sum(weights**2 * noise_nv**2))
    return Combination(trace_nv, weights, combined_nv, method)


def _per_trace(values: ArrayLike, *, name: str, length: int) -> FloatArray:
    """Return one number a trace, none negative; NaN stands for not known."""
    array = np.asarray(values, dtype=np.float64)
    if array.shape != (length,):
        raise DataError(f"{name}: {array.size} values given, {length} needed")
    if (array < 0).any():
        raise DataError(f"{name}: no value may be negative, given {array.tolist()}")
    return array


def _inverse_variance(rn_nv: FloatArray) -> FloatArray:
    """Return inverse variances relative to the largest, so that equal noises give exactly 1."""
    parts: FloatArray = (rn_nv.min() / rn_nv) ** 2
    return parts


def _block_df(blocks: list[FloatArray]) -> FloatArray:
    """Return the degrees of freedom of each block's noise variance, pooled over the samples."""
    counts = np.array([len(block) for block in blocks])
    # Orthonormal contrasts between the sweeps of a block, independent of its mean and each other.
    contrasts = np.concatenate([fft.dct(block, axis=0, norm="ortho")[1:] for block in blocks])
    if len(contrasts) < 2:  # two sweeps cannot show how many of their samples are independent
        return counts - 1.0
    return (counts - 1) * _independent_samples(contrasts[contrasts.any(axis=1)])


def _cost_of_estimated_weights(weights: FloatArray, df: FloatArray) -> float:
    """Return true variance over 1 / sum(1 / estimated variance), NaN where it is infinite."""
    if weights.size == 1:
        return 1.0
    if not (df > 4).all():
        return math.nan
    return 1 + float(np.sum(4 / (df - 4) * weights * (1 - weights)))


def _weighted_mean(traces: FloatArray, parts: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean over rows weighted by `parts`, and the weights, both write-protected.

    The sum is divided once at the end, so that equal parts give the plain mean to the last bit.
    """
    total = parts.sum()
    trace_nv = (traces * parts[:, np.newaxis]).sum(axis=0) / total
    weights = parts / total
    for array in (trace_nv, weights):
        array.setflags(write=False)
    return trace_nv, weights


def _independent_samples(sweeps: FloatArray) -> float:
    """Return the number of independent samples a sweep is worth, at most its length."""
    n_sweeps, n_samples = sweeps.shape
    unit = sweeps / np.linalg.norm(sweeps, axis=1, keepdims=True)
    gram = unit.T @ unit if n_samples < n_sweeps else unit @ unit.T
    n_pairs = n_sweeps * (n_sweeps - 1)
    squared_cosines = float(np.sum(gram**2)) - n_sweeps  # of all pairs of different sweeps
    return float(n_pairs / max(squared_cosines, n_pairs / n_samples))
