"""Marks of wave V and SN10: filled where a clinician placed them, hollow where suggested."""

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.transforms import ScaledTranslation

from waveworks.measures.marks import MarkMeasure
from waveworks.model import TimeAxis
from waveworks.plots.frame import Entry
from waveworks.plots.style import GREY, NORMAL_95, Look
from waveworks.plots.text import INK, write
from waveworks.plots.traces import FloatArray

_MARK_PT = 5.0
LEAST_SHARE = 0.1
"""Places with less of the likelihood are not shown."""

_MOST_PLACES = 2

OTHER_LOOK: Look = {
    "linestyle": "none",
    "marker": "d",
    "markersize": 4.0,
    "markeredgecolor": GREY,
    "markeredgewidth": 0.6,
    "markerfacecolor": "white",
    "zorder": 4,
}
OTHER_PLACE = Entry("another place wave V could be", OTHER_LOOK)


def is_marked(marks: MarkMeasure, axis: TimeAxis) -> bool:
    """Tell whether a mark lies in the data.

    Parameters
    ----------
    marks : MarkMeasure
        Of a trace.
    axis : TimeAxis
        Of the trace.

    Returns
    -------
    bool
    """
    return any(axis.start_ms <= at <= axis.stop_ms for at in (marks.v_ms, marks.sn10_ms))


def draw_marks(ax: Axes, marks: MarkMeasure, axis: TimeAxis, traces: Sequence[FloatArray]) -> None:
    """Draw wave V above and SN10 below traces: filled is a clinician's, hollow a suggestion.

    Parameters
    ----------
    ax : Axes
        To draw in.
    marks : MarkMeasure
        Those outside the data are not drawn.
    axis : TimeAxis
        Of the traces.
    traces : sequence of ndarray, shape (n_samples,)
        As drawn, in nV; the marks stand outside all of them.
    """
    look = mark_look(marks.marks_from)
    for name, at_ms, se_ms, shape, side in (
        ("V", marks.v_ms, marks.v_se_ms, "v", 1),
        ("SN10", marks.sn10_ms, marks.sn10_se_ms, "^", -1),
    ):
        if not axis.start_ms <= at_ms <= axis.stop_ms:
            continue
        heights = [side * np.interp(at_ms, axis.times_ms, trace) for trace in traces]
        at_nv = side * float(max(heights))
        up = ScaledTranslation(0, side * _MARK_PT / 72, ax.figure.dpi_scale_trans)
        moved = ax.transData + up
        if not math.isnan(se_ms):
            ends = [at_ms - NORMAL_95 * se_ms, at_ms + NORMAL_95 * se_ms]
            bar: Look = {"color": INK, "linewidth": 1.0, "marker": "|", "markersize": 4.0}
            ax.add_artist(Line2D(ends, [at_nv] * 2, transform=moved, zorder=4, **bar))
        ax.add_artist(
            Line2D([at_ms], [at_nv], transform=moved, **{**look, "marker": shape, "label": name})
        )
        letters = side * (_MARK_PT + 4)
        vertical = "bottom" if side > 0 else "top"
        write(ax, name, (at_ms, at_nv), offset_pt=(0, letters), ha="center", va=vertical, zorder=6)


def other_places(marks: MarkMeasure, start_ms: float, stop_ms: float) -> list[float]:
    """Return where else wave V could be.

    Parameters
    ----------
    marks : MarkMeasure
        Of a trace.
    start_ms, stop_ms : float
        Of the part that is drawn, in ms.

    Returns
    -------
    list of float
        Latencies in ms: of the candidates that lost, at most two, each with a tenth of the
        likelihood or more. Where nothing is marked the best one is among them.
    """
    lost = [one for one in marks.others if one.lost and one.share >= LEAST_SHARE]
    inside = [one.v_ms for one in lost if start_ms <= one.v_ms <= stop_ms]
    return inside[:_MOST_PLACES]


def draw_other_places(
    ax: Axes, marks: MarkMeasure, axis: TimeAxis, traces: Sequence[FloatArray]
) -> None:
    """Draw faintly, above the traces, where else wave V could be.

    Parameters
    ----------
    ax : Axes
        To draw in.
    marks : MarkMeasure
        Of the traces together.
    axis : TimeAxis
        Of the traces.
    traces : sequence of ndarray, shape (n_samples,)
        As drawn, in nV.
    """
    up = ScaledTranslation(0, _MARK_PT / 72, ax.figure.dpi_scale_trans)
    for at_ms in other_places(marks, axis.start_ms, axis.stop_ms):
        at_nv = max(float(np.interp(at_ms, axis.times_ms, trace)) for trace in traces)
        look: Look = {**OTHER_LOOK, "label": "another place"}
        ax.add_artist(Line2D([at_ms], [at_nv], transform=ax.transData + up, **look))


def mark_look(marks_from: str) -> Look:
    """Return how a mark is drawn.

    Parameters
    ----------
    marks_from : {'clinician', 'suggested', 'none'}
        Who placed it.

    Returns
    -------
    mapping
        Properties of the line.
    """
    return {
        "linestyle": "none",
        "marker": "v",
        "markersize": 5.0,
        "markeredgecolor": INK,
        "markeredgewidth": 0.8,
        "markerfacecolor": INK if marks_from == "clinician" else "white",
        "zorder": 5,
    }


def mark_entries(origins: Sequence[str]) -> tuple[Entry, ...]:
    """Return the key of the marks.

    Parameters
    ----------
    origins : sequence of str
        Who placed the marks in the picture.

    Returns
    -------
    tuple of Entry
    """
    words: Look = {
        "clinician": "clinician's mark",
        "suggested": "suggested mark, bar 95 %",
    }
    return tuple(Entry(words[one], mark_look(one)) for one in words if one in origins)
