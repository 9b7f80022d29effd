"""Is there a response: what Fmp does without one, and p at each look."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike, NDArray
from scipy import special

from waveworks.dsp.average_noise import AverageNoise
from waveworks.dsp.detectors import Looks
from waveworks.dsp.looks import checked_looks, first_look
from waveworks.errors import DataError
from waveworks.plots.chances import HOLLOW, chances, percent, with_sign
from waveworks.plots.curves import (
    CURVE,
    EXPECTED,
    FloatArray,
    add_curve,
    curve_look,
    limit_entries,
    limit_look,
    log_span,
    sweeps_span,
)
from waveworks.plots.frame import Entry, Frame, framed, linear_ticks, log_ticks, say, set_ticks
from waveworks.plots.style import GREY, SMALL_IN, Limit, Look
from waveworks.plots.text import INK, amount, drawable, short

CUSTOMARY_LIMITS = (Limit(2.25, "customary 5 %"), Limit(3.1, "customary 1 %"))
"""Of Fmp: the 95 % and 99 % points of F(5, 250) (from memory: Elberling & Don 1984)."""

CUSTOMARY_DF = (5.0, 250.0)

_OWN_POINTS = {0.05: "o", 0.01: "D"}
"""Chances whose points in the recording's own noise are marked, and how."""

_LEAST_CHANCE = 1e-4
_N_POINTS = 64
_MOST_REACH = 3.0
_FMP = ("Fmp", "chance without a response")
_OBSERVED: Look = {"color": INK, "linewidth": 2.4, "solid_capstyle": "butt"}

_DECADES_BELOW = 2
_LEVEL: Look = {**EXPECTED, "drawstyle": "steps-post"}
_MISSING: Look = {"linestyle": "none", "marker": "x", "markersize": 4.5, "color": INK}
_BELOW: Look = {"linestyle": "none", "marker": "v", "markersize": 4.5, "color": INK}
_NOTE_LETTERS = 240
_NO_SPAN = (0.1, 1.0)


@dataclass(frozen=True, eq=False)
class _Null:
    """What is drawn of Fmp without a response; chances are those of at least so much."""

    fmp: FloatArray
    own: FloatArray
    customary: FloatArray
    points: dict[float, float]
    at_limits: tuple[float, ...]
    at_observed: float


def plot_null(
    noise: AverageNoise,
    observed_fmp: float,
    rn_nv: float,
    *,
    limits: Sequence[Limit] = CUSTOMARY_LIMITS,
    customary_df: tuple[float, float] = CUSTOMARY_DF,
    ax: Axes | None = None,
) -> Axes:
    """Draw how often Fmp reaches a value without a response, in this recording's own noise.

    Parameters
    ----------
    noise : AverageNoise
        Of the recording.
    observed_fmp : float
        Of its average; NaN draws the noise alone.
    rn_nv : float
        Residual noise in nV, from the same sweeps and window as `observed_fmp`.
    limits : sequence of Limit
        Of Fmp; how often this noise reaches each is written below.
    customary_df : tuple of float
        Degrees of freedom of the F distribution that is drawn beside it.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        Fmp, and the chance of at least as much on a logarithmic axis: where a curve has come down
        to 0.01 is its 1 % point. The F distribution of customary degrees of freedom is dashed.

    Raises
    ------
    DataError
        If Fmp or the residual noise is negative or infinite, or degrees of freedom are not
        positive.
    """
    for name, value in (("observed_fmp", observed_fmp), ("rn_nv", rn_nv)):
        if value < 0 or math.isinf(value):
            raise DataError(f"{name} is {value:g}; it must be at least 0 and finite")
    if not all(0 < df < math.inf for df in customary_df):
        raise DataError(f"degrees of freedom {customary_df}: both must be positive and finite")
    if not (noise.sum_of_squares > 0 and rn_nv > 0):
        ax = framed(ax, SMALL_IN, Frame(*_FMP))
        ax.set(xlim=(0, 4), ylim=(0, 1))
        set_ticks(ax, x=linear_ticks(0, 4), y=())
        say(ax, "No distribution of Fmp: it needs at least two sweeps that differ.")
        return ax
    null = _null(noise, observed_fmp, rn_nv, limits, customary_df)
    right = float(null.fmp[-1])
    reached = " and ".join(
        f"{amount(limit.value)} in {percent(chance)}"
        for limit, chance in zip(limits, null.at_limits, strict=True)
    )
    notes = (
        f"Without a response, such noise reaches {reached} of recordings." if limits else "",
        "There is no Fmp of this recording." if math.isnan(observed_fmp) else "",
    )
    key = _null_key(null, observed_fmp, limits, customary_df)
    ax = framed(ax, SMALL_IN, Frame(*_FMP, key=key, notes=notes))
    ax.set(yscale="log", xlim=(0, right), ylim=(_LEAST_CHANCE, 1.3))
    set_ticks(ax, x=linear_ticks(0, right, 5), y=log_ticks(_LEAST_CHANCE, 1))
    for number, limit in enumerate(limits):
        if 0 <= limit.value <= right:
            look = limit_look(number)
            ax.axvline(limit.value, **look, zorder=1, label=drawable(limit.label))
    if observed_fmp <= right:
        ax.axvline(observed_fmp, **_OBSERVED, zorder=2, label="observed")
    add_curve(ax, null.fmp, null.customary, **EXPECTED, zorder=2, label="customary")
    add_curve(ax, null.fmp, null.own, **CURVE, zorder=3, label="own noise")
    for share, point in null.points.items():
        if point <= right:
            look = {**HOLLOW, "marker": _OWN_POINTS[share]}
            add_curve(ax, [point], [share], **look, zorder=4, label=f"own {percent(share)} point")
    return ax


