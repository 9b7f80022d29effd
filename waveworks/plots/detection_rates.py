"""How often tests find noise, and a response: what a p is worth."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike
from scipy import special

from waveworks.dsp.detectors import HELD
from waveworks.errors import DataError
from waveworks.plots.chances import chances, percent
from waveworks.plots.curves import EXPECTED_BAND, FloatArray, add_curve
from waveworks.plots.frame import Entry, Frame, framed, linear_ticks, log_ticks, say, set_ticks
from waveworks.plots.style import BAND, DASHED, DOTTED, GREY, Look
from waveworks.plots.text import INK, drawable

MOST_TESTS = 12
"""More cannot be told apart."""

LEVELS = (0.05, 0.01)
"""Customary nominal levels."""

_SIZE_IN = (2.44, 2.2)
_FEWEST = 2
_ROUNDING = 1e-9
_LEAST_LEVEL, _LEAST_SHARE = 1e-3, 1e-4
_N_LEVELS = 91
_COLOURS = (INK, "#b35900", "#00785a", "#7b4fa3", "#7a7a00", "#0f7f95", "#9c3f7a")
_LINES = ("-", (0.0, (6, 1.5, 1, 1.5)), DOTTED, (0.0, (6, 1.5, 1, 1.5, 1, 1.5)), DASHED)
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*", "p", "<", ">", "h")
_CHANCE: Look = {"color": GREY, "linewidth": 1.0}
_RUNS: Look = {"color": GREY, "linewidth": 0.9, "linestyle": (0.0, (2, 1))}


@dataclass(frozen=True, eq=False)
class _Curve:
    """One test: a line, and the points of it at the nominal levels."""

    name: str
    x: FloatArray
    y: FloatArray
    at_levels: list[int]


def plot_roc(
    p_noise: Mapping[str, ArrayLike],
    p_response: Mapping[str, ArrayLike],
    *,
    levels: Sequence[float] = LEVELS,
    most_noise: float = 1.0,
    ax: Axes | None = None,
) -> Axes:
    """Draw the share of responses that are found against the share of noise that is.

    Parameters
    ----------
    p_noise, p_response : mapping of str to array_like, shape (n_runs,)
        p values of each test on recordings without a response, and with one. NaN, where a test
        could not be made, is not found.
    levels : sequence of float
        Nominal levels, at which each line has a marker.
    most_noise : float
        Share of noise at which the axis ends; levels in use lie far to the left of 1.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        Shares of recordings, both counted: a test whose p is wrong is not favoured. On the
        diagonal is a test that knows nothing.

    Raises
    ------
    DataError
        If the two differ in their tests, a p or a level is not from 0 to 1, `most_noise` not above
        0 and up to 1, or there are more tests than can be told apart.
    """
    if not 0 < most_noise <= 1:
        raise DataError(f"most_noise is {most_noise:g}; it must be above 0 and at most 1")
    limits = chances(levels, name="levels", missing=False)
    noise, response = _checked(p_noise, "p_noise"), _checked(p_response, "p_response")
    if differing := sorted(noise.keys() ^ response.keys()):
        raise DataError(f"test {differing[0]!r} is in only one of p_noise and p_response")
    usable = {name: _enough(noise[name]) and _enough(response[name]) for name in noise}
    curves = [_roc(name, noise[name], response[name], limits) for name in noise if usable[name]]
    diagonal = Entry("by chance", _CHANCE)
    notes = (
        _at_levels(limits) if curves else "",
        _runs_note([noise[curve.name] for curve in curves], "without a response"),
        _runs_note([response[curve.name] for curve in curves], "with one"),
        _left_out(usable),
    )
    labels = ("share of noise found", "share of responses found")
    ax = _rates(ax, labels, curves, list(noise), (diagonal,), notes)
    ax.set(xlim=(-0.02 * most_noise, 1.02 * most_noise), ylim=(-0.02, 1.02))
    set_ticks(ax, x=(), y=())
    if curves:
        set_ticks(ax, x=linear_ticks(0, most_noise, 5), y=linear_ticks(0, 1, 5))
        add_curve(ax, [0, 1], [0, 1], **_CHANCE, zorder=1, label="diagonal")
    return ax


def plot_calibration(
    p_noise: Mapping[str, ArrayLike],
    *,
    levels: Sequence[float] = LEVELS,
    held: tuple[float, float] = HELD,
    ax: Axes | None = None,
) -> Axes:
    """Draw the share of noise that is found at each nominal level.

    Parameters
    ----------
    p_noise : mapping of str to array_like, shape (n_runs,)
        p values of each test on recordings without a response. NaN, where a test could not be
        made, is not found.
    levels : sequence of float
        Nominal levels, at which each line has a marker.
    held : tuple of float
        Shares of the nominal level between which a rate counts as held.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        Both axes are logarithmic. Above the diagonal a test finds noise more often than it says.
        The lines around it hold 95 % of the shares that right p values give in as many recordings,
        at each level by itself. A share of 0 is below the axis.

    Raises
    ------
    DataError
        If a p or a level is not from 0 to 1, the shares do not rise from above 0, or there are
        more tests than can be told apart.
    """
    limits = chances(levels, name="levels", missing=False)
    if not 0 < held[0] < held[1] < np.inf:
        raise DataError(f"held is {held[0]:g} to {held[1]:g}; it must rise from above 0")
    noise = _checked(p_noise, "p_noise")
    usable = {name: _enough(p) for name, p in noise.items()}
    nominal = np.unique(np.append(np.geomspace(_LEAST_LEVEL, 1, _N_LEVELS), limits[limits > 0]))
    curves = [_found_at(name, noise[name], nominal, limits) for name in noise if usable[name]]
    n_runs = min((noise[curve.name].size for curve in curves), default=0)
    key = (
        Entry("as stated", _CHANCE),
        Entry(f"{held[0]:g} to {held[1]:g} of it", EXPECTED_BAND),
        Entry(f"95 % of right tests, {n_runs} recordings", _RUNS),
    )
    notes = (
        _at_levels(limits) if curves else "",
        _none_found(curves),
        _runs_note([noise[curve.name] for curve in curves], "without a response"),
        _left_out(usable),
    )
    labels = ("nominal level", "share of noise found")
    ax = _rates(ax, labels, curves, list(noise), key, notes)
    if not curves:
        ax.set(xlim=(0, 1), ylim=(0, 1))
        set_ticks(ax, x=(), y=())
        return ax
    start = float(nominal[0])
    seen = np.concatenate([curve.y[curve.y > 0] for curve in curves] + [[start]])
    low = max(float(seen.min()), min(_LEAST_SHARE, start))
    ax.set(xscale="log", yscale="log", xlim=(start / 1.1, 1.1), ylim=(low / 1.1, 1.3))
    set_ticks(ax, x=log_ticks(start, 1), y=log_ticks(low, 1))
    lower, upper = (np.minimum(share * nominal, 1) for share in held)
    ax.fill_between(nominal, lower, upper, color=BAND, linewidth=0, zorder=0.8, label="held")
    for bound in _binomial_band(nominal, n_runs):
        add_curve(ax, nominal, bound, **_RUNS, zorder=1, label="95 %")
    add_curve(ax, nominal, nominal, **_CHANCE, zorder=1, label="diagonal")
    return ax


def _checked(p_values: Mapping[str, ArrayLike], name: str) -> dict[str, FloatArray]:
    if len(p_values) > MOST_TESTS:
        raise DataError(f"{name}: {len(p_values)} tests; at most {MOST_TESTS} can be told apart")
    checked = {test: chances(p, name=f"{name} of {test}") for test, p in p_values.items()}
    return {test: np.where(np.isnan(p), np.inf, p) for test, p in checked.items()}


def _enough(p: FloatArray) -> bool:
    return p.size >= _FEWEST and bool(np.isfinite(p).any())


def _roc(name: str, noise: FloatArray, response: FloatArray, levels: FloatArray) -> _Curve:
    both = np.concatenate([noise, response])
    thresholds = np.unique(both[np.isfinite(both)])
    return _Curve(
        name,
        np.append(0.0, _share_found(noise, thresholds)),
        np.append(0.0, _share_found(response, thresholds)),
        [int(place) for place in np.searchsorted(thresholds, levels, side="right")],
    )


def _found_at(name: str, noise: FloatArray, nominal: FloatArray, levels: FloatArray) -> _Curve:
    places = np.flatnonzero(np.isin(nominal, levels))
    return _Curve(name, nominal, _share_found(noise, nominal), [int(place) for place in places])


def _share_found(p: FloatArray, levels: FloatArray) -> FloatArray:
    return np.asarray(np.searchsorted(np.sort(p), levels, side="right") / p.size)


def _binomial_band(chance: FloatArray, n_runs: int) -> tuple[FloatArray, FloatArray]:
    """Return the 2.5 and 97.5 % points of the share of so many recordings that are counted."""
    low, high = (special.bdtrik(tail, n_runs, chance) for tail in (0.025, 0.975))
    # A point is the first whole count whose probability reaches the tail.
    return np.ceil(low - _ROUNDING) / n_runs, np.ceil(high - _ROUNDING) / n_runs


def _rates(
    ax: Axes | None,
    labels: tuple[str, str],
    curves: Sequence[_Curve],
    names: Sequence[str],
    key: tuple[Entry, ...],
    notes: tuple[str, ...],
) -> Axes:
    """Draw one line a test, or say that there is none."""
    looks = {curve.name: _test_look(names.index(curve.name)) for curve in curves}
    entries = tuple(Entry(name, look) for name, look in looks.items())
    frame = Frame(*labels, key=entries + key if curves else (), notes=notes)
    ax = framed(ax, _SIZE_IN, frame)
    for curve in curves:
        look = {**looks[curve.name], "markevery": curve.at_levels}
        add_curve(ax, curve.x, curve.y, **look, zorder=3, label=drawable(curve.name))
    if not curves:
        say(ax, f"No shares: they need {_FEWEST} recordings and p values of a test.")
    return ax


def _test_look(number: int) -> Look:
    colour, line, marker = (kinds[number % len(kinds)] for kinds in (_COLOURS, _LINES, _MARKERS))
    return {
        "color": colour,
        "linewidth": 1.2,
        "linestyle": line,
        "marker": marker,
        "markersize": 5.0,
        "markerfacecolor": "white",
    }


def _at_levels(levels: FloatArray) -> str:
    if not levels.size:
        return ""
    return f"Markers: p at most {' or '.join(percent(float(level)) for level in levels)}."


def _none_found(curves: Sequence[_Curve]) -> str:
    names = [drawable(curve.name) for curve in curves if not curve.y[curve.at_levels].all()]
    return f"A share of 0 at a marker is below the axis: {', '.join(names)}." if names else ""


def _runs_note(p_values: Sequence[FloatArray], kind: str) -> str:
    if not p_values:
        return ""
    sizes = [p.size for p in p_values]
    numbers = f"{min(sizes)}" if min(sizes) == max(sizes) else f"{min(sizes)} to {max(sizes)}"
    missing = sum(int(np.isinf(p).sum()) for p in p_values)
    untested = f"; {missing} p missing, counted as not found" if missing else ""
    return f"{numbers} recordings {kind}{untested}."


def _left_out(usable: Mapping[str, bool]) -> str:
    names = [drawable(name) for name, is_usable in usable.items() if not is_usable]
    return f"Too few p values: {', '.join(names)}." if names else ""
