"""Suggestions of wave V and SN10: sure where the trace is clear, silent where noise could do it.

Shapes of wave V and SN10 are held against the trace in units of this recording's own noise, all
shapes and latencies together say where wave V can be, and the same is done to noise alone to know
how often noise gets a mark.
"""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from waveworks.dsp._validate import even_times, finite_array
from waveworks.dsp.coloured_noise import ROUNDING
from waveworks.dsp.evidence import BY_SIZE, N_DRAWS, Evidence
from waveworks.dsp.fit_plan import FitPlan
from waveworks.dsp.judging import judge, looks_inverted
from waveworks.dsp.level_series import suggest_series
from waveworks.dsp.marks import Candidate, Marks
from waveworks.dsp.peak_search import ParabolaPeak, Search, parabola_peak
from waveworks.dsp.shape_fit import shape_fit
from waveworks.dsp.thinning import thinning
from waveworks.dsp.wave_shapes import SN10_AFTER_MS, WaveShape
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]
Window = tuple[float, float]

__all__ = [
    "Candidate",
    "Marks",
    "ParabolaPeak",
    "WaveShape",
    "parabola_peak",
    "suggest_marks",
    "suggest_series",
]

SMOOTHING_MS = 0.45
"""SD of the Gaussian that a plain maximum is looked for behind."""

_MIDDLE = WaveShape()
_FEWEST_SAMPLES = 16


