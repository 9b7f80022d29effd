"""Where each level of a series lies in one picture, and how much of it is seen."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from waveworks.measures.final_traces import COMBINED
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.marks import MarkMeasure
from waveworks.model import TimeAxis
from waveworks.plots.style import Scale, inches_per_ms, sane_scale
from waveworks.plots.traces import FloatArray, letters_nv, strip_ms, trace_extent, with_room

_LEAST_SPACING_NV = 100.0
_MOST_LEVEL_SPANS = 3.0
_MOST_INNER_SPANS = 8.0
_LANE_IN = 0.4

Extent = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Lane:
    """One level that has traces, about the median of its combined trace.

    Parameters
    ----------
    axis : TimeAxis
        Of the traces.
    finals : tuple of (str, ndarray)
        Label and samples of each final trace in nV.
    rn_nv : float
        Residual noise of all of them together; NaN is not known.
    marks : MarkMeasure
        Of the combined trace.
    """

    axis: TimeAxis
    finals: tuple[tuple[str, FloatArray], ...]
    rn_nv: float
    marks: MarkMeasure

    def extent(self) -> Extent:
        """Return how far the traces reach in nV, but for what is far beyond most of them."""
        traces = [trace for _, trace in self.finals]
        low, high = trace_extent(traces, self.axis)
        inner = _MOST_INNER_SPANS * float(np.ptp(np.percentile(traces, [5, 95])))
        return (max(low, -inner), min(high, inner)) if inner > 0 else (low, high)

    def extent_with_marks(self, letters: float) -> Extent:
        """Return how far the traces or the marks with their letters reach in nV.

        Parameters
        ----------
        letters : float
            What a mark and its letters take, in nV.

        Returns
        -------
        tuple of float
        """
        low, high = self.extent()
        top, bottom = high, low
        if self._has(self.marks.v_ms):
            top = max(top, min(high, max(self._at(self.marks.v_ms))) + letters)
        if self._has(self.marks.sn10_ms):
            bottom = min(bottom, max(low, min(self._at(self.marks.sn10_ms))) - letters)
        return bottom, top

    def seen(self, most_nv: float) -> tuple[tuple[str, FloatArray], ...]:
        """Return the final traces with NaN where they are cut.

        Parameters
        ----------
        most_nv : float
            Farthest distance from the median that is drawn.

        Returns
        -------
        tuple of (str, ndarray)
        """
        return tuple(
            (label, np.where(np.abs(trace) <= most_nv, trace, math.nan))
            for label, trace in self.finals
        )

    def _has(self, at_ms: float) -> bool:
        return self.axis.start_ms <= at_ms <= self.axis.stop_ms

    def _at(self, at_ms: float) -> list[float]:
        return [float(np.interp(at_ms, self.axis.times_ms, trace)) for _, trace in self.finals]


def lane_of(level: LevelMeasures) -> Lane | None:
    """Return the lane of a level.

    Parameters
    ----------
    level : LevelMeasures
        What was measured.

    Returns
    -------
    Lane or None
        None where nothing could be combined.
    """
    combined = level.combined
    if combined is None:
        return None
    median = float(np.median(combined.trace_nv))
    finals = [trace for trace in level.traces if trace is not combined] or [combined]
    return Lane(
        axis=combined.axis,
        finals=tuple((trace.label, trace.trace_nv - median) for trace in finals),
        rn_nv=combined.noise.rn_nv,
        marks=level.marks.get(COMBINED, MarkMeasure()),
    )


def spacing_nv(lanes: Sequence[Lane | None], span_ms: float, nv_per_ms: float) -> float:
    """Return the distance of two levels.

    Parameters
    ----------
    lanes : sequence of Lane or None
        From the top; None is a level without traces, which needs room for a word.
    span_ms : float
        Of the time axis in ms.
    nv_per_ms : float
        Of the picture.

    Returns
    -------
    float
        In nV. Neighbours just do not meet, unless one level is far larger than most; then it is
        cut.
    """
    letters = letters_nv(span_ms, nv_per_ms)
    word = (-letters, letters)
    reaches = [word if lane is None else lane.extent_with_marks(letters) for lane in lanes]
    extents = [lane.extent() for lane in lanes if lane is not None] or [(0.0, 0.0)]
    meeting = [lower[1] - upper[0] for upper, lower in pairwise(reaches)]
    farthest = max(max(high, -low) for low, high in extents)
    typical = float(np.median([high - low for low, high in extents]))
    wished = min(max(*meeting, farthest, 0.0), _MOST_LEVEL_SPANS * typical)
    readable = _LANE_IN / inches_per_ms(span_ms) * nv_per_ms
    return max(_LEAST_SPACING_NV, readable, wished)


def series_scale(
    lanes: Sequence[Lane | None],
    spacing: float,
    span_ms: tuple[float, float],
    nv_per_ms: float,
) -> Scale:
    """Return a scale with room above the first level, below the last, and for a bar on the right.

    Parameters
    ----------
    lanes : sequence of Lane or None
        From the top.
    spacing : float
        Their distance in nV.
    span_ms : tuple of float
        First and last time in ms.
    nv_per_ms : float
        That is asked for.

    Returns
    -------
    Scale
        With the first level at 0 nV and the others below.
    """
    extents = [(0.0, 0.0) if lane is None else lane.extent() for lane in lanes]
    least = min(0.5 * spacing, _LEAST_SPACING_NV)
    top, bottom = least, -(len(lanes) - 1) * spacing - least
    for position, (low, high) in enumerate(extents):
        top = max(top, min(high, spacing) - position * spacing)
        bottom = min(bottom, max(low, -spacing) - position * spacing)
    return sane_scale(
        (span_ms[0], span_ms[1] + strip_ms(*span_ms)),
        with_room(bottom, top, span_ms[1] - span_ms[0], nv_per_ms),
        nv_per_ms,
        least_height_in=max(2.5, 0.6 * len(lanes)),
    )