def plot_looks(looks: Looks, levels: ArrayLike, *, name: str = "", ax: Axes | None = None) -> Axes:
    """Draw p at each look, and the level that it is held against.

    Parameters
    ----------
    looks : Looks
        A test of the first sweeps of a recording.
    levels : array_like, shape (n_looks,)
        Nominal level at each look; 0 where nothing may be found.
    name : str
        Of the test or the recording, for the title.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In sweeps and p, which is on a logarithmic axis. The level of a look is drawn half way to
        the looks beside it; a cross is a look at which the test could not be made.

    Raises
    ------
    DataError
        If there is not one p and one level a look, one is not from 0 to 1, or the sweeps at the
        looks do not rise.
    """
    counts = checked_looks(looks.n_sweeps).astype(np.int64)
    p = chances(looks.pvalue, name="p")
    bounds = chances(levels, name="levels", missing=False)
    if not len(counts) == len(p) == len(bounds):
        raise DataError(f"{len(counts)} looks have {len(p)} values of p and {len(bounds)} levels")
    start, stop = sweeps_span(counts)
    if np.isnan(p).all():
        ax = framed(ax, SMALL_IN, Frame("sweeps", "p", name, notes=(_noted(looks),)))
        ax.set(xlim=(start, stop), ylim=(0, 1))
        set_ticks(ax, x=linear_ticks(start, stop, 5), y=())
        say(ax, "No p: the test could not be made at any look.")
        return ax
    allowed = np.where(bounds > 0, bounds, np.nan)
    first = int(first_look(p, allowed))
    low = _floor(p, allowed)
    below, missing = p < low, np.isnan(p)
    met = "not met" if first < 0 else f"first met at {counts[first]}"
    look = curve_look(len(counts))
    key = [Entry("p", look), Entry(f"level, {met}", {**_LEVEL, **(HOLLOW if first >= 0 else {})})]
    if missing.any():
        key.append(Entry(f"no p at {missing.sum()} of {len(p)} looks", _MISSING))
    if below.any():
        key.append(Entry(f"p below {short(float(f'{low:.1g}'))}", _BELOW))
    idle = int(np.sum(bounds == 0))
    notes = (f"Nothing may be found at {idle} of {len(p)} looks." if idle else "", _noted(looks))
    ax = framed(ax, SMALL_IN, Frame("sweeps", "p", name, tuple(key), notes))
    ax.set(yscale="log", xlim=(start, stop), ylim=(low / 1.5, 1.3))
    set_ticks(ax, x=linear_ticks(start, stop, 5), y=log_ticks(low / 1.5, 1.0))
    steps = np.append(allowed, allowed[-1])
    add_curve(ax, _edges(counts), steps, **_LEVEL, zorder=2, label="level")
    add_curve(ax, counts, p, **look, zorder=3, label="p")
    add_curve(ax, counts[below], np.full(below.sum(), low), **_BELOW, zorder=4, label="below")
    edge = np.full(missing.sum(), 1.0)
    add_curve(ax, counts[missing], edge, **_MISSING, zorder=4, label="missing")
    if first >= 0:
        where, height = counts[first], max(p[first], low)
        down: Look = {"color": GREY, "linewidth": 0.7}
        add_curve(ax, [where, where], [low / 1.5, height], **down, label="first met at")
        add_curve(ax, [where], [height], **HOLLOW, zorder=5, label="first met")
    return ax


