"""Latency and amplitude against level: what is drawn, against the levels that were measured."""

import math
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.collections import FillBetweenPolyCollection

from waveworks.dsp.peaks import Candidate
from waveworks.errors import DataError
from waveworks.measures.marks import MarkMeasure
from waveworks.model import Condition
from waveworks.plots import plot_amplitude_level, plot_latency_level, plot_replicates
from waveworks.settings import ExpectedWave

CHIRP = Condition("left", "insert", "narrowband-chirp", 4000.0, level_db_nhl=40.0)
WAVE = ExpectedWave(
    stimulus="narrowband-chirp",
    level_db_nhl=(20.0, 60.0),
    v_ms=(9.2, 7.8),
    v_sd_ms=(0.6, 0.4),
    v_sn10_nv=(80.0, 160.0),
    v_sn10_sd_nv=(20.0, 30.0),
    source="invented",
)


def marked(level, *, expected=None, **marks):
    return replace(level, marks={"combined": MarkMeasure(**marks)}, expected=expected)


@pytest.fixture
def three(bench):
    """60 dB by a clinician, 40 dB suggested, 20 dB none; another place at the last two."""
    other = Candidate(10.4, 13.0, 30.0, "0.3 times as likely as the best one", 0.2)
    best = Candidate(9.3, 12.4, 33.0, "noise alone looks as much like a response", 0.7)
    unlikely = Candidate(7.0, 10.0, 5.0, "0.01 times as likely as the best one", 0.01)
    top, middle, last = bench.series(60, 40, 20, condition=CHIRP)
    return [
        marked(top, v_ms=7.9, sn10_ms=11.0, v_sn10_nv=150.0, marks_from="clinician", expected=WAVE),
        marked(
            middle,
            v_ms=8.6,
            v_se_ms=0.2,
            sn10_ms=11.9,
            sn10_se_ms=0.4,
            v_sn10_nv=90.0,
            v_sn10_se_nv=15.0,
            v_sn10_corrected_nv=84.0,
            v_sn10_corrected_se_nv=12.0,
            marks_from="suggested",
            others=(Candidate(8.6, 11.9, 84.0, "", 0.79), other, unlikely),
            expected=WAVE,
        ),
        marked(last, others=(best, other, unlikely), expected=WAVE),
    ]


def dots(ax, label):
    return sorted(
        (float(line.get_xdata()[0]), float(line.get_ydata()[0]))
        for line in ax.lines
        if line.get_label() == label and len(line.get_xdata()) == 1
    )


def bars(ax):
    return sorted(
        (float(line.get_xdata()[0]), *map(float, line.get_ydata()))
        for line in ax.lines
        if line.get_label() == "95 %" and len(line.get_xdata()) == 2
    )


def test_latencies_stand_at_their_levels_with_their_intervals(three):
    ax = plot_latency_level(three[::-1])
    assert dots(ax, "V") == [(40, 8.6), (60, 7.9)]
    assert dots(ax, "SN10") == [(40, 11.9), (60, 11.0)]
    np.testing.assert_allclose(
        bars(ax), [(40, 8.6 - 0.392, 8.6 + 0.392), (40, 11.9 - 0.784, 11.9 + 0.784)]
    )
    assert ax.get_xlabel() == "level in dB nHL"
    start, stop = ax.get_xlim()
    assert start < stop  # a higher level is further to the right


def test_fill_tells_who_marked_it(three):
    ax = plot_latency_level(three)
    faces = {
        line.get_xdata()[0]: line.get_markerfacecolor()
        for line in ax.lines
        if line.get_label() == "V"
    }
    assert faces[40] == "white" != faces[60]


def test_runners_up_are_faint_and_only_the_likely_ones(three):
    ax = plot_latency_level(three)
    assert dots(ax, "another place") == [(20, 9.3), (20, 10.4), (40, 10.4)]
    faint = [line for line in ax.lines if line.get_label() == "another place"]
    assert {line.get_markerfacecolor() for line in faint} == {"white"}


