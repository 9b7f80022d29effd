"""How an average settles: its changes from step to step, and its marks on the way."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from waveworks.dsp.settling import MarkCourse, Settling
from waveworks.plots.curves import (
    EXPECTED,
    EXPECTED_BAND,
    FloatArray,
    add_curve,
    curve_look,
    draw_band,
    draw_limits,
    limit_entries,
    linear_span,
    log_span,
    sweeps_span,
)
from waveworks.plots.frame import Entry, Frame, framed, linear_ticks, log_ticks, say, set_ticks
from waveworks.plots.style import DASHED, GREY, SMALL_IN, Limit

_LEAST_LATENCY_SPAN_MS = 2.0
_LEAST_AMPLITUDE_NV = 50.0
_MOST_LIMIT_REACH = 3.0


def plot_settling(settling: Settling, *, ax: Axes | None = None) -> Axes:
    """Draw how far the running average moved in each step, and how far noise would move it.

    Parameters
    ----------
    settling : Settling
        The changes.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In sweeps and nV, both logarithmic. The band holds 95 % of the changes that noise alone
        would make, each by itself.
    """
    labels = ("sweeps", "change in nV")
    span = log_span(settling.change_nv, settling.expected_nv)
    if span is None:
        ax = framed(ax, SMALL_IN, Frame(*labels))
        start, stop = sweeps_span(settling.n_sweeps)
        ax.set(xlim=(start, stop), ylim=(0, 1))
        set_ticks(ax, x=linear_ticks(start, stop, 5), y=())
        say(ax, "The average does not change at all: the sweeps do not differ.")
        return ax
    known = bool(np.isfinite(settling.low_nv).any())
    look = curve_look(settling.n_sweeps.size)
    key = [
        Entry(f"change in the last {settling.step} sweeps (RMS)", look),
        Entry("steady noise alone", EXPECTED),
    ]
    if known:
        key.append(Entry("95 % of steps", EXPECTED_BAND))
    notes = (
        "Expected of independent sweeps, all equally noisy.",
        "" if known else "No band: how noise alone would vary is not known.",
    )
    ax = framed(ax, SMALL_IN, Frame(*labels, key=tuple(key), notes=notes))
    ax.set(xscale="log", yscale="log")
    every = (settling.change_nv, settling.expected_nv, settling.low_nv, settling.high_nv)
    low, high = log_span(*every) or span
    start, stop = log_span(settling.n_sweeps) or (1.0, 10.0)
    ax.set(xlim=(start, stop), ylim=(low, high))
    set_ticks(ax, x=log_ticks(start, stop), y=log_ticks(low, high))
    if known:
        draw_band(ax, settling.n_sweeps, settling.low_nv, settling.high_nv)
    add_curve(ax, settling.n_sweeps, settling.expected_nv, **EXPECTED, label="noise alone")
    add_curve(ax, settling.n_sweeps, settling.change_nv, **look, zorder=3, label="change")
    return ax


def plot_mark_latency(course: MarkCourse, *, ax: Axes | None = None) -> Axes:
    """Draw the latencies of wave V and SN10 in the running average against sweeps.

    Parameters
    ----------
    course : MarkCourse
        The marks in the running average.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In sweeps and ms. A gap is a step at which there is no turning point near the mark.
    """
    look = curve_look(course.n_sweeps.size)
    curves = {
        "wave V": (course.v_ms, {**look, "marker": "o", "markersize": 3.0}),
        "SN10": (
            course.sn10_ms,
            {**look, "marker": "^", "markersize": 3.0, "linestyle": DASHED, "color": GREY},
        ),
    }
    found = {name: one for name, one in curves.items() if np.isfinite(one[0]).any()}
    notes = [_gap_note(name, values) for name, (values, _) in curves.items()]
    notes.append(
        f"Looked for within {course.reach_ms:g} ms of the final marks, which favours that place."
    )
    key = tuple(Entry(name, one) for name, (_, one) in found.items())
    ax = framed(ax, SMALL_IN, Frame("sweeps", "latency in ms", key=key, notes=tuple(notes)))
    _sweeps_axis(ax, course)
    if not found:
        ax.set_ylim(0, 1)
        set_ticks(ax, y=())
        say(ax, "No turning point near the marks at any count.")
        return ax
    every = np.concatenate([values for values, _ in found.values()])
    low, high = float(np.nanmin(every)), float(np.nanmax(every))
    room = max(0.1 * (high - low), (_LEAST_LATENCY_SPAN_MS - (high - low)) / 2)
    ax.set_ylim(low - room, high + room)
    set_ticks(ax, y=linear_ticks(low - room, high + room, 5))
    for name, (values, one) in found.items():
        add_curve(ax, course.n_sweeps, values, **one, zorder=3, label=name)
    return ax


def plot_mark_amplitude(
    course: MarkCourse, *, limits: Sequence[Limit] = (), ax: Axes | None = None
) -> Axes:
    """Draw the amplitude from wave V to SN10 in the running average against sweeps.

    Parameters
    ----------
    course : MarkCourse
        The marks in the running average.
    limits : sequence of Limit
        Of the amplitude in nV.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In sweeps and nV.
    """
    values = course.v_sn10_nv
    found = bool(np.isfinite(values).any())
    highest = float(np.nanmax(values)) if found else 0.0
    reach = _MOST_LIMIT_REACH * max(highest, _LEAST_AMPLITUDE_NV)
    near = [limit.value for limit in limits if abs(limit.value) <= reach]
    low, high = linear_span(values, near, least=_LEAST_AMPLITUDE_NV)
    look = curve_look(course.n_sweeps.size)
    key = (
        *((Entry("V to SN10", look),) if found else ()),
        *limit_entries(limits, "nV", (low, high)),
    )
    notes = (
        _gap_note("amplitude", values) if found else "",
        f"Looked for within {course.reach_ms:g} ms of the final marks.",
    )
    ax = framed(ax, SMALL_IN, Frame("sweeps", "amplitude in nV", key=key, notes=notes))
    _sweeps_axis(ax, course)
    ax.set_ylim(low, high)
    set_ticks(ax, y=linear_ticks(low, high, 5))
    draw_limits(ax, limits)
    if found:
        add_curve(ax, course.n_sweeps, values, **look, zorder=3, label="V to SN10")
    else:
        say(ax, "No amplitude: wave V and SN10 are not both found at any count.")
    return ax


def _sweeps_axis(ax: Axes, course: MarkCourse) -> None:
    start, stop = sweeps_span(course.n_sweeps)
    ax.set_xlim(start, stop)
    set_ticks(ax, x=linear_ticks(start, stop, 5))


def _gap_note(name: str, values: FloatArray) -> str:
    missing = int(np.isnan(values).sum())
    if missing == 0:
        return ""
    if missing == values.size:
        return f"No {name}."
    return f"{name[0].upper()}{name[1:]} not found at {missing} of {values.size} counts."
