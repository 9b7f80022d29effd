"""What the pictures of traces share: which samples set the scale, lines, scale bars, titles."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from waveworks.model import Condition, TimeAxis
from waveworks.plots.frame import linear_ticks
from waveworks.plots.style import GREY, Look, Scale, inches_per_ms
from waveworks.plots.text import INK, amount, write

FloatArray = NDArray[np.float64]

SCALE_FROM_MS = 1.5
"""Samples before it may hold the stimulus artefact and do not set the scale (common practice, no
source). They are drawn as far as they fit."""

_MOST_ARTEFACT = 1.5
_LETTERS_IN = 0.26


def trace_extent(traces: Sequence[FloatArray], axis: TimeAxis) -> tuple[float, float]:
    """Return the lowest and highest amplitude that a picture must show.

    Parameters
    ----------
    traces : sequence of ndarray, shape (n_samples,)
        In nV.
    axis : TimeAxis
        Of the traces.

    Returns
    -------
    tuple of float
        Over all samples, unless those before 1.5 ms reach much further than the rest.
    """
    values = np.asarray(traces)
    later = axis.times_ms >= SCALE_FROM_MS
    full = float(values.min()), float(values.max())
    if not later.any():
        return full
    inner = float(values[:, later].min()), float(values[:, later].max())
    span = inner[1] - inner[0]
    return inner if 0 < _MOST_ARTEFACT * span < full[1] - full[0] else full


def with_room(
    low_nv: float, high_nv: float, span_ms: float, nv_per_ms: float
) -> tuple[float, float]:
    """Widen an extent by the room that marks and their letters need above and below.

    Parameters
    ----------
    low_nv, high_nv : float
        The extent in nV.
    span_ms : float
        Of the time axis in ms.
    nv_per_ms : float
        Of the picture.

    Returns
    -------
    tuple of float
        In nV.
    """
    room = 0.04 * (high_nv - low_nv) + letters_nv(span_ms, nv_per_ms)
    return low_nv - room, high_nv + room


def letters_nv(span_ms: float, nv_per_ms: float) -> float:
    """Return the amplitude that a mark with its letters takes.

    Parameters
    ----------
    span_ms : float
        Of the time axis in ms.
    nv_per_ms : float
        Of the picture.

    Returns
    -------
    float
        In nV.
    """
    return _LETTERS_IN / inches_per_ms(span_ms) * nv_per_ms


def cut_note(traces: Sequence[FloatArray], scale: Scale) -> str:
    """Say so where a trace leaves the picture.

    Parameters
    ----------
    traces : sequence of ndarray, shape (n_samples,)
        In nV, as drawn.
    scale : Scale
        Of the picture.

    Returns
    -------
    str
        Empty where all of it is seen.
    """
    values = np.asarray(traces)
    if values.min() >= scale.low_nv and values.max() <= scale.high_nv:
        return ""
    return f"Cut off: the traces reach from {amount(values.min())} to {amount(values.max())} nV."


def draw_trace(ax: Axes, times_ms: FloatArray, trace_nv: FloatArray, **look: Any) -> Line2D:
    """Draw one trace; a single sample is drawn as a dot.

    Parameters
    ----------
    ax : Axes
        To draw in.
    times_ms, trace_nv : ndarray, shape (n_samples,)
        In ms and nV; NaN leaves a gap.
    **look
        Properties of the line.

    Returns
    -------
    Line2D
    """
    marker = "." if times_ms.size == 1 else "none"
    line = Line2D(times_ms, trace_nv, **{"marker": marker, "solid_joinstyle": "round", **look})
    ax.add_line(line)
    return line


def draw_zero_lines(ax: Axes, span_ms: tuple[float, float], zeros_nv: Sequence[float]) -> None:
    """Draw a thin line at the zero of each group of traces.

    Parameters
    ----------
    ax : Axes
        To draw in.
    span_ms : tuple of float
        First and last time of the data in ms.
    zeros_nv : sequence of float
        Where, in nV.
    """
    times = np.tile([*span_ms, math.nan], len(zeros_nv))
    heights = np.repeat(np.asarray(zeros_nv), 3)
    ax.add_line(Line2D(times, heights, color=GREY, linewidth=0.4, zorder=0.7, label="zero lines"))


def draw_scale_bar(ax: Axes, at_ms: float, middle_nv: float, length_nv: float) -> None:
    """Draw a vertical bar of a stated amplitude instead of an axis.

    Parameters
    ----------
    ax : Axes
        To draw in.
    at_ms, middle_nv : float
        Where.
    length_nv : float
        How long.
    """
    ends = [middle_nv - length_nv / 2, middle_nv + length_nv / 2]
    look: Look = {"color": INK, "linewidth": 1.2, "marker": "_", "markersize": 5.0}
    ax.add_line(Line2D([at_ms] * 2, ends, label="scale bar", **look))
    words = f"{amount(length_nv)} nV"
    write(ax, words, (at_ms, middle_nv), offset_pt=(4, 0), va="center", rotation=90)


def bar_length_nv(span_nv: float) -> float:
    """Return a round length of at most half a span.

    Parameters
    ----------
    span_nv : float
        In nV.

    Returns
    -------
    float
        1, 2 or 5 times a power of ten, in nV.
    """
    decade = 10.0 ** math.floor(math.log10(span_nv / 2))
    return max(digit * decade for digit in (1, 2, 5) if digit * decade <= span_nv / 2)


def amplitude_ticks(scale: Scale) -> list[float]:
    """Return the ticks of an amplitude axis, as many as its height has room for.

    Parameters
    ----------
    scale : Scale
        Of the picture.

    Returns
    -------
    list of float
        In nV.
    """
    return linear_ticks(scale.low_nv, scale.high_nv, min(8, max(2, int(scale.height_in / 0.35))))


def condition_title(condition: Condition, *, with_level: bool) -> str:
    """Return what was recorded, in words.

    Parameters
    ----------
    condition : Condition
        Of the picture.
    with_level : bool
        Whether the level belongs to it.

    Returns
    -------
    str
        Not yet shortened.
    """
    words = condition.words()
    names = ("stimulus", "frequency", "level", "masking", "condition", "transducer")
    parts = [words[name] for name in names if with_level or name not in ("level", "masking")]
    return ", ".join(text for text in (f"{words['ear']} ear", *parts) if text)


def strip_ms(start_ms: float, stop_ms: float) -> float:
    """Return how much time right of the data a scale bar takes.

    Parameters
    ----------
    start_ms, stop_ms : float
        First and last time of the data in ms.

    Returns
    -------
    float
        In ms.
    """
    return max(0.07 * (stop_ms - start_ms), 0.5)
