"""A first suggestion of wave V and SN10: near the maximum, silent where noise could have made it.

Wave V is a positive peak (vertex positive up) and SN10 the deepest point after it. The trace is
smoothed lightly, every local maximum in the V window is a candidate, and its drop to the deepest
point that follows is held against the same search in noise like this recording's own.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from waveworks.dsp._validate import finite_array
from waveworks.dsp.peak_search import Candidate, ParabolaPeak, Search, parabola_peak
from waveworks.dsp.surrogates import N_SURROGATES, stated_noise, surrogate_noise
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]

__all__ = ["Candidate", "Marks", "ParabolaPeak", "parabola_peak", "suggest_marks"]

# A Gaussian of this SD passes half the amplitude at 750 Hz; wave V itself has an SD near 0.6 ms.
SMOOTHING_MS = 0.25
# A replicate that shows less than this share of the combined drop does not support it.
SUPPORT = 0.25
_FEWEST_SAMPLES = 16


@dataclass(frozen=True)
class Marks:
    """Suggested marks.

    Parameters
    ----------
    v_ms, v_se_ms : float
        Latency of wave V and its standard error in ms; NaN is no mark.
    sn10_ms, sn10_se_ms : float
        Latency of SN10 and its standard error in ms.
    v_sn10_nv, v_sn10_se_nv : float
        Amplitude from V to SN10, read on the trace itself, and its standard error in nV.
    v_sn10_corrected_nv : float
        The amplitude less what picking peaks in noise adds on average, in nV.
    confidence : float
        Share of noise alone whose best candidate is smaller; not the chance of being right. NaN
        without a mark.
    method : str
        How the suggestion was made, and what the noise rests on.
    others : tuple of Candidate
        All candidates, the best first, marked or not.
    note : str
        Why there is no mark, or what to know about it.
    """

    v_ms: float = math.nan
    v_se_ms: float = math.nan
    sn10_ms: float = math.nan
    sn10_se_ms: float = math.nan
    v_sn10_nv: float = math.nan
    v_sn10_se_nv: float = math.nan
    v_sn10_corrected_nv: float = math.nan
    confidence: float = math.nan
    method: str = ""
    others: tuple[Candidate, ...] = ()
    note: str = ""


def suggest_marks(
    trace: ArrayLike,
    times_ms: ArrayLike,
    rn_nv: float,
    v_window_ms: tuple[float, float],
    *,
    replicates: ArrayLike | None = None,
    noise: ArrayLike | None = None,
    noise_rate: float = 0.05,
    sn10_after_ms: tuple[float, float] = (1.5, 6.0),
) -> Marks:
    """Suggest wave V and SN10, or say why there is none.

    Parameters
    ----------
    trace : array_like, shape (n_samples,)
        The average in nV, vertex positive up.
    times_ms : array_like, shape (n_samples,)
        Time of every sample in ms, uniform.
    rn_nv : float
        Noise left in the trace in nV; NaN takes the scale of `noise` or of the replicates.
    v_window_ms : tuple of float
        Where wave V is looked for, in ms.
    replicates : array_like, shape (n_replicates, n_samples), optional
        The traces averaged into this one; each must show the drop.
    noise : array_like, shape (n_traces, n_samples), optional
        Independent noise-only traces at the scale of the noise in the trace, such as half
        differences; by default the replicates less their mean, else a spectrum of 1/f.
    noise_rate : float
        Share of noise-only traces that may get a mark.
    sn10_after_ms : tuple of float
        SN10 is looked for between these times after wave V, in ms.

    Returns
    -------
    Marks

    Raises
    ------
    DataError
        If the arrays do not fit each other, are not finite, or a window is impossible.

    Notes
    -----
    A maximum of noise is not zero. The corrected amplitude takes off what the same search gains
    on average when surrogate noise is added to the smoothed trace. It is not corrected for being
    reported only when it is large.

    The standard error of a latency is the SD of the slope of the smoothed noise over the curvature
    at the mark. It is too small where noise decides between peaks, see the validation tests.

    Wave V is positive. If the trace upside down holds a larger drop, and one rarer in noise than
    `noise_rate`, there is no mark and the note says so; nothing is turned over.
    """
    y, times = _trace_and_times(trace, times_ms)
    step_ms = (times[-1] - times[0]) / (len(times) - 1)
    search = Search(times, step_ms, v_window_ms, sn10_after_ms)
    if not 0 < noise_rate < 1:
        raise DataError(f"noise_rate is {noise_rate}; it must lie between 0 and 1")
    if rn_nv < 0 or math.isinf(rn_nv):
        raise DataError(f"rn_nv is {rn_nv:g} nV; it must be a number of at least 0, or NaN")
    copies = None if replicates is None else _matching(replicates, y, "replicates")
    smoothed = _smooth(y, step_ms)
    candidates = search.candidates(smoothed)
    drawn, origin = _noise_draws(y, step_ms, rn_nv, noise, copies)
    method = (
        f"parabola on the trace smoothed by a Gaussian of {SMOOTHING_MS:g} ms SD, "
        f"against {N_SURROGATES} draws of {origin}"
    )
    if not candidates:
        return Marks(method=method, note=_nothing_to_pick(y, search))
    if drawn is None:
        return Marks(method=method, others=candidates, note="no noise estimate to judge it by")
    smooth_noise = _smooth(drawn, step_ms)
    null = search.best_drop(smooth_noise)
    best = candidates[0]
    exceeding = int((null >= best.v_sn10_nv).sum())
    confidence = 1 - (exceeding + 1) / (N_SURROGATES + 1)
    reason = ""
    upside_down = float(search.best_drop(-smoothed[np.newaxis])[0])
    if upside_down > max(best.v_sn10_nv, float(np.quantile(null, 1 - noise_rate))):
        reason = (
            f"upside down the trace holds a larger drop, {upside_down:.3g} nV against "
            f"{best.v_sn10_nv:.3g} nV: check its polarity"
        )
    elif confidence < 1 - noise_rate:
        reason = f"noise alone reaches this drop in {1 - confidence:.2g} of draws"
    elif copies is not None:
        reason = _unsupported(best, copies, times, step_ms)
    others = _with_reasons(candidates, reason)
    if reason:
        return Marks(method=method, others=others, note=reason)
    v_se, sn10_se, amplitude_se = _standard_errors(best, smoothed, smooth_noise, drawn, times)
    amplitude = _drop(y, best, times)
    picking_bias_nv = float(search.best_drop(smoothed + smooth_noise).mean()) - best.v_sn10_nv
    return Marks(
        v_ms=best.v_ms,
        v_se_ms=v_se,
        sn10_ms=best.sn10_ms,
        sn10_se_ms=sn10_se,
        v_sn10_nv=amplitude,
        v_sn10_se_nv=amplitude_se,
        v_sn10_corrected_nv=amplitude - picking_bias_nv,
        confidence=confidence,
        method=method,
        others=others,
        note="SN10 is the end of its search, no turning point" if math.isnan(sn10_se) else "",
    )


def _trace_and_times(trace: ArrayLike, times_ms: ArrayLike) -> tuple[FloatArray, FloatArray]:
    y = finite_array(trace, name="trace", ndim=1)
    times = finite_array(times_ms, name="times_ms", ndim=1)
    if len(y) != len(times):
        raise DataError(f"trace has {len(y)} samples, times_ms has {len(times)}")
    if len(y) < _FEWEST_SAMPLES:
        raise DataError(f"trace has {len(y)} samples; at least {_FEWEST_SAMPLES} are needed")
    steps = np.diff(times)
    if steps.min() <= 0 or np.ptp(steps) > 1e-3 * steps.mean():
        raise DataError(
            f"times_ms must rise evenly; its steps go from {steps.min():g} to {steps.max():g} ms"
        )
    return y, times


def _matching(traces: ArrayLike, trace: FloatArray, name: str) -> FloatArray:
    array = finite_array(traces, name=name, ndim=2)
    if array.shape[1] != len(trace):
        raise DataError(f"{name} have {array.shape[1]} samples, trace has {len(trace)}")
    return array


def _smooth(traces: FloatArray, step_ms: float) -> FloatArray:
    smoothed: FloatArray = ndimage.gaussian_filter1d(
        traces, SMOOTHING_MS / step_ms, axis=-1, mode="nearest"
    )
    return smoothed


def _noise_draws(
    trace: FloatArray,
    step_ms: float,
    rn_nv: float,
    noise: ArrayLike | None,
    replicates: FloatArray | None,
) -> tuple[FloatArray | None, str]:
    """Return surrogate noise and what it rests on; None where nothing says how large it is."""
    if noise is not None:
        given = _matching(noise, trace, "noise")
        if given.any():
            drawn = surrogate_noise(given, _smooth(given, step_ms), len(given), rn_nv)
            return drawn, "noise with the spectrum of the noise given"
    if replicates is not None and len(replicates) > 1:
        # Each has the variance of a replicate times (1 - 1/n); the mean of n has it divided by n.
        n_independent = len(replicates) - 1
        apart = (replicates - replicates.mean(axis=0)) / math.sqrt(n_independent)
        if apart.any():
            drawn = surrogate_noise(apart, _smooth(apart, step_ms), n_independent, rn_nv)
            return drawn, "noise with the spectrum of the replicates less their mean"
    if not math.isnan(rn_nv) and rn_nv > 0:
        return stated_noise(len(trace), rn_nv), "noise of a stated spectrum, 1/f"
    return None, "no noise"


def _nothing_to_pick(trace: FloatArray, search: Search) -> str:
    if np.ptp(trace) == 0:
        return "the trace is flat"
    if search.candidates(-trace):
        return "no positive peak followed by a trough in the V window; is the polarity inverted?"
    return "no positive peak followed by a trough in the V window"


def _drop(trace: FloatArray, marks: Candidate, times: FloatArray) -> float:
    at_v, at_sn10 = np.interp([marks.v_ms, marks.sn10_ms], times, trace)
    return float(at_v - at_sn10)


def _unsupported(best: Candidate, replicates: FloatArray, times: FloatArray, step_ms: float) -> str:
    least = SUPPORT * best.v_sn10_nv
    for number, replicate in enumerate(_smooth(replicates, step_ms), start=1):
        shown = _drop(replicate, best, times)
        if shown < least:
            return (
                f"replicate {number} shows {shown:.3g} nV there; at least {least:.3g} nV are needed"
            )
    return ""


def _with_reasons(candidates: tuple[Candidate, ...], reason: str) -> tuple[Candidate, ...]:
    best, *rest = candidates
    smaller = f"its drop is smaller than the best one's, {best.v_sn10_nv:.3g} nV"
    lost = [Candidate(c.v_ms, c.sn10_ms, c.v_sn10_nv, smaller) for c in rest]
    return (Candidate(best.v_ms, best.sn10_ms, best.v_sn10_nv, reason), *lost)


def _standard_errors(
    best: Candidate,
    smoothed: FloatArray,
    smooth_noise: FloatArray,
    noise: FloatArray,
    times: FloatArray,
) -> tuple[float, float, float]:
    """Return those of V, of SN10 (noise slope over curvature) and of the amplitude."""
    step_ms = times[1] - times[0]
    slope_sd = float((smooth_noise[:, 2:] - smooth_noise[:, :-2]).std()) / (2 * step_ms)
    bend = np.abs(np.gradient(np.gradient(smoothed, step_ms), step_ms))
    at_v, at_sn10 = np.interp([best.v_ms, best.sn10_ms], times, bend)
    at = np.array([best.v_ms, best.sn10_ms]) - times[0]
    left = np.minimum(at // step_ms, len(times) - 2).astype(int)
    share = at / step_ms - left
    ends = (1 - share) * noise[:, left] + share * noise[:, left + 1]
    amplitude_se = float(np.subtract(*ends.T).std())
    trough = round((best.sn10_ms - times[0]) / step_ms)
    turns = smoothed[trough] <= smoothed[max(trough - 1, 0) : trough + 2].min()
    inside = 0 < trough < len(times) - 1 and at_sn10 > 0
    return (
        slope_sd / at_v if at_v > 0 else math.nan,
        slope_sd / at_sn10 if turns and inside else math.nan,
        amplitude_se,
    )