def _null(
    noise: AverageNoise,
    observed_fmp: float,
    rn_nv: float,
    limits: Sequence[Limit],
    customary_df: tuple[float, float],
) -> _Null:
    per_fmp = rn_nv**2 * noise.eigenvalues.size

    def chance(fmp: float) -> float:
        """F is the sum of squares over its degrees of freedom, against the residual noise."""
        return noise.pvalue(max(fmp, 0.0) * per_fmp)

    points = {share: noise.point(share) / per_fmp for share in _OWN_POINTS}
    customary = float(special.fdtri(*customary_df, 1 - min(_OWN_POINTS)))
    base = max(customary, *(min(point, _MOST_REACH * customary) for point in points.values()))
    near = [
        value
        for value in (*(limit.value for limit in limits), observed_fmp)
        if value <= _MOST_REACH * base
    ]
    fmp = np.linspace(0, 1.08 * max(base, *near), _N_POINTS)
    return _Null(
        fmp=fmp,
        own=np.array([chance(value) for value in fmp]),
        customary=np.asarray(special.fdtrc(*customary_df, fmp)),
        points=points,
        at_limits=tuple(chance(limit.value) for limit in limits),
        at_observed=math.nan if math.isnan(observed_fmp) else chance(observed_fmp),
    )


def _null_key(
    null: _Null, observed_fmp: float, limits: Sequence[Limit], customary_df: tuple[float, float]
) -> tuple[Entry, ...]:
    right = float(null.fmp[-1])
    first, second = customary_df
    key = [Entry("this recording's noise", CURVE), Entry(f"F({first:g}, {second:g})", EXPECTED)]
    for share, point in null.points.items():
        where = f"{point:.2f}" if point < math.inf else "out of reach"
        where += "" if point <= right else ", not in view"
        look = {**HOLLOW, "linestyle": "none", "marker": _OWN_POINTS[share]}
        key.append(Entry(f"its {percent(share)} point: {where}", look))
    key.extend(limit_entries(limits, "", (0, right)))
    if not math.isnan(observed_fmp):
        words = f"observed {amount(observed_fmp)}, p {with_sign(null.at_observed)}"
        key.append(Entry(words + ("" if observed_fmp <= right else ", not in view"), _OBSERVED))
    return tuple(key)


def _edges(counts: NDArray[np.int64]) -> FloatArray:
    """Return where the step of each look begins, and where the last one ends."""
    between = (counts[1:] + counts[:-1]) / 2
    half = between[0] - counts[0] if len(between) else 0.04 * counts[0]
    last = counts[-1] + (counts[-1] - between[-1] if len(between) else half)
    return np.concatenate([[counts[0] - half], between, [last]])


def _floor(p: FloatArray, allowed: FloatArray) -> float:
    """Return the lowest p that is drawn to scale: two decades below the levels are enough."""
    low, _ = log_span(p, allowed) or _NO_SPAN
    lowest, _ = log_span(allowed) or _NO_SPAN
    return float(max(low, lowest / 10**_DECADES_BELOW))


def _noted(looks: Looks) -> str:
    words = drawable(looks.note, _NOTE_LETTERS)
    return f"{words[0].upper()}{words[1:].rstrip('.')}." if words else ""