def test_the_expected_line_and_its_band(three):
    ax = plot_latency_level(three)
    (line,) = (one for one in ax.lines if one.get_label() == "expected V")
    np.testing.assert_allclose(line.get_xdata(), [20, 40, 60])
    np.testing.assert_allclose(line.get_ydata(), [9.2, 8.5, 7.8])
    (band,) = (one for one in ax.collections if isinstance(one, FillBetweenPolyCollection))
    corners = band.get_paths()[0].vertices
    assert corners[:, 1].min() == pytest.approx(7.8 - 0.8)
    assert corners[:, 1].max() == pytest.approx(9.2 + 1.2)


def test_without_a_known_scatter_there_is_a_line_and_a_word(three, words_of):
    bare = replace(WAVE, v_sd_ms=None)
    ax = plot_latency_level([replace(level, expected=bare) for level in three])
    assert any(one.get_label() == "expected V" for one in ax.lines)
    assert not ax.collections
    assert "varies between ears is not known" in words_of(ax)
    ax = plot_latency_level([replace(level, expected=None) for level in three])
    assert not any(one.get_label() == "expected V" for one in ax.lines)
    assert "The settings expect no latency" in words_of(ax)


def test_a_level_without_a_mark_is_said(three, words_of):
    for plot in (plot_latency_level, plot_amplitude_level):
        ax = plot(three)
        (letter,) = (text for text in ax.texts if text.get_text() == "n")
        assert letter.xy[0] == 20
        assert "n: none marked" in words_of(ax)


def test_both_amplitudes_stand_beside_each_other(three):
    ax = plot_amplitude_level(three)
    assert dots(ax, "as read") == [(40, 90), (60, 150)]
    ((beside, corrected),) = dots(ax, "of the fitted shape")
    assert corrected == 84
    assert 40 < beside < 43
    spans = [(40, 90 - 29.4, 90 + 29.4), (beside, 84 - 23.52, 84 + 23.52)]
    bare = [replace(level, expected=None) for level in three]
    np.testing.assert_allclose(bars(plot_amplitude_level(bare)), spans)


def test_expected_amplitudes_are_bars_at_their_levels(three, words_of):
    ax = plot_amplitude_level(three)
    expected = [line for line in ax.lines if line.get_label() == "95 %" and line.get_lw() > 3]
    spans = [(float(line.get_xdata()[0]), *map(float, line.get_ydata())) for line in expected]
    np.testing.assert_allclose(spans, [(20, 40, 120), (40, 70, 170), (60, 100, 220)])
    none = plot_amplitude_level([replace(level, expected=None) for level in three])
    assert "The settings expect no amplitude" in words_of(none)


def test_a_series_without_any_mark_says_so(bench, words_of):
    bare = [marked(level) for level in bench.series(60, 40)]
    assert "No wave V is marked at any level, and none is expected." in words_of(
        plot_latency_level(bare)
    )
    assert "No amplitude" in words_of(plot_amplitude_level(bare))


def test_two_conditions_of_one_level_stand_apart(three):
    twice = [three[0], replace(three[0], condition=replace(three[0].condition, masking_db=40.0))]
    (left, _), (right, _) = dots(plot_latency_level(twice), "V")
    assert 1 < right - left < 5


def test_levels_in_ehl_are_labelled_so(three):
    levels = [
        replace(
            one,
            condition=replace(one.condition, level_db_nhl=None, level_db_ehl=float(40 + 10 * i)),
        )
        for i, one in enumerate(three)
    ]
    assert plot_latency_level(levels).get_xlabel() == "level in dB eHL"


@pytest.mark.parametrize("plot", [plot_latency_level, plot_amplitude_level])
def test_levels_that_do_not_belong_together_are_refused(plot, three):
    other = replace(three[1], condition=replace(three[1].condition, ear="right"))
    with pytest.raises(DataError, match="one ear and one stimulus"):
        plot([three[0], other])
    with pytest.raises(DataError, match="0 levels given; one picture holds 1 to 24"):
        plot([])


def test_replicates_show_other_places_above_the_traces(three, words_of):
    ax = plot_replicates(three)
    places = [line for line in ax.lines if line.get_label() == "another place"]
    assert sorted(float(line.get_xdata()[0]) for line in places) == [9.3, 10.4, 10.4]
    assert all(math.isfinite(line.get_ydata()[0]) for line in places)
    assert "another place wave V could be" in words_of(ax)
    assert "another place" not in words_of(plot_replicates(three[:1]))
