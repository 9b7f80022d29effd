"""Residual noise and Fmp while the sweeps came in."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike

from waveworks.dsp.fstats import Growth
from waveworks.errors import DataError
from waveworks.plots.curves import (
    EXPECTED,
    FloatArray,
    add_curve,
    curve_look,
    draw_limits,
    limit_entries,
    linear_span,
    log_span,
    sweeps_span,
)
from waveworks.plots.frame import Entry, Frame, framed, linear_ticks, log_ticks, say, set_ticks
from waveworks.plots.style import SMALL_IN, Limit, Look
from waveworks.plots.text import INK

_MOST_LOG_REACH = 10.0
_MOST_REACH = 3.0
_LEAST_FMP = 2.0
_AT_LOOK: Look = {
    "linestyle": "none",
    "marker": "_",
    "markersize": 7.0,
    "markeredgewidth": 1.6,
    "color": INK,
}


def plot_residual_noise(
    growth: Growth, *, limits: Sequence[Limit] = (), ax: Axes | None = None
) -> Axes:
    """Draw residual noise against sweeps, both on logarithmic axes.

    Parameters
    ----------
    growth : Growth
        The course.
    limits : sequence of Limit
        In nV; the count at which each was first met is marked.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In sweeps and nV. The dashed line, straight here, falls with the root of the sweeps to the
        last value: what noise of constant power would have done.
    """
    span = log_span(growth.rn_nv)
    noise = ("residual noise in nV", "sweeps")
    if span is None:
        ax = framed(ax, SMALL_IN, Frame(noise[1], noise[0]))
        _empty(ax, growth, "No residual noise: it needs at least two sweeps that differ.")
        return ax
    near = [
        limit.value
        for limit in limits
        if span[0] / _MOST_LOG_REACH <= limit.value <= span[1] * _MOST_LOG_REACH
    ]
    low, high = log_span(growth.rn_nv, near) or span
    met = [growth.sweeps_to_rn(limit.value) for limit in limits]
    last = int(np.flatnonzero(growth.rn_nv > 0)[-1])
    steady = growth.rn_nv[last] * np.sqrt(growth.n_sweeps[last] / growth.n_sweeps)
    key = (
        Entry("residual noise", curve_look(growth.n_sweeps.size)),
        Entry("noise of constant power", EXPECTED),
        *limit_entries(limits, "nV", (low, high), met),
    )
    ax = framed(ax, SMALL_IN, Frame(noise[1], noise[0], key=key))
    ax.set(xscale="log", yscale="log")
    start, stop = log_span(growth.n_sweeps) or (1.0, 10.0)
    ax.set(xlim=(start, stop), ylim=(low, high))
    set_ticks(ax, x=log_ticks(start, stop), y=log_ticks(low, high))
    add_curve(ax, growth.n_sweeps, steady, **EXPECTED, label="constant power")
    look = curve_look(growth.n_sweeps.size)
    add_curve(ax, growth.n_sweeps, growth.rn_nv, **look, zorder=3, label="residual noise")
    draw_limits(ax, limits, met)
    return ax


def plot_fmp(
    growth: Growth,
    *,
    limits: Sequence[Limit] = (),
    at_looks: tuple[ArrayLike, ArrayLike] | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw Fmp against sweeps.

    Parameters
    ----------
    growth : Growth
        The course.
    limits : sequence of Limit
        Of Fmp; the count at which each was first met is marked.
    at_looks : tuple of array_like, each of shape (n_looks,), optional
        Sweeps at planned looks, of those of the course, and the Fmp to be reached at each
        (`fmp_limits`).
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In sweeps and Fmp. A response of constant size makes Fmp grow along a straight line; the
        dashed line at 1 is where it stays without one.

    Raises
    ------
    DataError
        If a look is at a count that the course does not hold.
    """
    looks = _sequential(growth, at_looks)
    if not np.isfinite(growth.fmp).any():
        ax = framed(ax, SMALL_IN, Frame("sweeps", "Fmp"))
        _empty(ax, growth, "No Fmp: it needs at least two sweeps that differ.")
        return ax
    highest = float(np.nanmax(growth.fmp))
    reach = _MOST_REACH * max(highest, 1)
    near = [v for v in (*(limit.value for limit in limits), *looks.fmp) if v <= reach]
    low, high = linear_span(growth.fmp, near, least=_LEAST_FMP)
    met = [growth.sweeps_to_fmp(limit.value) for limit in limits]
    look = curve_look(growth.n_sweeps.size)
    key = (
        Entry("Fmp", look),
        Entry("no response", EXPECTED),
        *limit_entries(limits, "", (low, high), met),
        *looks.entries,
    )
    caution = "A look after every step raises the false-positive rate." if limits else ""
    ax = framed(ax, SMALL_IN, Frame("sweeps", "Fmp", key=key, notes=(caution,)))
    start, stop = sweeps_span(growth.n_sweeps)
    ax.set(xlim=(start, stop), ylim=(low, high))
    set_ticks(ax, x=linear_ticks(start, stop, 5), y=linear_ticks(low, high, 5))
    ax.axhline(1.0, **EXPECTED, zorder=1, label="no response")
    add_curve(ax, growth.n_sweeps, growth.fmp, **look, zorder=3, label="Fmp")
    draw_limits(ax, limits, met)
    seen = looks.fmp <= high
    if seen.any():
        add_curve(ax, looks.n_sweeps[seen], looks.fmp[seen], **_AT_LOOK, zorder=4, label="looks")
    return ax


@dataclass(frozen=True, eq=False)
class _Looks:
    """Looks at which Fmp has to reach something, and their entry in the key."""

    n_sweeps: FloatArray
    fmp: FloatArray
    entries: tuple[Entry, ...] = ()


def _sequential(growth: Growth, at_looks: tuple[ArrayLike, ArrayLike] | None) -> _Looks:
    if at_looks is None:
        return _Looks(np.empty(0), np.empty(0))
    n_sweeps, fmp = (np.asarray(x, dtype=np.float64) for x in at_looks)
    unknown = np.setdiff1d(n_sweeps, growth.n_sweeps)
    if unknown.size or n_sweeps.shape != fmp.shape:
        missing = f"; {unknown[0]:g} sweeps is none" if unknown.size else ""
        raise DataError(
            f"{n_sweeps.size} looks and {fmp.size} limits: one each is needed, at counts of the "
            f"course{missing}"
        )
    reached = growth.fmp[np.searchsorted(growth.n_sweeps, n_sweeps)] >= fmp
    met = f"first met at {n_sweeps[reached.argmax()]:g}" if reached.any() else "not met"
    return _Looks(n_sweeps, fmp, (Entry(f"limit of a look, {met}", _AT_LOOK),))


def _empty(ax: Axes, growth: Growth, words: str) -> None:
    start, stop = sweeps_span(growth.n_sweeps)
    ax.set(xlim=(start, stop), ylim=(0, 1))
    set_ticks(ax, x=linear_ticks(start, stop, 5), y=())
    say(ax, words)
