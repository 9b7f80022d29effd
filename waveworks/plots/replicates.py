"""The replicates of a level series, superimposed level by level, the highest at the top."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes

from waveworks.errors import DataError
from waveworks.measures.final_traces import COMBINED
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.marks import MarkMeasure
from waveworks.model import TimeAxis
from waveworks.plots.frame import Entry, Frame, framed, linear_ticks, set_ticks
from waveworks.plots.style import (
    DASHED,
    EAR_COLOURS,
    GREY,
    NV_PER_MS,
    Look,
    Scale,
    inches_per_ms,
    sane_scale,
)
from waveworks.plots.text import INK, NORMAL_PT, SMALL_PT, amount, fitted, write
from waveworks.plots.traces import (
    FloatArray,
    bar_length_nv,
    condition_title,
    draw_marks,
    draw_scale_bar,
    draw_stimulus,
    draw_trace,
    mark_entries,
    shade_window,
    stimulus_note,
    strip_ms,
    trace_extent,
    window_note,
    with_room,
)

MOST_LEVELS = 8

_LEAST_SPACING_NV = 100.0
_MOST_LEVEL_SPANS = 3.0
_MOST_INNER_SPANS = 8.0
_LANE_IN = 0.36
_MARGIN_IN = 0.92
_MARGIN_PT = 60.0
_LINE_PT = 9.0


@dataclass(frozen=True, eq=False)
class _Lane:
    """One level that has traces, about its own median."""

    axis: TimeAxis
    finals: tuple[tuple[str, FloatArray], ...]
    rn_nv: float
    marks: MarkMeasure

    def extent(self) -> tuple[float, float]:
        """Return how far the traces reach, but for what is far beyond nine tenths of them."""
        traces = [trace for _, trace in self.finals]
        low, high = trace_extent(traces, self.axis)
        inner = _MOST_INNER_SPANS * float(np.ptp(np.percentile(traces, [5, 95])))
        return (max(low, -inner), min(high, inner)) if inner > 0 else (low, high)

    @property
    def is_marked(self) -> bool:
        return any(
            self.axis.start_ms <= at_ms <= self.axis.stop_ms
            for at_ms in (self.marks.v_ms, self.marks.sn10_ms)
        )

    def is_cut(self, spacing_nv: float) -> bool:
        return any(np.abs(trace).max() > spacing_nv for _, trace in self.finals)


def plot_replicates(
    levels: Sequence[LevelMeasures], *, nv_per_ms: float = NV_PER_MS, ax: Axes | None = None
) -> Axes:
    """Draw a level series: the final traces of each level superimposed, the highest at the top.

    Parameters
    ----------
    levels : sequence of LevelMeasures
        One to eight, of one ear and one stimulus, in any order.
    nv_per_ms : float
        1 ms is drawn as long as this many nV, from 25 to 100.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In ms and nV; a bar shows the amplitude. Each level lies about its own median, the levels
        at equal distances. A trace is cut where it would cross the zero line of a neighbour.

    Raises
    ------
    DataError
        If there are no levels, more than eight, several ears or stimuli, nothing to draw, or the
        scale is not sane.
    """
    ordered = _checked(levels)
    lanes = [_lane(level) for level in ordered]
    drawn = [lane for lane in lanes if lane is not None]
    if not drawn:
        raise DataError("none of the levels has a trace to draw")
    start = min(lane.axis.start_ms for lane in drawn)
    stop = max(lane.axis.stop_ms for lane in drawn)
    extents = [(0.0, 0.0) if lane is None else lane.extent() for lane in lanes]
    spacing = _spacing_nv(extents, stop - start, nv_per_ms)
    scale = _scale(extents, spacing, (start, stop), nv_per_ms)

    condition, windows = ordered[0].condition, ordered[0].windows
    window_ms = None if windows is None else windows.v_ms
    colour = EAR_COLOURS.get(condition.ear, EAR_COLOURS["other"])
    looks: dict[str, Look] = {
        "1": {"color": colour, "linewidth": 1.2},
        "2": {"color": INK, "linewidth": 0.9, "linestyle": DASHED},
    }
    shown = {label for lane in drawn for label, _ in lane.finals}
    key = [Entry(f"trace {label}", look) for label, look in looks.items() if label in shown]
    key += mark_entries([lane.marks.marks_from for lane in drawn if lane.is_marked])
    widest = max((lane.axis for lane in drawn), key=lambda axis: axis.stop_ms)
    is_cut = any(lane.is_cut(spacing) for lane in drawn)
    notes = (
        "RN: residual noise of a level's traces together. Each level lies about its own median.",
        window_note(window_ms, widest),
        stimulus_note(start, stop),
        f"Cut off beyond {amount(spacing)} nV from the median." if is_cut else "",
        scale.note,
    )
    title = condition_title(condition, with_level=False)
    frame = Frame("time in ms", "", title, tuple(key), notes, _MARGIN_IN, _MARGIN_IN)
    ax = framed(ax, (scale.width_in, scale.height_in), frame)
    scale.apply(ax)
    set_ticks(ax, x=linear_ticks(start, stop) if start < stop else [start], y=())
    ax.spines["left"].set_visible(False)
    ax.spines["bottom"].set_bounds(start, stop)
    shade_window(ax, window_ms, widest)
    draw_stimulus(ax, start, stop)
    names = _level_names(ordered)
    for position, (level, lane) in enumerate(zip(ordered, lanes, strict=True)):
        zero = -position * spacing
        _write_margin(ax, zero, 0.0, _margin_words(lane, *names[position]))
        if lane is None:
            _write_why(ax, level, (start, zero), scale)
        else:
            _draw_lane(ax, lane, zero, spacing, looks)
            _write_margin(ax, zero, 1.0, _mark_words(lane))
    length = bar_length_nv(min(spacing, scale.high_nv - scale.low_nv))
    middle = 0.0 if len(lanes) == 1 else -(len(lanes) - 1) * spacing
    draw_scale_bar(ax, 0.5 * (stop + scale.stop_ms), middle, length)
    return ax


def _checked(levels: Sequence[LevelMeasures]) -> list[LevelMeasures]:
    """Return the levels, the highest first, if they belong in one picture."""
    if not 1 <= len(levels) <= MOST_LEVELS:
        raise DataError(f"{len(levels)} levels given; one picture holds 1 to {MOST_LEVELS}")
    series = {(c.ear, c.stimulus, c.frequency_hz): c for c in (level.condition for level in levels)}
    if len(series) > 1:
        met = " and ".join(condition_title(c, with_level=False) for c in series.values())
        raise DataError(f"one picture holds one ear and one stimulus; given are {met}")
    return sorted(levels, key=_level_db, reverse=True)


def _level_db(level: LevelMeasures) -> float:
    condition = level.condition
    known = (condition.level_db_nhl, condition.level_db_ehl)
    return next((value for value in known if value is not None), -math.inf)


def _lane(level: LevelMeasures) -> _Lane | None:
    combined = level.combined
    if combined is None:
        return None
    median = float(np.median(combined.trace_nv))
    finals = [trace for trace in level.traces if trace is not combined] or [combined]
    return _Lane(
        axis=combined.axis,
        finals=tuple((trace.label, trace.trace_nv - median) for trace in finals),
        rn_nv=combined.noise.rn_nv,
        marks=level.marks.get(COMBINED, MarkMeasure()),
    )


def _spacing_nv(extents: list[tuple[float, float]], span_ms: float, nv_per_ms: float) -> float:
    """Return the distance of two levels.

    Neighbours just do not meet, unless one level is far larger than most; then it is cut.
    """
    spans = [high - low for low, high in extents]
    meeting = [lower[1] - upper[0] for upper, lower in pairwise(extents)] or spans
    farthest = max(max(high, -low) for low, high in extents)
    typical = float(np.median([span for span in spans if span > 0] or [0.0]))
    readable = _LANE_IN / inches_per_ms(span_ms) * nv_per_ms
    return max(
        _LEAST_SPACING_NV, readable, min(max(*meeting, farthest), _MOST_LEVEL_SPANS * typical)
    )


def _scale(
    extents: list[tuple[float, float]],
    spacing_nv: float,
    span_ms: tuple[float, float],
    nv_per_ms: float,
) -> Scale:
    """Return a scale with room for the first level above, the last below and a bar on the right."""
    zeros = [-position * spacing_nv for position in range(len(extents))]
    least = 0.5 * min(spacing_nv, 2 * _LEAST_SPACING_NV)
    tops = [z + min(high, spacing_nv) for z, (_, high) in zip(zeros, extents, strict=True)]
    ends = [z + max(low, -spacing_nv) for z, (low, _) in zip(zeros, extents, strict=True)]
    room = with_room(
        min(*ends, zeros[-1] - least),
        max(*tops, zeros[0] + least),
        span_ms[1] - span_ms[0],
        nv_per_ms,
    )
    return sane_scale(
        (span_ms[0], span_ms[1] + strip_ms(*span_ms)),
        room,
        nv_per_ms,
        least_height_in=max(2.5, 0.6 * len(extents)),
    )


def _draw_lane(
    ax: Axes,
    lane: _Lane,
    zero_nv: float,
    spacing_nv: float,
    looks: dict[str, Look],
) -> None:
    ends = [lane.axis.start_ms, lane.axis.stop_ms]
    ax.plot(ends, [zero_nv] * 2, color=GREY, linewidth=0.4, zorder=0.7, label="zero line")
    times = lane.axis.times_ms
    for label, trace in lane.finals:
        seen = np.where(np.abs(trace) <= spacing_nv, trace, math.nan)
        look = looks.get(label, looks["1"])
        draw_trace(ax, times, seen + zero_nv, **look, zorder=2, label=f"trace {label}")
    traces = [trace for _, trace in lane.finals]
    kept = [np.clip(trace, -spacing_nv, spacing_nv) + zero_nv for trace in traces]
    draw_marks(ax, lane.marks, lane.axis, kept)


def _level_names(levels: Sequence[LevelMeasures]) -> list[tuple[str, str]]:
    """Return each level in words, and what tells it from others of the same level."""
    words = [level.condition.words() for level in levels]
    names = [one["level"] or "no level" for one in words]
    times = Counter(names)
    apart = ("masking", "condition", "channel", "polarity")
    return [
        (name, ", ".join(one[part] for part in apart if one[part]) if times[name] > 1 else "")
        for name, one in zip(names, words, strict=True)
    ]


def _margin_words(lane: _Lane | None, name: str, apart: str) -> list[str]:
    noise = ""
    if lane is not None:
        noise = "RN not known" if math.isnan(lane.rn_nv) else f"RN {_noise(lane.rn_nv)} nV"
    return [name, *(line for line in (noise, apart) if line)]


def _noise(rn_nv: float) -> str:
    return f"{rn_nv:.1f}" if rn_nv < 1000 else amount(rn_nv)


def _mark_words(lane: _Lane) -> list[str]:
    marks = lane.marks
    if math.isnan(marks.v_ms):
        return ["no V marked"]
    found = []
    for name, at_ms in (("V", marks.v_ms), ("SN10", marks.sn10_ms)):
        if not math.isnan(at_ms):
            inside = lane.axis.start_ms <= at_ms <= lane.axis.stop_ms
            found.append(f"{name} {at_ms:.2f} ms" if inside else f"{name} outside")
    return found


def _write_margin(ax: Axes, zero_nv: float, side: float, lines: list[str]) -> None:
    """Write lines beside a level: on the left (0) or on the right (1)."""
    for number, line in enumerate(lines):
        name = side == 0 and number == 0
        size_pt = NORMAL_PT if name else SMALL_PT
        up = ((len(lines) - 1) / 2 - number) * _LINE_PT
        write(
            ax,
            fitted(line, _MARGIN_PT, size_pt),
            (side, zero_nv),
            coords=("axes fraction", "data"),
            offset_pt=(5 if side else -5, up),
            ha="left" if side else "right",
            va="center",
            size_pt=size_pt,
        )


def _write_why(ax: Axes, level: LevelMeasures, at: tuple[float, float], scale: Scale) -> None:
    reason = "; ".join((*level.faults, *level.notes)) or "nothing could be combined"
    words = fitted(f"no trace: {reason}", 72 * scale.width_in - 20, most=100)
    ground = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}
    write(ax, words, at, offset_pt=(4, 0), va="center", bbox=ground, zorder=6)
