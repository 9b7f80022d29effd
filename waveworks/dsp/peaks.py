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
from waveworks.dsp.surrogates import (
    N_SURROGATES,
    STATED_BAND_HZ,
    stated_noise,
    surrogate_noise,
)
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]

__all__ = ["Candidate", "Marks", "ParabolaPeak", "parabola_peak", "suggest_marks"]

# The smoothing has no second moment, so it moves and flattens a peak less than a Gaussian does for
# the same noise. With this width it passes half the amplitude at 650 Hz; wave V has an SD near
# 0.6 ms.
SMOOTHING_MS = 0.45
_FEWEST_SAMPLES = 16


SN10_AFTER_MS = (1.5, 6.0)
"""SN10 is looked for this long after wave V, in ms (own choice)."""


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
    sn10_after_ms: tuple[float, float] = SN10_AFTER_MS,
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
    Standard errors and the bias of picking come from picking again: surrogate noise is added to
    the smoothed trace and the same search made in each sum. The standard errors are the SD of what
    is found, jumps to another peak included, which noise and curvature alone cannot see. The
    corrected amplitude takes off what the picks gain on average, for a maximum of noise is not
    zero. It is not corrected for being reported only when it is large.

    A replicate supports the best candidate if it shows at least 1 / n_replicates of its drop.

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
        f"parabola on the trace smoothed by a fourth-order Gaussian of {SMOOTHING_MS:g} ms SD, "
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
    amplitude = _drop(y, best, times)
    again = _pick_again(search, smoothed, drawn, smooth_noise)
    turns = _turns(smoothed, best.sn10_ms, times)
    return Marks(
        v_ms=best.v_ms,
        v_se_ms=float(again.v_ms.std()),
        sn10_ms=best.sn10_ms,
        sn10_se_ms=float(again.sn10_ms.std()) if turns else math.nan,
        v_sn10_nv=amplitude,
        v_sn10_se_nv=float(again.v_sn10_nv.std()),
        v_sn10_corrected_nv=amplitude - (float(again.v_sn10_nv.mean()) - best.v_sn10_nv),
        confidence=confidence,
        method=method,
        others=others,
        note="" if turns else "SN10 is the end of its search, no turning point",
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
    """Smooth by a Gaussian kernel of fourth order, in proportion to (3 - u^2) exp(-u^2 / 2)."""
    reach = math.ceil(4.5 * SMOOTHING_MS / step_ms)
    u = np.arange(-reach, reach + 1) * step_ms / SMOOTHING_MS
    kernel = (3 - u**2) * np.exp(-(u**2) / 2)
    smoothed: FloatArray = ndimage.convolve1d(
        traces, kernel / kernel.sum(), axis=-1, mode="nearest"
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
        drawn = stated_noise(len(trace), rn_nv, step_ms)
        low_hz, high_hz = STATED_BAND_HZ
        return drawn, f"noise of a stated spectrum, 1/f from {low_hz:g} to {high_hz:g} Hz"
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
    least = best.v_sn10_nv / len(replicates)
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


@dataclass(frozen=True, eq=False)
class _Picks:
    """What the search finds in noisy copies of a trace, one value a copy."""

    v_ms: FloatArray
    sn10_ms: FloatArray
    v_sn10_nv: FloatArray


def _pick_again(
    search: Search, smoothed: FloatArray, noise: FloatArray, smooth_noise: FloatArray
) -> _Picks:
    """Pick in smoothed noisy copies, read amplitudes in the copies as they are."""
    picked_in = smoothed + smooth_noise
    has_peak = search.best_drop(picked_in) > 0
    v_ms, sn10_ms = search.best_pairs(picked_in[has_peak])
    copies = smoothed + noise[has_peak]
    return _Picks(v_ms, sn10_ms, search.read(copies, v_ms) - search.read(copies, sn10_ms))


def _turns(trace: FloatArray, sn10_ms: float, times: FloatArray) -> bool:
    """Say whether the trace has its lowest point of three there, inside the data."""
    trough = round((sn10_ms - times[0]) / (times[1] - times[0]))
    if not 0 < trough < len(times) - 1:
        return False
    return bool(trace[trough] <= trace[trough - 1 : trough + 2].min())
