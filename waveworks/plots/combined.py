"""One trace with its noise: the combined trace of a level, or the average of a recording."""

import math

from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from waveworks.errors import DataError
from waveworks.measures.final_traces import COMBINED
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.marks import MarkMeasure
from waveworks.measures.pooling import mean_trace
from waveworks.measures.recordings import RecordingMeasures
from waveworks.model import TimeAxis
from waveworks.plots.frame import Entry, Frame, framed, linear_ticks, set_ticks
from waveworks.plots.marks import draw_marks, is_marked, mark_entries
from waveworks.plots.style import (
    BAND,
    DASHED,
    EAR_COLOURS,
    GREY,
    NORMAL_95,
    NV_PER_MS,
    Look,
    sane_scale,
)
from waveworks.plots.text import amount
from waveworks.plots.traces import (
    FloatArray,
    amplitude_ticks,
    condition_title,
    cut_note,
    draw_trace,
    trace_extent,
    with_room,
)
from waveworks.plots.windows import (
    draw_stimulus,
    shade_window,
    stimulus_note,
    visible_part,
    window_note,
)

_BAND_LOOK: Look = {"color": BAND, "linewidth": 6.0, "solid_capstyle": "butt"}
_BOLD = 1.8
_WINDOW_LOOK: Look = {"color": GREY, "linewidth": 3.0, "solid_capstyle": "butt"}


def plot_combined(
    level: LevelMeasures, *, nv_per_ms: float = NV_PER_MS, ax: Axes | None = None
) -> Axes:
    """Draw the combined trace of a level with its noise, its final traces and its marks.

    Parameters
    ----------
    level : LevelMeasures
        With a combined trace.
    nv_per_ms : float
        1 ms is drawn as long as this many nV, from 25 to 100.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In ms and nV. The band is the combined trace plus and minus 1.96 residual noise.

    Raises
    ------
    DataError
        If the level has no combined trace or the scale is not sane.
    """
    combined = level.combined
    if combined is None:
        reason = "; ".join((*level.faults, *level.notes)) or "nothing could be combined"
        raise DataError(f"level '{level.condition}' has no combined trace: {reason}")
    marks = level.marks.get(COMBINED, MarkMeasure())
    finals = [trace for trace in level.traces if trace is not combined]
    # One final trace alone is the combined trace.
    finals = finals if len(finals) > 1 else []
    return _plot(
        title=condition_title(level.condition, with_level=True),
        axis=combined.axis,
        trace_nv=combined.trace_nv,
        name="combined trace" if finals else "the only trace",
        rn_nv=combined.noise.rn_nv,
        finals=[(trace.label, trace.trace_nv) for trace in finals],
        colour=EAR_COLOURS.get(level.condition.ear, EAR_COLOURS["other"]),
        marks=marks,
        windows=(None, None)
        if level.windows is None
        else (level.windows.response_ms, level.windows.v_ms),
        nv_per_ms=nv_per_ms,
        ax=ax,
    )


def plot_recording(
    measured: RecordingMeasures, *, nv_per_ms: float = NV_PER_MS, ax: Axes | None = None
) -> Axes:
    """Draw the average of one recording with its noise.

    Parameters
    ----------
    measured : RecordingMeasures
        Of a recording with usable data.
    nv_per_ms : float
        1 ms is drawn as long as this many nV, from 25 to 100.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In ms and nV. The band is the average plus and minus 1.96 residual noise.

    Raises
    ------
    DataError
        If the data could not be used or the scale is not sane.
    """
    recording = measured.recording
    placed = recording.marks
    return _plot(
        title=f"{recording.name}: {condition_title(recording.condition, with_level=True)}",
        axis=recording.data.axis,
        trace_nv=mean_trace(recording.data),
        name="average",
        rn_nv=measured.noise.rn_nv,
        finals=[],
        colour=EAR_COLOURS.get(recording.condition.ear, EAR_COLOURS["other"]),
        marks=MarkMeasure(v_ms=placed.v_ms, sn10_ms=placed.sn10_ms, marks_from="clinician")
        if placed.placed
        else None,
        windows=(None, None),
        nv_per_ms=nv_per_ms,
        ax=ax,
    )


