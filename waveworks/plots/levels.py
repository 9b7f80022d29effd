"""A level series as curves: latency and amplitude against level, beside what is expected."""

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from waveworks.measures.final_traces import COMBINED
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.marks import MarkMeasure
from waveworks.plots.curves import EXPECTED, EXPECTED_BAND, add_curve, draw_band, linear_span
from waveworks.plots.frame import Entry, Frame, framed, linear_ticks, say, set_ticks
from waveworks.plots.marks import OTHER_LOOK, OTHER_PLACE, mark_entries, mark_look, other_places
from waveworks.plots.series import one_series
from waveworks.plots.style import GREY, NORMAL_95, SMALL_IN, Look
from waveworks.plots.text import INK, write

MOST_POINTS = 24
"""Levels that one of these pictures holds."""

_ROOM_DB = 5.0
_APART_DB = 1.2
_MOST_TICKS = 7
_LEAST_LATENCY_SPAN_MS = 4.0
_LEAST_AMPLITUDE_NV = 50.0
_BAR: Look = {"color": INK, "linewidth": 0.9, "marker": "_", "markersize": 4.0}
_CORRECTED: Look = {
    "linestyle": "none",
    "marker": "s",
    "markersize": 3.2,
    "color": GREY,
    "markerfacecolor": "white",
}


def plot_latency_level(levels: Sequence[LevelMeasures], *, ax: Axes | None = None) -> Axes:
    """Draw the latencies of wave V and SN10 against level, with what is expected of wave V.

    Parameters
    ----------
    levels : sequence of LevelMeasures
        One to 24, of one ear and one stimulus, in any order.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In dB and ms. Bars are 95 % intervals of suggestions. The band holds two standard
        deviations between ears either way, where they are known.

    Raises
    ------
    DataError
        If there are no levels, more than 24, or several ears or stimuli.
    """
    points = _points(levels)
    marked = [(x, one) for x, one in points if not math.isnan(one.v_ms)]
    places = [(x, at) for x, one in points for at in _places(one)]
    expected, known = _expected_latency(levels)
    key = list(mark_entries([one.marks_from for _, one in marked]))
    if marked:
        key.append(Entry("SN10", {**mark_look(marked[0][1].marks_from), "marker": "^"}))
    if places:
        key.append(OTHER_PLACE)
    if expected:
        key.append(Entry("expected V", EXPECTED))
    if known:
        key.append(Entry("its \u00b12 SD", EXPECTED_BAND))
    note = ""
    if not expected:
        note = "The settings expect no latency here."
    elif not known:
        note = "How much the expected latency varies between ears is not known."
    ax = _axes(levels, points, "latency in ms", key, " of suggestions", note, ax)
    shown = [value for x, one in marked for value in _ends(one)]
    shown += [at for _, at in places] + [value for _, *values in expected for value in values]
    shown = [value for value in shown if math.isfinite(value)]
    if not shown:
        ax.set_ylim(0, 1)
        set_ticks(ax, y=())
        say(ax, "No wave V is marked at any level, and none is expected.")
        return ax
    low, high = min(shown), max(shown)
    room = max(0.1 * (high - low), (_LEAST_LATENCY_SPAN_MS - (high - low)) / 2)
    ax.set_ylim(low - room, high + room)
    set_ticks(ax, y=linear_ticks(low - room, high + room, 5))
    if expected:
        at_db, middle, least, most = np.array(expected).T
        if known:
            draw_band(ax, at_db, least, most)
        add_curve(ax, at_db, middle, **EXPECTED, zorder=2, label="expected V")
    for x, at in places:
        add_curve(ax, [x], [at], **OTHER_LOOK, label="another place")
    for x, one in marked:
        look = mark_look(one.marks_from)
        for name, at, se, shape in (
            ("V", one.v_ms, one.v_se_ms, "v"),
            ("SN10", one.sn10_ms, one.sn10_se_ms, "^"),
        ):
            _bar(ax, x, at, se)
            add_curve(ax, [x], [at], **{**look, "marker": shape}, label=name)
    return ax


