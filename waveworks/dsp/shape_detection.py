"""Is there a response that looks like V and SN10? The largest of many fitted shapes, against noise.

A bank of shapes is fitted at every latency of the window in this recording's own noise
(`shape_fit`). The statistic is the largest amplitude over its standard error; what the largest of
so many is in noise alone is drawn, not assumed.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waveworks.dsp._validate import even_times, finite_array, sweeps_array
from waveworks.dsp.evidence import DECIDES
from waveworks.dsp.looks import checked_looks
from waveworks.dsp.shape_fit import shape_fit
from waveworks.dsp.shape_null import largest_in_noise, p_paths
from waveworks.dsp.shapes_in_noise import (
    ShapesInNoise,
    block_deviations,
    detection_plan,
    plan_of_window,
    shapes_in_noise,
)
from waveworks.dsp.wave_shapes import WaveShape
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]
Window = tuple[float, float]


@dataclass(frozen=True)
class ShapeTest:
    """How much a trace looks like a response.

    Parameters
    ----------
    statistic : float
        The largest fitted amplitude over its standard error, over all shapes and latencies.
    pvalue : float
        Share of noise alone whose largest is at least as large; never 0.
    v_ms : float
        Latency of wave V of that shape, in ms.
    """

    statistic: float
    pvalue: float
    v_ms: float


def shape_test(
    trace: ArrayLike,
    times_ms: ArrayLike,
    window_ms: Window,
    noise: ArrayLike,
    *,
    v_window_ms: Window | None = None,
    clean_ms: Window = (-math.inf, math.inf),
    shape: WaveShape | None = None,
) -> ShapeTest:
    """Test whether a trace holds a response shaped like V and SN10.

    Parameters
    ----------
    trace : array_like, shape (n_samples,)
        The average in nV, vertex positive up.
    times_ms : array_like, shape (n_samples,)
        Time of every sample in ms, uniform.
    window_ms : tuple of float
        Response window, where shapes are fitted.
    noise : array_like, shape (n, n_samples)
        The sweeps that the trace averages, if their mean is the trace; else noise-only traces at
        the scale of the noise in the trace, such as half differences of buffers.
    v_window_ms : tuple of float, optional
        Where wave V may be; by default from 2.5 of its widths (1.5 ms) after the start of the
        response window to where SN10 still fits.
    clean_ms : tuple of float
        Where noise is learned: free of stimulus artefact.
    shape : WaveShape, optional
        What wave V and SN10 look like on average.

    Returns
    -------
    ShapeTest
        With many noise-only traces each shape is taken in units of what it finds in them, so a
        spectrum that is none of the grid's does little harm. With sweeps, p refers to the noise
        that their scatter leaves in the average; it is learned from blocks of successive sweeps,
        so their dependence is allowed for.

    Raises
    ------
    DataError
        If the arrays do not fit each other, are not finite, hold no noise, or the window leaves
        no room for a shape.
    """
    y = finite_array(trace, name="trace", ndim=1)
    times = even_times(times_ms, n_samples=len(y))
    rows = sweeps_array(noise, name="noise", least=1)
    if rows.shape[1] != len(y):
        raise DataError(f"noise has {rows.shape[1]} samples, trace has {len(y)}")
    plan, part = detection_plan(
        times, window_ms, v_window_ms=v_window_ms, clean_ms=clean_ms, shape=shape
    )
    if len(rows) > 1 and np.allclose(rows.mean(axis=0), y, rtol=0, atol=1e-9 * np.ptp(rows)):
        deviations, n_independent = block_deviations(rows)
    else:
        deviations, n_independent = rows, len(rows)
    return _test(shapes_in_noise(plan, part.thinned(y), part.thinned(deviations), n_independent))


def shape_test_of_sweeps(sweeps: FloatArray, step_ms: float) -> ShapeTest:
    """Test the average of sweeps that are cut to the response window.

    Parameters
    ----------
    sweeps : ndarray, shape (n_sweeps, n_samples)
        In nV in the order of recording, checked.
    step_ms : float
        Time between two samples in ms.

    Returns
    -------
    ShapeTest
        `v_ms` counts from the start of the window.

    Raises
    ------
    DataError
        As `shape_test`.
    """
    return _test(_of_sweeps(sweeps, step_ms))


def shape_p_paths(
    sweeps: FloatArray, step_ms: float, n_sweeps: ArrayLike, n_paths: int
) -> FloatArray:
    """Draw what the p of the shape test does over the looks without a response.

    Parameters
    ----------
    sweeps : ndarray, shape (n_sweeps, n_samples)
        Cut to the response window; the colour of their noise decides.
    step_ms : float
        Time between two samples in ms.
    n_sweeps : array_like, shape (n_looks,)
        Sweeps at each look, rising.
    n_paths : int
        Recordings to draw.

    Returns
    -------
    ndarray, shape (n_paths, n_looks)
        Ranked among all draws and looks.

    Raises
    ------
    DataError
        As `shape_test`, or if the counts do not rise.
    """
    counts = checked_looks(n_sweeps)
    shapes = _of_sweeps(sweeps, step_ms)
    return p_paths(
        shapes.plan, int(shapes.fit.weights[0].argmax()), tuple(counts.tolist()), n_paths
    )


def _of_sweeps(sweeps: FloatArray, step_ms: float) -> ShapesInNoise:
    plan, part = plan_of_window(sweeps.shape[1], step_ms)
    deviations, n_independent = block_deviations(sweeps)
    average, noise = part.thinned(sweeps.mean(axis=0)), part.thinned(deviations)
    return shapes_in_noise(plan, average, noise, n_independent)


def _test(shapes: ShapesInNoise) -> ShapeTest:
    z = shapes.fit.z[0] / shapes.sd
    best = float(z.max())
    weights = np.where(shapes.fit.weights[0] < DECIDES, 0, shapes.fit.weights[0])
    if not weights.any():
        weights = shapes.fit.weights[0]
    p = 0.0
    for spectrum in np.flatnonzero(weights):
        null = largest_in_noise(shapes.plan, int(spectrum), shapes.learned)
        at_least = len(null) - int(np.searchsorted(null, best, side="left"))
        p += weights[spectrum] * (at_least + 1) / (len(null) + 1)
    v_ms = shape_fit(shapes.plan).v_ms[z.max(axis=0).argmax()]
    return ShapeTest(best, float(p / weights.sum()), float(v_ms))
