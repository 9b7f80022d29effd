"""All shapes at all latencies of a window, in units of what each finds in the noise."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.average_noise import block_size
from waveworks.dsp.coloured_noise import ROUNDING
from waveworks.dsp.evidence import KNOWN, learned_class
from waveworks.dsp.fit_plan import Fit, FitPlan
from waveworks.dsp.residual_noise import average_and_deviations
from waveworks.dsp.shape_fit import shape_fit
from waveworks.dsp.shape_scale import sd_of_z
from waveworks.dsp.thinning import Thinning, thinning
from waveworks.dsp.wave_shapes import WaveShape
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]
Window = tuple[float, float]

_BEFORE_WIDTHS = 2.5
"""Widths of wave V between the start of the window and the first latency."""


@dataclass(frozen=True, eq=False)
class ShapesInNoise:
    """What the shapes find in a trace, and in its noise.

    Parameters
    ----------
    plan : FitPlan
        Where what was fitted.
    fit : Fit
        Of the trace.
    sd : ndarray, shape (n_shapes, n_latencies)
        SD of `fit.z` in noise alone; 1 where too few noise-only traces tell.
    learned : int
        Class of how well the noise is known, of `learned_class`.
    """

    plan: FitPlan
    fit: Fit
    sd: FloatArray
    learned: int


def shapes_in_noise(
    plan: FitPlan, trace: FloatArray, noise: FloatArray, n_independent: int
) -> ShapesInNoise:
    """Fit all shapes to a trace, in the noise that noise-only traces show.

    Parameters
    ----------
    plan : FitPlan
        Where and what to fit.
    trace : ndarray, shape (n_samples,)
        In nV.
    noise : ndarray, shape (n_noise, n_samples)
        Noise-only traces at the scale of the noise in the trace, in nV.
    n_independent : int
        How many independent traces they are worth.

    Returns
    -------
    ShapesInNoise

    Raises
    ------
    DataError
        If nothing varies in the noise.
    """
    shapes = shape_fit(plan)
    clean = noise[:, shapes.clean]
    size = max(np.abs(trace).max(), np.abs(noise).max())
    if not clean.size or np.ptp(clean, axis=-1).max() <= ROUNDING * size:
        raise DataError("noise: nothing varies in it; there is no noise to test against")
    fit = shapes.measure(trace[np.newaxis], noise[np.newaxis], n_independent)
    learned = learned_class(n_independent)
    sd = sd_of_z(plan, noise, fit) if learned == KNOWN else np.ones(shapes.shape)
    return ShapesInNoise(plan, fit, sd, learned)


def block_deviations(sweeps: FloatArray) -> tuple[FloatArray, int]:
    """Return noise-only traces at the scale of the average, and how many they are worth.

    Parameters
    ----------
    sweeps : ndarray, shape (n_sweeps, n_samples)
        In the order of recording.

    Returns
    -------
    deviations : ndarray, shape (n_blocks, n_samples)
        Of blocks of successive sweeps, so that what lasts longer than a sweep is in them.
    n_independent : int

    Raises
    ------
    DataError
        If there are fewer than two sweeps.
    """
    size = block_size(len(sweeps))
    n_blocks = len(sweeps) // size
    if n_blocks < 2:
        raise DataError(f"sweeps: {len(sweeps)} given, at least 2 needed")
    blocks = sweeps[: n_blocks * size].reshape(n_blocks, size, -1).mean(axis=1)
    _, apart = average_and_deviations(blocks, np.full(n_blocks, 1 / n_blocks))
    scale = n_blocks * size / len(sweeps) / (n_blocks - 1)
    return apart * math.sqrt(scale), n_blocks - 1


def detection_plan(
    times_ms: FloatArray,
    window_ms: Window,
    *,
    v_window_ms: Window | None = None,
    clean_ms: Window = (-math.inf, math.inf),
    shape: WaveShape | None = None,
) -> tuple[FitPlan, Thinning]:
    """Return what to fit where to detect a response, and to what of the traces.

    Parameters
    ----------
    times_ms : ndarray, shape (n_samples,)
        In ms, uniform.
    window_ms : tuple of float
        Response window.
    v_window_ms : tuple of float, optional
        Where wave V may be; by default from 2.5 of its widths after the start of the response
        window to where SN10 still fits.
    clean_ms : tuple of float
        Where noise is learned.
    shape : WaveShape, optional
        What wave V and SN10 look like on average.

    Returns
    -------
    plan : FitPlan
        Of traces that are thinned.
    part : Thinning
        That thins them.

    Raises
    ------
    DataError
        If the window is nowhere near the traces.
    """
    shape = shape or WaveShape()
    step_ms = float(times_ms[-1] - times_ms[0]) / (len(times_ms) - 1)
    start_ms, stop_ms = max(window_ms[0], times_ms[0]), min(window_ms[1], times_ms[-1])
    anywhere = (float(start_ms) + _BEFORE_WIDTHS * shape.v_width_ms, float(stop_ms))
    part = thinning(times_ms, step_ms, window_ms, shape)
    plan = FitPlan(
        n_samples=part.n_samples,
        # Rounded, so that plans of recordings alike are equal and their fits are kept.
        start_ms=round(float(part.times_ms[0]), 9),
        step_ms=round(part.step_ms, 9),
        v_window_ms=v_window_ms or anywhere,
        response_ms=window_ms,
        clean_ms=clean_ms,
        sn10_after_ms=shape.sn10_after_ms,
        shape=shape,
    )
    return plan, part


def plan_of_window(n_samples: int, step_ms: float) -> tuple[FitPlan, Thinning]:
    """Return the same of traces that are cut to the response window.

    Parameters
    ----------
    n_samples : int
        Of the window.
    step_ms : float
        Time between two samples in ms.

    Returns
    -------
    plan : FitPlan
        Whose times count from the start of the window.
    part : Thinning

    Raises
    ------
    DataError
        If the time between samples is not known.
    """
    if not (math.isfinite(step_ms) and step_ms > 0):
        raise DataError(f"step_ms is {step_ms:g} ms; the shape test needs the time between samples")
    times_ms = np.arange(n_samples, dtype=np.float64) * step_ms
    return detection_plan(times_ms, (0.0, (n_samples - 1) * step_ms))
