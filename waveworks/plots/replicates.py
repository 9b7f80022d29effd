"""The replicates of a level series, superimposed level by level, the highest at the top."""

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from waveworks.measures.levels import LevelMeasures
from waveworks.plots.frame import Entry, Frame, framed, linear_ticks, set_ticks, width_in
from waveworks.plots.lanes import Lane, lane_of, series_scale, spacing_nv
from waveworks.plots.marks import (
    OTHER_PLACE,
    draw_marks,
    draw_other_places,
    is_marked,
    mark_entries,
    other_places,
)
from waveworks.plots.series import one_series
from waveworks.plots.style import (
    DASHED,
    EAR_COLOURS,
    NV_PER_MS,
    Look,
    Scale,
)
from waveworks.plots.text import INK, NORMAL_PT, amount, fitted, short, write
from waveworks.plots.traces import (
    bar_length_nv,
    draw_scale_bar,
    draw_trace,
    draw_zero_lines,
)
from waveworks.plots.windows import draw_stimulus, shade_window, stimulus_note, window_note

MOST_LEVELS = 8

_MARGIN_IN = 0.92
_MARGIN_PT = 60.0
_LINE_PT = 9.0
_SPACING = 1.1
_EMPTY_SPAN_MS = 25.0
_PARTS = ("condition", "masking", "transducer", "channel", "polarity")


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
        at equal distances. A trace is cut where it would cross the zero line of a neighbour. Where
        a level has no trace, words say why.

    Raises
    ------
    DataError
        If there are no levels, more than eight, several ears or stimuli, or the scale is not
        sane.
    """
    ordered = one_series(levels, most=MOST_LEVELS)
    lanes = [lane_of(level) for level in ordered]
    drawn = [lane for lane in lanes if lane is not None]
    if not drawn:
        return _plot_reasons(ordered, nv_per_ms, ax)
    start = min(lane.axis.start_ms for lane in drawn)
    stop = max(lane.axis.stop_ms for lane in drawn)
    spacing = spacing_nv(lanes, stop - start, nv_per_ms)
    scale = series_scale(lanes, spacing, (start, stop), nv_per_ms)
    zeros = [-position * spacing for position in range(len(lanes))]

    condition = ordered[0].condition
    windows = next(level.windows for level in ordered if level.combined is not None)
    window_ms = None if windows is None else windows.v_ms
    colour = EAR_COLOURS.get(condition.ear, EAR_COLOURS["other"])
    looks: dict[str, Look] = {
        "1": {"color": colour, "linewidth": 1.2},
        "2": {"color": INK, "linewidth": 0.9, "linestyle": DASHED},
    }
    shown = {label for lane in drawn for label, _ in lane.finals}
    key = [Entry(f"trace {label}", look) for label, look in looks.items() if label in shown]
    key += mark_entries(
        [lane.marks.marks_from for lane in drawn if is_marked(lane.marks, lane.axis)]
    )
    if any(other_places(lane.marks, start, stop) for lane in drawn):
        key.append(OTHER_PLACE)
    widest = max((lane.axis for lane in drawn), key=lambda axis: axis.stop_ms)
    notes = (
        "RN: residual noise of a level's traces together. Each level lies about its own median.",
        window_note(window_ms, widest),
        stimulus_note(start, stop),
        _cut_note(lanes, zeros, spacing, scale),
        scale.note,
    )
    title, names = _told_apart(ordered)
    frame = Frame("time in ms", "", title, tuple(key), notes, _MARGIN_IN, _MARGIN_IN)
    ax = framed(ax, (scale.width_in, scale.height_in), frame)
    scale.apply(ax)
    set_ticks(ax, x=linear_ticks(start, stop) if start < stop else [start], y=())
    ax.spines["left"].set_visible(False)
    ax.spines["bottom"].set_bounds(start, stop)
    shade_window(ax, window_ms, widest)
    draw_stimulus(ax, start, stop)
    seen = [zero for zero, lane in zip(zeros, lanes, strict=True) if lane is not None]
    draw_zero_lines(ax, (start, stop), seen)
    for zero, level, lane, (name, apart) in zip(zeros, ordered, lanes, names, strict=True):
        if lane is None:
            _write_reason(ax, level, (start, zero), name, apart)
        else:
            lines = [line for line in (_noise_words(lane), apart) if line]
            _write_margin(ax, zero, name, lines, _mark_words(lane))
            _draw_lane(ax, lane, zero, spacing, looks)
    length = bar_length_nv(min(spacing, scale.high_nv - scale.low_nv))
    draw_scale_bar(ax, stop + 0.25 * (scale.stop_ms - stop), zeros[-1], length)
    return ax


def _plot_reasons(levels: Sequence[LevelMeasures], nv_per_ms: float, ax: Axes | None) -> Axes:
    """Write of each level why it has no trace, in the place of the pictures that do not exist."""
    lanes = [None] * len(levels)
    spacing = spacing_nv(lanes, _EMPTY_SPAN_MS, nv_per_ms)
    scale = series_scale(lanes, spacing, (0.0, _EMPTY_SPAN_MS), nv_per_ms)
    title, names = _told_apart(levels)
    notes = ("None of these levels has a trace to draw.",)
    frame = Frame("", title=title, notes=notes, left_in=_MARGIN_IN, right_in=_MARGIN_IN)
    ax = framed(ax, (scale.width_in, scale.height_in), frame)
    scale.apply(ax)
    set_ticks(ax, x=(), y=())
    for side in ("left", "bottom"):
        ax.spines[side].set_visible(False)
    for position, (level, (name, apart)) in enumerate(zip(levels, names, strict=True)):
        _write_reason(ax, level, (0.0, -position * spacing), name, apart)
    return ax


def _draw_lane(
    ax: Axes,
    lane: Lane,
    zero_nv: float,
    spacing_nv: float,
    looks: dict[str, Look],
) -> None:
    for label, trace in lane.seen(spacing_nv):
        look = looks.get(label, looks["1"])
        times = lane.axis.times_ms
        draw_trace(ax, times, trace + zero_nv, **look, zorder=2, label=f"trace {label}")
    kept = [np.clip(trace, -spacing_nv, spacing_nv) + zero_nv for _, trace in lane.finals]
    draw_marks(ax, lane.marks, lane.axis, kept)
    draw_other_places(ax, lane.marks, lane.axis, kept)


def _cut_note(
    lanes: Sequence[Lane | None], zeros: Sequence[float], spacing_nv: float, scale: Scale
) -> str:
    """Say so where a trace leaves the picture, or would cross the zero line of a neighbour."""
    cut = [
        float(np.abs(trace).max())
        for lane, zero in zip(lanes, zeros, strict=True)
        if lane is not None
        for _, trace in lane.finals
        if np.abs(trace).max() > spacing_nv
        or trace.max() + zero > scale.high_nv
        or trace.min() + zero < scale.low_nv
    ]
    if not cut:
        return ""
    return f"Cut off: a trace reaches {amount(max(cut))} nV from its median."


def _told_apart(levels: Sequence[LevelMeasures]) -> tuple[str, list[tuple[str, str]]]:
    """Return what the levels share, and of each its level and how else it differs."""
    words = [level.condition.words() for level in levels]
    shared = {part for part in _PARTS if len({one[part] for one in words}) == 1}
    title = [f"{words[0]['ear']} ear", words[0]["stimulus"], words[0]["frequency"]]
    title += [words[0][part] for part in _PARTS if part in shared]
    lanes = [
        (
            one["level"] or "no level",
            ", ".join(one[part] for part in _PARTS if part not in shared and one[part]),
        )
        for one in words
    ]
    return ", ".join(part for part in title if part), lanes


def _noise_words(lane: Lane) -> str:
    if math.isnan(lane.rn_nv):
        return "RN not known"
    if lane.rn_nv < 1000:
        return f"RN {lane.rn_nv:.1f} nV"
    # The margin has room for five digits before the unit.
    digits = amount(lane.rn_nv)
    return f"RN {digits if lane.rn_nv < 1e5 else short(float(digits))} nV"


def _mark_words(lane: Lane) -> list[str]:
    marks = lane.marks
    if math.isnan(marks.v_ms):
        return ["no V marked"]
    found = []
    for name, at_ms in (("V", marks.v_ms), ("SN10", marks.sn10_ms)):
        if not math.isnan(at_ms):
            inside = lane.axis.start_ms <= at_ms <= lane.axis.stop_ms
            found.append(f"{name} {at_ms:.2f} ms" if inside else f"{name} outside")
    return found


def _write_margin(ax: Axes, zero_nv: float, level: str, lines: list[str], marks: list[str]) -> None:
    """Write the level and what is known of it on the left, its marks on the right."""
    left, right = (0.0, zero_nv), (1.0, zero_nv)
    coords = ("axes fraction", "data")
    top = len(lines) * _LINE_PT / 2
    name = fitted(level, _MARGIN_PT, NORMAL_PT)
    place: Look = {"coords": coords, "offset_pt": (-5, top), "ha": "right", "va": "center"}
    write(ax, name, left, size_pt=NORMAL_PT, **place)
    if lines:
        words = "\n".join(fitted(line, _MARGIN_PT) for line in lines)
        place["offset_pt"] = (-5, -_LINE_PT / 2)
        write(ax, words, left, linespacing=_SPACING, **place)
    if marks:
        words = "\n".join(marks)
        write(ax, words, right, coords=coords, offset_pt=(5, 0), va="center", linespacing=_SPACING)


def _write_reason(
    ax: Axes, level: LevelMeasures, at: tuple[float, float], name: str, apart: str
) -> None:
    """Write the level on the left, and why it has no trace in its lane."""
    _write_margin(ax, at[1], name, [apart] if apart else [], [])
    reason = "; ".join((*level.faults, *level.notes)) or "nothing could be combined"
    words = fitted(f"no trace: {reason}", 72 * width_in(ax) - 20, most=100)
    write(ax, words, at, offset_pt=(4, 0), va="center")