def plot_amplitude_level(levels: Sequence[LevelMeasures], *, ax: Axes | None = None) -> Axes:
    """Draw the amplitude from wave V to SN10 against level, as read and of the fitted shape.

    Parameters
    ----------
    levels : sequence of LevelMeasures
        One to 24, of one ear and one stimulus, in any order.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In dB and nV. Bars are 95 % intervals.

    Raises
    ------
    DataError
        If there are no levels, more than 24, or several ears or stimuli.
    """
    points = _points(levels)
    marked = [(x, one) for x, one in points if not math.isnan(one.v_sn10_nv)]
    corrected = [(x, one) for x, one in marked if not math.isnan(one.v_sn10_corrected_nv)]
    expected = _expected_amplitude(levels)
    key = list(mark_entries([one.marks_from for _, one in marked]))
    if corrected:
        key.append(Entry("of the fitted shape", _CORRECTED))
    if expected:
        key.append(Entry("expected, \u00b12 SD", EXPECTED_BAND))
    note = "" if expected else "The settings expect no amplitude at these levels."
    ax = _axes(levels, points, "amplitude in nV", key, "", note, ax)
    if not marked:
        ax.set_ylim(0, 1)
        set_ticks(ax, y=())
        say(ax, "No amplitude: no level has marks of wave V and SN10.")
        return ax
    ends = [_interval(one.v_sn10_nv, one.v_sn10_se_nv) for _, one in marked]
    ends += [_interval(one.v_sn10_corrected_nv, one.v_sn10_corrected_se_nv) for _, one in corrected]
    low, high = linear_span(ends, [span for _, *span in expected], least=_LEAST_AMPLITUDE_NV)
    ax.set_ylim(low, high)
    set_ticks(ax, y=linear_ticks(low, high, 5))
    for x, least, most in expected:
        draw_band(ax, [x], [least], [most])
    for x, one in corrected:
        beside = x + _APART_DB
        _bar(ax, beside, one.v_sn10_corrected_nv, one.v_sn10_corrected_se_nv, color=GREY)
        label = "of the fitted shape"
        add_curve(ax, [beside], [one.v_sn10_corrected_nv], **_CORRECTED, zorder=4, label=label)
    for x, one in marked:
        _bar(ax, x, one.v_sn10_nv, one.v_sn10_se_nv)
        add_curve(ax, [x], [one.v_sn10_nv], **mark_look(one.marks_from), label="as read")
    return ax


def _points(levels: Sequence[LevelMeasures]) -> list[tuple[float, MarkMeasure]]:
    """Return each level's place and marks; two of one level stand a little apart."""
    taken: dict[float, int] = {}
    points = []
    for level in one_series(levels, most=MOST_POINTS):
        x = level.condition.level_db
        if not math.isnan(x):
            number = taken[x] = taken.get(x, -1) + 1
            marks = level.marks.get(COMBINED, MarkMeasure())
            points.append((x - 2 * _APART_DB * number, marks))
    return points


def _axes(
    levels: Sequence[LevelMeasures],
    points: Sequence[tuple[float, MarkMeasure]],
    label: str,
    key: Sequence[Entry],
    whose: str,
    note: str,
    ax: Axes | None,
) -> Axes:
    units = {"nHL" if one.condition.level_db_ehl is None else "eHL" for one in levels}
    unit = "/".join(sorted(units, reverse=True))
    notes = (f"Bars: 95 % intervals{whose}. n: none marked.", note)
    ax = framed(ax, SMALL_IN, Frame(f"level in dB {unit}", label, key=tuple(key), notes=notes))
    places = [x for x, _ in points] or [0.0]
    low, high = min(places) - _ROOM_DB, max(places) + _ROOM_DB
    ax.set_xlim(low, high)
    known = {one.condition.level_db for one in levels}
    own = sorted(x for x in known if not math.isnan(x))
    set_ticks(ax, x=own if len(own) <= _MOST_TICKS else linear_ticks(low, high, 5))
    for x, marks in points:
        if math.isnan(marks.v_ms):
            write(ax, "n", (x, 0), coords=("data", "axes fraction"), offset_pt=(0, 2), ha="center")
    return ax


def _expected_latency(
    levels: Sequence[LevelMeasures],
) -> tuple[list[tuple[float, float, float, float]], bool]:
    """Return level, expected latency and its band, and whether the scatter is known."""
    found = []
    known = False
    for level in levels:
        at, wave = level.condition.level_db_nhl, level.expected
        if at is not None and wave is not None:
            middle, sd = wave.v_at(at), wave.v_sd_at(at)
            known = known or not math.isnan(sd)
            half = 0.0 if math.isnan(sd) else 2 * sd
            found.append((at, middle, middle - half, middle + half))
    return sorted(set(found)), known


def _expected_amplitude(levels: Sequence[LevelMeasures]) -> list[tuple[float, float, float]]:
    found = []
    for level in levels:
        at, wave = level.condition.level_db_nhl, level.expected
        if at is not None and wave is not None and not math.isnan(wave.amplitude_at(at)):
            sd = wave.amplitude_sd_at(at)
            half = 0.0 if math.isnan(sd) else 2 * sd
            found.append((at, wave.amplitude_at(at) - half, wave.amplitude_at(at) + half))
    return sorted(set(found))


def _places(marks: MarkMeasure) -> list[float]:
    return other_places(marks, -math.inf, math.inf)


def _ends(marks: MarkMeasure) -> tuple[float, ...]:
    v, sn10 = (
        _interval(at, se)
        for at, se in ((marks.v_ms, marks.v_se_ms), (marks.sn10_ms, marks.sn10_se_ms))
    )
    return (*v, *sn10)


def _interval(value: float, se: float) -> tuple[float, float]:
    half = 0.0 if math.isnan(se) else NORMAL_95 * se
    return value - half, value + half


def _bar(ax: Axes, x: float, value: float, se: float, color: str = INK) -> None:
    if not math.isnan(se):
        look: Look = {**_BAR, "color": color, "zorder": 3}
        add_curve(ax, [x, x], _interval(value, se), **look, label="95 %")