def suggest_marks(
    trace: ArrayLike,
    times_ms: ArrayLike,
    rn_nv: float,
    v_window_ms: Window,
    *,
    replicates: ArrayLike | None = None,
    noise: ArrayLike | None = None,
    noise_rate: float = 0.05,
    sn10_after_ms: Window = SN10_AFTER_MS,
    response_window_ms: Window | None = None,
    clean_ms: Window = (-math.inf, math.inf),
    expected_ms: Window = (-math.inf, math.inf),
    shape: WaveShape = _MIDDLE,
    bootstrap: bool = True,
) -> Marks:
    """Suggest wave V and SN10, or say why there is none.

    Parameters
    ----------
    trace : array_like, shape (n_samples,)
        The average in nV, vertex positive up.
    times_ms : array_like, shape (n_samples,)
        Time of every sample in ms, uniform.
    rn_nv : float
        Noise left in the trace in nV; NaN or 0 takes the scale of `noise` or of the replicates.
    v_window_ms : tuple of float
        Where wave V is looked for, in ms.
    replicates : array_like, shape (n_replicates, n_samples), optional
        The traces averaged into this one; each must show the response.
    noise : array_like, shape (n_traces, n_samples), optional
        Independent noise-only traces at the scale of the noise in the trace, such as half
        differences or, from ten on, deviations of blocks of sweeps; by default the replicates
        less their mean; without either, or where it does not vary, only the size of the noise,
        `rn_nv`, is known.
    noise_rate : float
        Share of noise-only traces that may get a mark, from about 0.001.
    sn10_after_ms : tuple of float
        SN10 is looked for between these times after wave V, in ms.
    response_window_ms : tuple of float, optional
        Where shapes are fitted, in ms; by default 2.5 widths of wave V before the V window to
        the middle of a late SN10 after it (5 to 17 ms for 6.5 to 12 ms).
    clean_ms : tuple of float
        Where the trace is free of stimulus artefact and late muscle activity; nothing outside is
        used.
    expected_ms : tuple of float
        Latencies of wave V that are expected at this level; nothing outside is marked.
    shape : WaveShape
        What wave V and SN10 look like on average.
    bootstrap : bool
        Take standard errors from a bootstrap of `noise` where it has ten traces or more.

    Returns
    -------
    Marks

    Raises
    ------
    DataError
        If the arrays do not fit each other, are not finite, or a window is impossible.

    Notes
    -----
    The mark is the mean latency over all shapes and places, weighed by their likelihood, within
    the likeliest hill. Its standard error is the SD over the same, other hills included. A mark is
    given where fewer than `noise_rate` of draws of noise, fitted in the same way and their size
    learned from as little, look as much like a response.

    Wave V is positive. If the trace upside down looks more like a response, and more than noise
    does, there is no mark and the note says so; nothing is turned over.

    Without any idea of the noise, or with replicates that are one trace apart from an offset, the
    candidates are plain maxima and none is marked.
    """
    y, times = _trace_and_times(trace, times_ms)
    step_ms = float(times[-1] - times[0]) / (len(times) - 1)
    if not 1 / (N_DRAWS + 1) <= noise_rate < 1:
        raise DataError(
            f"noise_rate is {noise_rate}; it must be below 1 and at least 1 / {N_DRAWS + 1}, "
            "the smallest share that the draws of noise can show"
        )
    if rn_nv < 0 or math.isinf(rn_nv):
        raise DataError(f"rn_nv is {rn_nv:g} nV; it must be a number of at least 0, or NaN")
    search = Search(times, step_ms, v_window_ms, sn10_after_ms)
    response_ms = response_window_ms or _response_window(v_window_ms, shape)
    for name, (start, stop) in (("clean part", clean_ms), ("response window", response_ms)):
        if not start < stop:
            raise DataError(f"{name} {start:g} to {stop:g} ms; it must start before it stops")
    copies = _matching(replicates, y, "replicates")
    given = _matching(noise, y, "noise")
    if np.ptp(y) == 0:
        return Marks(note="the trace is flat")
    clean = (times >= clean_ms[0]) & (times <= clean_ms[1])
    if not clean.any():
        raise DataError(
            f"clean part {clean_ms[0]:g} to {clean_ms[1]:g} ms holds no sample of the trace, "
            f"{times[0]:g} to {times[-1]:g} ms"
        )
    deviations, n_independent, origin = _noise(copies, given, clean)
    if n_independent == BY_SIZE and len(copies) > 1:
        note = "no noise estimate: the replicates are one trace, apart from an offset"
        return replace(_plain_maximum(y, step_ms, search), note=note)
    if n_independent == BY_SIZE and not rn_nv > 0:
        return _plain_maximum(y, step_ms, search)
    # These are copies: what becomes of the caller's arrays does not change the evidence.
    part = thinning(times, step_ms, response_ms, shape)
    given_as = ((part.times_ms, part.cropped(y)), (part.times_ms, -part.cropped(y)))
    y, copies, deviations = (part.thinned(x) for x in (y, copies, deviations))
    plan = FitPlan(
        n_samples=len(y),
        start_ms=round(float(part.times_ms[0]), 9),
        step_ms=round(part.step_ms, 9),
        v_window_ms=v_window_ms,
        response_ms=response_ms,
        clean_ms=clean_ms,
        sn10_after_ms=sn10_after_ms,
        shape=shape,
    )
    fit = shape_fit(plan)
    first, last = max(expected_ms[0], fit.v_ms[0]), min(expected_ms[1], fit.v_ms[-1])
    if not last - first > shape.v_width_ms:
        raise DataError(
            f"expected latencies {expected_ms[0]:g} to {expected_ms[1]:g} ms in the V window "
            f"{v_window_ms[0]:g} to {v_window_ms[1]:g} ms leave {max(last - first, 0.0):.2g} ms "
            f"for wave V; its width, {shape.v_width_ms:g} ms, is needed at least"
        )
    if n_independent and rn_nv > 0:
        deviations = deviations * (rn_nv / math.sqrt(np.mean(deviations[:, fit.clean] ** 2)))
    both_ways = np.stack([y, -y])
    if n_independent == BY_SIZE:
        measured = fit.measure_by_size(both_ways, rn_nv)
    else:
        measured = fit.measure(both_ways, np.stack([deviations] * 2), n_independent)
    upright, upside_down = (
        Evidence(
            plan=plan,
            fit=measured.row(row),
            n_independent=n_independent,
            trace=both_ways[row],
            as_given=given_as[row],
            deviations=deviations,
            replicates_z=fit.refit(copies, measured.row(row)),
            expected_ms=(first, last),
            noise_rate=noise_rate,
            origin=f"{len(fit.bank.heights)} shapes, against {N_DRAWS} draws of {origin}",
        )
        for row in (0, 1)
    )
    upright = replace(upright, inverted=looks_inverted(upright, upside_down))
    return judge(upright, [upright.anywhere()], bootstrap=bootstrap)


