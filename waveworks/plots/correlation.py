"""Do the two final traces of a level agree: sample by sample, and over lags."""

import math

import numpy as np
from matplotlib.axes import Axes

from waveworks.dsp.agreement import Agreement
from waveworks.measures.level_views import PairView
from waveworks.plots.curves import add_curve, curve_look
from waveworks.plots.frame import Entry, Frame, framed, linear_ticks, say, set_ticks
from waveworks.plots.style import DOTTED, GREY, SMALL_IN, Look
from waveworks.plots.text import INK, amount

_ALPHA = 0.05
_SQUARE_IN = (2.0, 2.0)
_LEAST_SPAN_NV = 50.0
_LIMIT: Look = {"color": INK, "linewidth": 2.2, "solid_capstyle": "butt"}
_LIMIT_SHARE = 0.03
"""How far the bar at lag 0 reaches to either side, of the width of the axes."""


def plot_cross_correlation(pair: PairView, *, ax: Axes | None = None) -> Axes:
    """Draw the correlation of the two final traces over lags.

    Parameters
    ----------
    pair : PairView
        The two traces.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In ms and r. Positive lags mean that trace 2 is later than trace 1. The bar at lag 0 is
        what noise reaches there with a chance of 5 %, one-sided; at its best lag it does far more
        often.
    """
    lags_ms = pair.correlation.lag_samples * pair.step_ms
    agreed = pair.agreement
    known = bool(np.isfinite(pair.correlation.r).any())
    limit = agreed.critical_r(_ALPHA)
    best = agreed.lag_samples * pair.step_ms
    look = curve_look(lags_ms.size)
    peak: Look = {"linestyle": "none", "marker": "o", "markersize": 5.0, "color": INK}
    key = [Entry("correlation", look)] if known else []
    if known and not math.isnan(best):
        key.append(Entry(f"highest at {best:.2f} ms".replace("-", "\u2212"), peak))
    if not math.isnan(limit):
        key.append(Entry(f"5 % limit for noise at lag 0: {limit:.2f}", _LIMIT))
    elsewhere = ""
    if not math.isnan(limit):
        elsewhere = "The limit holds at lag 0; noise passes it far more often at its best lag."
    notes = ("Positive lag: trace 2 later.", elsewhere, _caution(agreed))
    ax = framed(ax, SMALL_IN, Frame("lag in ms", "r", key=tuple(key), notes=notes))
    reach = max(float(lags_ms[-1]), 0.5)
    widest = 1.04 * reach
    ax.set(xlim=(-widest, widest), ylim=(-1.1, 1.1))
    set_ticks(ax, x=linear_ticks(-reach, reach, 5), y=(-1, -0.5, 0, 0.5, 1))
    if not math.isnan(limit):
        half = _LIMIT_SHARE * 2 * widest
        add_curve(ax, (-half, half), (limit, limit), **_LIMIT, zorder=2, label="5 % limit at lag 0")
    if not known:
        say(ax, "No correlation: a trace is constant.")
        return ax
    ax.axhline(0.0, color=GREY, linewidth=0.5, zorder=0.6)
    ax.axvline(0.0, color=GREY, linewidth=0.5, zorder=0.6)
    add_curve(ax, lags_ms, pair.correlation.r, **look, zorder=3, label="correlation")
    if not math.isnan(best):
        at = pair.correlation.r[pair.correlation.lag_samples == agreed.lag_samples]
        add_curve(ax, [best], at, **peak, zorder=4, label="highest")
    return ax


def plot_agreement(pair: PairView, *, ax: Axes | None = None) -> Axes:
    """Draw trace 2 against trace 1, sample by sample over the response window.

    Parameters
    ----------
    pair : PairView
        The two traces.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In nV, both axes at one scale. The dotted line is where identical traces would lie.
    """
    agreed = pair.agreement
    both = np.concatenate([pair.first_nv, pair.second_nv])
    low, high = float(both.min()), float(both.max())
    room = max(0.06 * (high - low), (_LEAST_SPAN_NV - (high - low)) / 2)
    low, high = low - room, high + room
    dots: Look = {"color": INK, "linewidth": 0.4, "marker": ".", "markersize": 3.5}
    key = (
        Entry("samples in order", dots),
        Entry("identical", {"color": GREY, "linestyle": DOTTED}),
    )
    window = f"{pair.first_nv.size} samples, {amount(pair.start_ms)} to {amount(pair.stop_ms)} ms"
    r = "r not known" if math.isnan(agreed.r) else f"r = {agreed.r:.2f}"
    p = "" if math.isnan(agreed.pvalue) else f", p = {agreed.pvalue:.2g} (one-sided)"
    worth = (
        ""
        if math.isnan(agreed.n_effective)
        else f"They are worth {agreed.n_effective:.1f} independent ones."
    )
    frame = Frame(
        "trace 1 in nV",
        "trace 2 in nV",
        f"{r}{p}".replace("= -", "= \u2212"),
        key,
        (f"{window}.", worth, _caution(agreed)),
        right_in=0.64,
    )
    ax = framed(ax, _SQUARE_IN, frame)
    ax.set(xlim=(low, high), ylim=(low, high))
    ax.set_aspect("equal", adjustable="box", anchor="W")
    ticks = linear_ticks(low, high, 4)
    set_ticks(ax, x=ticks, y=ticks)
    add_curve(ax, [low, high], [low, high], color=GREY, linestyle=DOTTED, label="identical")
    add_curve(ax, pair.first_nv, pair.second_nv, **dots, zorder=3, label="samples")
    return ax


def _caution(agreed: Agreement) -> str:
    if math.isnan(agreed.r):
        return "A trace is constant."
    return f"{agreed.note[0].upper()}{agreed.note[1:]}." if agreed.note else ""
