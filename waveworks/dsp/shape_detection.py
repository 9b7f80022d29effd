"""Is there a response that looks like V and SN10? The largest of many fitted shapes, against noise.

A bank of shapes is fitted at every latency of the window in this recording's own noise
(`shape_fit`). The statistic is the largest amplitude over its standard error; what the largest of
so many is in noise alone is drawn, not assumed.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waveworks.dsp._validate import even_times, finite_array, sweeps_array
from waveworks.dsp.average_noise import block_size
from waveworks.dsp.coloured_noise import ROUNDING
from waveworks.dsp.evidence import DECIDES, KNOWN, learned_class, null_z
from waveworks.dsp.fit_plan import Fit, FitPlan
from waveworks.dsp.looks import checked_looks, ranked
from waveworks.dsp.noise_spectra import GRID
from waveworks.dsp.residual_noise import average_and_deviations
from waveworks.dsp.shape_fit import shape_fit
from waveworks.dsp.wave_shapes import SN10_AFTER_MS, WaveShape
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]
Window = tuple[float, float]

N_DRAWS = 20_000
"""Of noise that is known: a p of 0.001 then has a standard error of a fifth."""

WHITE_NOTE = (
    "the noise looks white: in white noise the p of the shape test is too small "
    "(1 % is found in 1.5 to 2 %)"
)
"""Own simulation, 500 successive sweeps. White noise has power above 1500 Hz as no spectrum of the
grid has: late shapes, cut off by the end of the window, scatter more than they should."""

_MOSTLY = 0.5
_SEED = 60_221
_CHUNK = 2000
_BEFORE_WIDTHS = 2.5
"""Widths of wave V between the start of the window and the first latency."""


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
    note : str
        Why not to believe the p; empty where nothing is known against it.
    """

    statistic: float
    pvalue: float
    v_ms: float
    note: str = ""


