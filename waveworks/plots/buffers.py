"""The buffers A and B of one recording, and half their difference."""

import numpy as np
from matplotlib.axes import Axes

from waveworks.errors import DataError
from waveworks.measures.pooling import scaled_difference
from waveworks.model import Buffers, Recording
from waveworks.plots.frame import Entry, Frame, framed, linear_ticks, set_ticks
from waveworks.plots.style import DASHED, EAR_COLOURS, NV_PER_MS, Look, sane_scale
from waveworks.plots.text import INK, NORMAL_PT, write
from waveworks.plots.traces import (
    bar_length_nv,
    condition_title,
    cut_note,
    draw_scale_bar,
    draw_trace,
    draw_zero_lines,
    strip_ms,
    trace_extent,
    with_room,
)
from waveworks.plots.windows import draw_stimulus, stimulus_note

_LEAST_SPACING_NV = 150.0


def plot_buffers(
    recording: Recording, *, nv_per_ms: float = NV_PER_MS, ax: Axes | None = None
) -> Axes:
    """Draw A and B superimposed, and the noise that they show below.

    Parameters
    ----------
    recording : Recording
        That holds a pair of buffers.
    nv_per_ms : float
        1 ms is drawn as long as this many nV, from 25 to 100.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In ms and nV; a bar shows the amplitude. The lower trace is half the difference of A and
        B, at the scale of the noise in their average where their sweeps are not equal in number.
        A and B lie about the median of both, the difference about its own.

    Raises
    ------
    DataError
        If the recording holds anything else, or the scale is not sane.
    """
    data = recording.data
    if not isinstance(data, Buffers):
        raise DataError(
            f"'{recording.name}' holds {recording.layout}; this picture needs buffers A and B"
        )
    axis = data.axis
    middle = float(np.median([data.a_nv, data.b_nv]))
    a, b = data.a_nv - middle, data.b_nv - middle
    difference = scaled_difference(data.a_nv, data.b_nv, *data.counts)
    difference = difference - np.median(difference)
    low, high = trace_extent([a, b], axis)
    below, above = trace_extent([difference], axis)
    spacing = max(_LEAST_SPACING_NV, 1.1 * (above - low))
    room = with_room(
        min(low, below - spacing),
        max(high, above - spacing),
        axis.stop_ms - axis.start_ms,
        nv_per_ms,
    )
    drawn = [a, b, difference - spacing]
    span = axis.start_ms, axis.stop_ms + strip_ms(axis.start_ms, axis.stop_ms)
    scale = sane_scale(span, room, nv_per_ms)

    n_a, n_b = data.counts
    equal = n_a == n_b
    colour = EAR_COLOURS.get(recording.condition.ear, EAR_COLOURS["other"])
    looks: tuple[tuple[str, Look], ...] = (
        ("A", {"color": colour, "linewidth": 1.2}),
        ("B", {"color": INK, "linewidth": 0.9, "linestyle": DASHED}),
        ("(A \u2212 B)/2", {"color": "#555555", "linewidth": 1.0}),
    )
    notes = (
        ""
        if equal
        else f"A holds {n_a} sweeps and B {n_b}: their difference is drawn at the scale of the "
        "noise in their average.",
        "A and B lie about their median, the difference about its own.",
        stimulus_note(axis.start_ms, axis.stop_ms),
        cut_note(drawn, scale),
        scale.note,
    )
    frame = Frame(
        "time in ms",
        title=f"{recording.name}: {condition_title(recording.condition, with_level=True)}",
        key=tuple(Entry(name, look) for name, look in looks),
        notes=notes,
        right_in=0.2,
    )
    ax = framed(ax, (scale.width_in, scale.height_in), frame)
    scale.apply(ax)
    ticks = linear_ticks(axis.start_ms, axis.stop_ms) if axis.n_samples > 1 else [axis.start_ms]
    set_ticks(ax, x=ticks, y=())
    ax.spines["left"].set_visible(False)
    ax.spines["bottom"].set_bounds(axis.start_ms, axis.stop_ms)
    draw_stimulus(ax, axis.start_ms, axis.stop_ms)
    draw_zero_lines(ax, (axis.start_ms, axis.stop_ms), [0.0, -spacing])
    for zero, name in ((0.0, "A and B"), (-spacing, looks[2][0])):
        place: Look = {"coords": ("axes fraction", "data"), "ha": "right", "va": "center"}
        write(ax, name, (0, zero), offset_pt=(-5, 0), size_pt=NORMAL_PT, **place)
    for (name, look), trace in zip(looks, drawn, strict=True):
        draw_trace(ax, axis.times_ms, trace, **look, zorder=2, label=name)
    length = bar_length_nv(min(spacing, scale.high_nv - scale.low_nv))
    draw_scale_bar(ax, axis.stop_ms + 0.25 * (scale.stop_ms - axis.stop_ms), -spacing / 2, length)
    return ax
