"""Does the combined trace of a level look like a response? The shape test in its own noise."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from waveworks.dsp.detection import shape_test
from waveworks.dsp.wave_shapes import WaveShape
from waveworks.errors import DataError
from waveworks.measures.final_traces import FinalTrace, noise_only
from waveworks.measures.pooling import FloatArray, noise_only_traces
from waveworks.settings import ExpectedWave, StimulusWindows


@dataclass(frozen=True, kw_only=True)
class ShapeMeasure:
    """The shape test of a combined trace.

    Parameters
    ----------
    statistic, pvalue : float
        Of `shape_test`; NaN where it could not be made.
    method : str
        What the noise rests on, in words.
    note : str
        Why it could not be made.
    """

    statistic: float = math.nan
    pvalue: float = math.nan
    method: str = ""
    note: str = ""


def shape_of(expected: ExpectedWave | None) -> WaveShape:
    """Return the shape that is expected of a kind of recording.

    Parameters
    ----------
    expected : ExpectedWave or None
        None gives the shape of a click.

    Returns
    -------
    WaveShape
    """
    if expected is None:
        return WaveShape()
    return WaveShape(expected.v_width_ms, expected.sn10_width_ms, expected.sn10_lag_ms)


def level_shape(
    combined: FinalTrace,
    traces: Sequence[FinalTrace],
    windows: StimulusWindows,
    expected: ExpectedWave | None,
) -> ShapeMeasure:
    """Test the combined trace of a level for a response of the expected shape.

    Parameters
    ----------
    combined : FinalTrace
        To test.
    traces : sequence of FinalTrace
        All of its level.
    windows : StimulusWindows
        Of the stimulus: shapes are fitted in the response window, noise is learned in the noise
        window.
    expected : ExpectedWave or None
        Whose shape is looked for; its latencies are not used.

    Returns
    -------
    ShapeMeasure
    """
    noise, method = _noise(combined, traces, windows)
    if noise is None:
        return ShapeMeasure(note="no shape test: nothing tells the noise of the combined trace")
    try:
        found = shape_test(
            combined.trace_nv,
            combined.axis.times_ms,
            windows.response_ms,
            noise,
            clean_ms=windows.noise_ms,
            shape=shape_of(expected),
        )
    except DataError as fault:
        return ShapeMeasure(note=f"no shape test: {fault}")
    return ShapeMeasure(statistic=found.statistic, pvalue=found.pvalue, method=method)


def _noise(
    combined: FinalTrace, traces: Sequence[FinalTrace], windows: StimulusWindows
) -> tuple[FloatArray | None, str]:
    """Return noise-only traces at the scale of the residual noise, and what they are."""
    noise = noise_only_traces(combined.members)
    method = f"{len(noise)} noise-only traces of the recordings"
    if not len(noise):
        difference = noise_only(combined, traces)
        if difference is None:
            return None, ""
        noise, method = difference[np.newaxis], "the difference of the two final traces"
    if combined.weighting == "inverse-variance" and combined.noise.rn_nv > 0:
        # Weights by inverse variance leave less noise than counts do, which the traces go by.
        inside = noise[:, combined.axis.window(*windows.noise_ms, name="noise window")]
        size = math.sqrt(np.mean(inside**2))
        if size > 0:
            noise = noise * (combined.noise.rn_nv / size)
    return noise, method