def _trace_and_times(trace: ArrayLike, times_ms: ArrayLike) -> tuple[FloatArray, FloatArray]:
    y = finite_array(trace, name="trace", ndim=1)
    times = even_times(times_ms, n_samples=len(y))
    if len(y) < _FEWEST_SAMPLES:
        raise DataError(f"trace has {len(y)} samples; at least {_FEWEST_SAMPLES} are needed")
    return y, times


def _matching(traces: ArrayLike | None, trace: FloatArray, name: str) -> FloatArray:
    if traces is None:
        return np.empty((0, len(trace)))
    array = finite_array(traces, name=name, ndim=2)
    if array.shape[1] != len(trace):
        raise DataError(f"{name} have {array.shape[1]} samples, trace has {len(trace)}")
    return array


def _noise(
    copies: FloatArray, given: FloatArray, clean: NDArray[np.bool_]
) -> tuple[FloatArray, int, str]:
    """Return noise-only traces, how many are independent, and what they are in words.

    Only what varies over the clean part counts as noise: an offset is none.
    """
    if _varies(given[:, clean], given):
        return given, len(given), "noise with the spectrum of the noise given"
    if len(copies) > 1:
        # Each has the variance of a replicate times (1 - 1/n); the mean of n has it divided by n.
        apart = (copies - copies.mean(axis=0)) / math.sqrt(len(copies) - 1)
        if _varies(apart[:, clean], copies):
            return (
                apart,
                len(copies) - 1,
                "noise with the spectrum of the replicates less their mean",
            )
    return np.empty((0, copies.shape[1])), BY_SIZE, "noise of the stated size"


def _varies(noise: FloatArray, source: FloatArray) -> bool:
    if not noise.size:
        return False
    return bool(np.ptp(noise, axis=-1).max() > ROUNDING * np.abs(source).max())


def _response_window(v_window_ms: Window, shape: WaveShape) -> Window:
    before = 2.5 * shape.v_width_ms
    after = shape.sn10_lag_ms + 1.2 * shape.sn10_width_ms
    return v_window_ms[0] - before, v_window_ms[1] + after


def _plain_maximum(trace: FloatArray, step_ms: float, search: Search) -> Marks:
    """Return the candidates of the smoothed trace, none of them marked."""
    method = (
        f"plain maximum of the trace smoothed by a fourth-order Gaussian of {SMOOTHING_MS:g} ms SD"
    )
    candidates = search.candidates(_smooth(trace, step_ms))
    if not candidates:
        inverted = search.candidates(_smooth(-trace, step_ms))
        question = "; is the polarity inverted?" if inverted else ""
        return Marks(
            method=method,
            note=f"no positive peak followed by a trough in the V window{question}",
        )
    reason = "no noise estimate to judge it by"
    best, *rest = candidates
    smaller = f"its drop is smaller than the best one's, {best.v_sn10_nv:.3g} nV"
    others = (replace(best, lost=reason), *(replace(c, lost=smaller) for c in rest))
    return Marks(method=method, others=others, note=reason)


def _smooth(trace: FloatArray, step_ms: float) -> FloatArray:
    """Smooth by a Gaussian kernel of fourth order, in proportion to (3 - u^2) exp(-u^2 / 2).

    It has no second moment, so it moves and flattens a peak less than a Gaussian does.
    """
    reach = math.ceil(4.5 * SMOOTHING_MS / step_ms)
    u = np.arange(-reach, reach + 1) * step_ms / SMOOTHING_MS
    kernel = (3 - u**2) * np.exp(-(u**2) / 2)
    smoothed: FloatArray = ndimage.convolve1d(trace, kernel / kernel.sum(), mode="nearest")
    return smoothed