def _plot(
    *,
    title: str,
    axis: TimeAxis,
    trace_nv: FloatArray,
    name: str,
    rn_nv: float,
    finals: list[tuple[str, FloatArray]],
    colour: str,
    marks: MarkMeasure | None,
    windows: tuple[tuple[float, float] | None, tuple[float, float] | None],
    nv_per_ms: float,
    ax: Axes | None,
) -> Axes:
    known = not math.isnan(rn_nv)
    half = NORMAL_95 * rn_nv if known else 0.0
    low, high = trace_nv - half, trace_nv + half
    drawn = [trace_nv, low, high, *(final for _, final in finals)]
    room = with_room(*trace_extent(drawn, axis), axis.stop_ms - axis.start_ms, nv_per_ms)
    scale = sane_scale((axis.start_ms, axis.stop_ms), room, nv_per_ms)
    response = visible_part(windows[0], axis)

    looks: tuple[Look, Look] = ({"linestyle": "-"}, {"linestyle": DASHED})
    thin = {
        label: {"color": GREY, "linewidth": 0.9, **look}
        for (label, _), look in zip(finals, looks, strict=False)
    }
    key = [Entry(name, {"color": colour, "linewidth": _BOLD})]
    key += [Entry(f"trace {label}", look) for label, look in thin.items()]
    if known:
        key.append(Entry(f"\u00b11.96 \u00d7 residual noise ({amount(rn_nv)} nV)", _BAND_LOOK))
    if windows[0] is not None and response is not None:
        words = f"response window, {amount(response[0])} to {amount(response[1])} ms"
        key.append(Entry(words, _WINDOW_LOOK))
    if marks is not None and is_marked(marks, axis):
        key += mark_entries([marks.marks_from])
    notes = ["Band: at each point by itself." if known else "Residual noise not known: no band."]
    if marks is not None:
        notes.append(_mark_note(marks, axis))
    notes += [window_note(windows[1], axis), stimulus_note(axis.start_ms, axis.stop_ms)]
    notes += [cut_note(drawn, scale), scale.note]

    frame = Frame("time in ms", "amplitude in nV", title, tuple(key), tuple(notes))
    ax = framed(ax, (scale.width_in, scale.height_in), frame)
    scale.apply(ax)
    set_ticks(ax, x=linear_ticks(scale.start_ms, scale.stop_ms), y=amplitude_ticks(scale))
    shade_window(ax, windows[1], axis)
    draw_stimulus(ax, axis.start_ms, axis.stop_ms)
    if known:
        ax.fill_between(axis.times_ms, low, high, color=BAND, linewidth=0, zorder=1)
    for label, final in finals:
        draw_trace(ax, axis.times_ms, final, **thin[label], zorder=2, label=f"trace {label}")
    draw_trace(ax, axis.times_ms, trace_nv, color=colour, linewidth=_BOLD, zorder=3, label=name)
    if response is not None:
        at_bottom: Look = {"transform": ax.get_xaxis_transform(), "label": "response window"}
        ax.add_artist(Line2D(response, [0.03, 0.03], **_WINDOW_LOOK, **at_bottom))
    if marks is not None:
        draw_marks(ax, marks, axis, [trace_nv])
    return ax


def _mark_note(marks: MarkMeasure, axis: TimeAxis) -> str:
    if math.isnan(marks.v_ms):
        return "No wave V marked."
    outside = [
        f"{name} is marked at {at_ms:g} ms, outside the data."
        for name, at_ms in (("Wave V", marks.v_ms), ("SN10", marks.sn10_ms))
        if not math.isnan(at_ms) and not axis.start_ms <= at_ms <= axis.stop_ms
    ]
    return " ".join(outside)