def shape_test(
    trace: ArrayLike,
    times_ms: ArrayLike,
    window_ms: Window,
    noise: ArrayLike,
    *,
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
        Response window, where shapes are fitted; wave V lies from 2.5 of its widths (1.5 ms)
        after its start to where SN10 still fits.
    noise : array_like, shape (n, n_samples)
        The sweeps that the trace averages, if their mean is the trace; else noise-only traces at
        the scale of the noise in the trace, such as half differences of buffers.
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
    step_ms = float(times[-1] - times[0]) / (len(times) - 1)
    rows = sweeps_array(noise, name="noise", least=1)
    if rows.shape[1] != len(y):
        raise DataError(f"noise has {rows.shape[1]} samples, trace has {len(y)}")
    plan = _plan(len(y), float(times[0]), step_ms, window_ms, clean_ms, shape or WaveShape())
    if len(rows) > 1 and np.allclose(rows.mean(axis=0), y, rtol=0, atol=1e-9 * np.ptp(rows)):
        deviations, n_independent = _block_deviations(rows)
    else:
        deviations, n_independent = rows, len(rows)
    return _test(plan, y, deviations, n_independent)[0]


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
    deviations, n_independent = _block_deviations(sweeps)
    plan = _plan_of_window(sweeps.shape[1], step_ms)
    return _test(plan, sweeps.mean(axis=0), deviations, n_independent)[0]


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
    deviations, n_independent = _block_deviations(sweeps)
    plan = _plan_of_window(sweeps.shape[1], step_ms)
    _, fit = _test(plan, sweeps.mean(axis=0), deviations, n_independent)
    return _paths(plan, int(fit.weights[0].argmax()), tuple(counts.tolist()), n_paths)


def _plan_of_window(n_samples: int, step_ms: float) -> FitPlan:
    if not (math.isfinite(step_ms) and step_ms > 0):
        raise DataError(f"step_ms is {step_ms:g} ms; the shape test needs the time between samples")
    window_ms = (0.0, (n_samples - 1) * step_ms)
    return _plan(n_samples, 0.0, step_ms, window_ms, (-math.inf, math.inf), WaveShape())


def _plan(
    n_samples: int,
    start_ms: float,
    step_ms: float,
    window_ms: Window,
    clean_ms: Window,
    shape: WaveShape,
) -> FitPlan:
    return FitPlan(
        n_samples=n_samples,
        start_ms=round(start_ms, 9),
        step_ms=round(step_ms, 9),
        v_window_ms=(window_ms[0] + _BEFORE_WIDTHS * shape.v_width_ms, window_ms[1]),
        response_ms=window_ms,
        clean_ms=clean_ms,
        sn10_after_ms=SN10_AFTER_MS,
        shape=shape,
    )


def _block_deviations(sweeps: FloatArray) -> tuple[FloatArray, int]:
    """Return noise-only traces at the scale of the average, from blocks of successive sweeps."""
    size = block_size(len(sweeps))
    n_blocks = len(sweeps) // size
    if n_blocks < 2:
        raise DataError(f"sweeps: {len(sweeps)} given, at least 2 needed")
    blocks = sweeps[: n_blocks * size].reshape(n_blocks, size, -1).mean(axis=1)
    _, apart = average_and_deviations(blocks, np.full(n_blocks, 1 / n_blocks))
    scale = n_blocks * size / len(sweeps) / (n_blocks - 1)
    return apart * math.sqrt(scale), n_blocks - 1


def _test(
    plan: FitPlan, trace: FloatArray, deviations: FloatArray, n_independent: int
) -> tuple[ShapeTest, Fit]:
    fit = shape_fit(plan)
    clean = deviations[:, fit.clean]
    if not clean.size or np.ptp(clean, axis=-1).max() <= ROUNDING * np.abs(trace).max():
        raise DataError("noise: nothing varies in it; there is no noise to test against")
    measured = fit.measure(trace[np.newaxis], deviations[np.newaxis], n_independent)
    learned = learned_class(n_independent)
    z = measured.z[0]
    if learned == KNOWN:
        # In units of what each shape finds in the noise-only traces, whatever their spectrum is.
        in_noise = fit.refit(deviations, measured)
        z = z / np.sqrt(np.mean(in_noise**2, axis=(0, 2)))[:, np.newaxis]
    best = float(z.max())
    weights = np.where(measured.weights[0] < DECIDES, 0, measured.weights[0])
    if not weights.any():
        weights = measured.weights[0]
    p = 0.0
    for spectrum in np.flatnonzero(weights):
        null = _largest(plan, int(spectrum), learned)
        at_least = len(null) - int(np.searchsorted(null, best, side="left"))
        p += weights[spectrum] * (at_least + 1) / (len(null) + 1)
    latency = int(z.max(axis=0).argmax())
    flat = sum(w for w, one in zip(measured.weights[0], GRID, strict=True) if one.slope == 0)
    note = WHITE_NOTE if flat > _MOSTLY else ""
    return ShapeTest(best, float(p / weights.sum()), float(fit.v_ms[latency]), note), measured


@lru_cache(maxsize=64)
def _largest(plan: FitPlan, spectrum: int, learned: int) -> FloatArray:
    """Return the largest z of draws of noise, rising."""
    if learned != KNOWN:
        return np.sort(null_z(plan, spectrum, learned).max(axis=(1, 2)).astype(np.float64))
    return np.sort(_paths_of_largest(plan, spectrum, (1.0,), N_DRAWS, _SEED)[:, 0])


@lru_cache(maxsize=16)
def _paths(plan: FitPlan, spectrum: int, counts: tuple[float, ...], n_paths: int) -> FloatArray:
    return ranked(_paths_of_largest(plan, spectrum, counts, n_paths, _SEED + 1))


def _paths_of_largest(
    plan: FitPlan, spectrum: int, counts: tuple[float, ...], n_paths: int, seed: int
) -> FloatArray:
    """Return the largest z at each look of recordings without a response."""
    to_z = shape_fit(plan).of_normals(spectrum)
    rng = np.random.default_rng(seed)
    largest = np.empty((n_paths, len(counts)))
    for start in range(0, n_paths, _CHUNK):
        rows = slice(start, min(start + _CHUNK, n_paths))
        summed = np.zeros((rows.stop - rows.start, plan.n_samples), dtype=np.float32)
        for look, added in enumerate(np.diff(counts, prepend=0.0)):
            normals = rng.standard_normal(summed.shape, dtype=np.float32)
            summed += np.float32(math.sqrt(added)) * normals
            largest[rows, look] = (summed @ to_z).max(axis=1) / math.sqrt(counts[look])
    return largest
