"""What the pictures of curves share: one curve against sweeps, and limits."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from numpy.typing import ArrayLike, NDArray

from waveworks.plots.frame import Entry
from waveworks.plots.style import BAND, DASHED, DOTTED, GREY, Limit, Look
from waveworks.plots.text import INK, amount, drawable

FloatArray = NDArray[np.float64]

CURVE: Look = {"color": INK, "linewidth": 1.3}
EXPECTED: Look = {"color": GREY, "linewidth": 1.0, "linestyle": DASHED}
EXPECTED_BAND: Look = {"color": BAND, "linewidth": 6.0, "solid_capstyle": "butt"}

# None of them is the dashed line of what is expected.
_LINE_STYLES = ((0, (6, 1.5, 1, 1.5)), DOTTED, (0, (6, 1.5, 1, 1.5, 1, 1.5)))
_MARKERS = ("o", "s", "D")
_MOST_DOTS = 40


def curve_look(n_points: int) -> Look:
    """Return how a curve of so many points is drawn: with dots where they can be told apart.

    Parameters
    ----------
    n_points : int
        Of the curve.

    Returns
    -------
    dict
        Properties of the line.
    """
    return {**CURVE, "marker": "." if n_points <= _MOST_DOTS else "none", "markersize": 4.0}


def add_curve(ax: Axes, x: ArrayLike, y: ArrayLike, **look: Any) -> Line2D:
    """Draw a line without letting it choose the limits of the axes.

    Parameters
    ----------
    ax : Axes
        To draw in.
    x, y : array_like
        Its points.
    **look
        Properties of the line.

    Returns
    -------
    Line2D
    """
    line = Line2D(np.asarray(x), np.asarray(y), **look)
    ax.add_line(line)
    return line


def draw_band(ax: Axes, x: ArrayLike, low: ArrayLike, high: ArrayLike) -> None:
    """Shade between two curves; a single point gets a bar.

    Parameters
    ----------
    ax : Axes
        To draw in.
    x, low, high : array_like
        Points and limits.
    """
    places = np.asarray(x)
    if places.size == 1:
        ends = np.concatenate([np.ravel(low), np.ravel(high)])
        add_curve(ax, np.repeat(places, 2), ends, **EXPECTED_BAND, zorder=1, label="95 %")
    else:
        ax.fill_between(places, low, high, color=BAND, linewidth=0, zorder=1, label="95 %")


def limit_look(number: int) -> Look:
    """Return how the limit of that number is drawn.

    Parameters
    ----------
    number : int
        From 0.

    Returns
    -------
    dict
        Properties of the line; styles, not colours, tell limits apart.
    """
    return {
        "color": "#3c3c3c",
        "linewidth": 1.0,
        "linestyle": _LINE_STYLES[number % len(_LINE_STYLES)],
    }


def draw_limits(
    ax: Axes, limits: Sequence[Limit], first_met: Sequence[int | None] | None = None
) -> None:
    """Draw each limit across the axes and mark where it was first met.

    Parameters
    ----------
    ax : Axes
        With its limits set.
    limits : sequence of Limit
        Lines outside the axes are left out; the key says so.
    first_met : sequence of int or None, optional
        The count at which each was first met.
    """
    low, high = ax.get_ylim()
    for number, limit in enumerate(limits):
        if not low <= limit.value <= high:
            continue
        ax.axhline(limit.value, **limit_look(number), zorder=1, label=drawable(limit.label))
        met = None if first_met is None else first_met[number]
        if met is not None:
            marker = _MARKERS[number % len(_MARKERS)]
            look: Look = {"markersize": 5.0, "markerfacecolor": "white", "markeredgecolor": INK}
            add_curve(
                ax, [met, met], [low, limit.value], color=GREY, linewidth=0.7, label="first met at"
            )
            add_curve(ax, [met], [limit.value], marker=marker, **look, zorder=4, label="first met")


def limit_entries(
    limits: Sequence[Limit],
    unit: str,
    inside: tuple[float, float],
    first_met: Sequence[int | None] | None = None,
) -> tuple[Entry, ...]:
    """Return the key of the limits, each with the count at which it was first met.

    Parameters
    ----------
    limits : sequence of Limit
        As drawn.
    unit : str
        Of their values; empty is none.
    inside : tuple of float
        Limits of the axis.
    first_met : sequence of int or None, optional
        The count at which each was first met; leave out where that is not asked.

    Returns
    -------
    tuple of Entry
    """
    entries = []
    for number, limit in enumerate(limits):
        words = f"limit {amount(limit.value)} {unit}".rstrip()
        look = limit_look(number)
        if first_met is not None:
            met = first_met[number]
            words += ", not met" if met is None else f", first met at {met}"
            if met is not None:
                marker: Look = {"marker": _MARKERS[number % len(_MARKERS)], "markersize": 4.0}
                look |= {**marker, "markerfacecolor": "white"}
        if not inside[0] <= limit.value <= inside[1]:
            words += ", not in view"
        entries.append(Entry(f"{words}: {limit.label}", look))
    return tuple(entries)


def sweeps_span(n_sweeps: NDArray[np.int64]) -> tuple[float, float]:
    """Return the limits of an axis of sweeps that starts at zero.

    Parameters
    ----------
    n_sweeps : ndarray of int
        In rising order.

    Returns
    -------
    tuple of float
    """
    return 0.0, 1.04 * float(n_sweeps[-1])


def log_span(*values: ArrayLike) -> tuple[float, float] | None:
    """Return the limits of a logarithmic axis.

    Parameters
    ----------
    *values : array_like
        What is to be seen; only finite values above zero count.

    Returns
    -------
    tuple of float or None
        None where there is nothing above zero.
    """
    flat = np.concatenate([np.ravel(np.asarray(value, dtype=np.float64)) for value in values])
    seen = flat[np.isfinite(flat) & (flat > 0)]
    if seen.size == 0:
        return None
    return float(seen.min()) / 1.25, float(seen.max()) * 1.25


def linear_span(*values: ArrayLike, least: float) -> tuple[float, float]:
    """Return the limits of an axis that starts at zero.

    Parameters
    ----------
    *values : array_like
        What is to be seen; only finite values count.
    least : float
        That it reaches at least.

    Returns
    -------
    tuple of float
    """
    flat = np.concatenate([np.ravel(np.asarray(value, dtype=np.float64)) for value in values])
    seen = flat[np.isfinite(flat)]
    low = min(0.0, float(seen.min())) if seen.size else 0.0
    high = max(least, float(seen.max())) if seen.size else least
    room = 0.08 * (high - low)
    return low - (room if low < 0 else 0.0), high + room
