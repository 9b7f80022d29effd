"""The pictures of curves show the values, limits and bands that they were given."""

import math
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from waveworks.dsp.averaging import WeightedAverage
from waveworks.dsp.fstats import Growth
from waveworks.dsp.noise_density import NoiseDensity
from waveworks.dsp.settling import MarkCourse, Settling
from waveworks.errors import DataError
from waveworks.measures.level_views import pair_view
from waveworks.plots import (
    Limit,
    plot_agreement,
    plot_cross_correlation,
    plot_fmp,
    plot_mark_amplitude,
    plot_mark_latency,
    plot_noise_density,
    plot_residual_noise,
    plot_settling,
    plot_weights,
)

COUNTS = np.array([100, 200, 300, 400])
GROWTH = Growth(
    n_sweeps=COUNTS,
    rn_nv=np.array([40.0, 29.0, 31.0, 20.0]),
    fmp=np.array([1.1, 1.6, 2.4, 2.1]),
)
SETTLING = Settling(
    n_sweeps=COUNTS[1:],
    step=100,
    change_nv=np.array([30.0, 12.0, 9.0]),
    expected_nv=np.array([28.0, 14.0, 8.0]),
    low_nv=np.array([20.0, 10.0, 5.0]),
    high_nv=np.array([36.0, 18.0, 11.0]),
)
COURSE = MarkCourse(
    n_sweeps=COUNTS,
    v_ms=np.array([math.nan, 7.8, 7.6, 7.5]),
    sn10_ms=np.array([10.9, 10.8, 10.6, 10.5]),
    v_sn10_nv=np.array([math.nan, 180.0, 150.0, 140.0]),
    reach_ms=1.0,
)


def data_of(lines):
    return [(list(line.get_xdata()), list(line.get_ydata())) for line in lines]


def test_residual_noise_with_limits_and_where_they_were_first_met(lines_named, words_of) -> None:
    limits = (Limit(30, "first look"), Limit(15, "absent"))
    ax = plot_residual_noise(GROWTH, limits=limits)
    assert data_of(lines_named(ax, "residual noise")) == [(list(COUNTS), [40, 29, 31, 20])]
    assert [line.get_ydata()[0] for line in lines_named(ax, "first look")] == [30]
    assert [line.get_ydata()[0] for line in lines_named(ax, "absent")] == [15]
    assert data_of(lines_named(ax, "first met")) == [([200], [30])]
    assert "limit 30 nV, first met at 200: first look" in words_of(ax)
    assert "limit 15 nV, not met: absent" in words_of(ax)
    assert (
        lines_named(ax, "first look")[0]._dash_pattern != lines_named(ax, "absent")[0]._dash_pattern
    )


def test_the_line_of_constant_power_falls_with_the_root_of_the_sweeps(lines_named) -> None:
    (line,) = lines_named(plot_residual_noise(GROWTH), "constant power")
    # 20 nV after 400 sweeps were 40 nV after 100.
    np.testing.assert_allclose(line.get_ydata()[[0, -1]], [40, 20])


def test_fmp_with_its_limit(lines_named, words_of) -> None:
    ax = plot_fmp(GROWTH, limits=(Limit(2.2, "response"),))
    assert data_of(lines_named(ax, "Fmp")) == [(list(COUNTS), [1.1, 1.6, 2.4, 2.1])]
    assert data_of(lines_named(ax, "first met")) == [([300], [2.2])]
    assert "limit 2.2, first met at 300: response" in words_of(ax)
    assert "raises the false-positive rate" in words_of(ax)
    assert lines_named(ax, "no response")[0].get_ydata()[0] == 1


def test_fmp_with_a_limit_at_each_look(lines_named, words_of) -> None:
    ax = plot_fmp(GROWTH, at_looks=([200, 300, 400], [90.0, 2.3, 2.0]))
    # 90 is far above what is drawn; Fmp is 1.6, 2.4 and 2.1 there.
    assert data_of(lines_named(ax, "looks")) == [([300, 400], [2.3, 2.0])]
    assert "limit of a look, first met at 300" in words_of(ax)
    assert "raises the false-positive rate" not in words_of(ax)
    assert "limit of a look, not met" in words_of(plot_fmp(GROWTH, at_looks=([400], [2.2])))


def test_a_look_that_the_course_does_not_hold_is_refused() -> None:
    with pytest.raises(DataError, match="250 sweeps is none"):
        plot_fmp(GROWTH, at_looks=([250], [2.0]))
    with pytest.raises(DataError, match="2 looks and 1 limits"):
        plot_fmp(GROWTH, at_looks=([100, 200], [2.0]))


def test_a_limit_far_away_is_told_and_does_not_flatten_the_curve(lines_named, words_of) -> None:
    ax = plot_fmp(GROWTH, limits=(Limit(1e6, "absurd"),))
    assert ax.get_ylim()[1] < 4
    assert "limit 1000000, not met, not in view: absurd" in words_of(ax)
    ax = plot_residual_noise(GROWTH, limits=(Limit(1e6, "absurd"), Limit(0.0, "never")))
    assert ax.get_ylim()[1] < 100
    assert "limit 1000000 nV, first met at 100, not in view: absurd" in words_of(ax)
    assert not lines_named(ax, "absurd")


@pytest.mark.parametrize(("plot", "word"), [(plot_residual_noise, "noise"), (plot_fmp, "Fmp")])
def test_growth_without_values_says_so(words_of, plot, word) -> None:
    nothing = np.full(4, math.nan)
    ax = plot(Growth(n_sweeps=COUNTS, rn_nv=nothing, fmp=nothing))
    assert f"{word}: it needs at least two sweeps that differ" in words_of(ax)
    assert not ax.lines


def test_settling_against_what_noise_alone_would_do(lines_named, words_of) -> None:
    ax = plot_settling(SETTLING)
    assert data_of(lines_named(ax, "change")) == [(list(COUNTS[1:]), [30, 12, 9])]
    assert data_of(lines_named(ax, "noise alone")) == [(list(COUNTS[1:]), [28, 14, 8])]
    (band,) = ax.collections
    corners = {tuple(point) for point in band.get_paths()[0].vertices}
    assert corners >= {(200, 20), (300, 10), (400, 5), (200, 36), (300, 18), (400, 11)}
    assert "change in the last 100 sweeps" in words_of(ax)


def test_settling_without_a_band_says_so(words_of) -> None:
    nothing = np.full(3, math.nan)
    ax = plot_settling(replace(SETTLING, low_nv=nothing, high_nv=nothing))
    assert "No band" in words_of(ax)
    assert "Expected of independent sweeps, all equally noisy." in words_of(ax)
    assert not ax.collections


def test_an_average_that_never_moves_says_so(words_of) -> None:
    zero = np.zeros(3)
    ax = plot_settling(replace(SETTLING, change_nv=zero, expected_nv=zero))
    assert "does not change at all" in words_of(ax)


def test_latencies_of_the_marks_with_gaps_where_there_is_none(lines_named, words_of) -> None:
    ax = plot_mark_latency(COURSE)
    (v,), (sn10,) = lines_named(ax, "wave V"), lines_named(ax, "SN10")
    np.testing.assert_array_equal(v.get_ydata(), COURSE.v_ms)
    np.testing.assert_array_equal(sn10.get_ydata(), COURSE.sn10_ms)
    assert v.get_marker() != sn10.get_marker()
    assert "Wave V not found at 1 of 4 counts." in words_of(ax)
    still = replace(COURSE, v_ms=np.full(4, 7.5), sn10_ms=np.full(4, math.nan))
    assert np.diff(plot_mark_latency(still).get_ylim())[0] == pytest.approx(2)


def test_amplitude_of_the_marks_with_its_limit(lines_named, words_of) -> None:
    ax = plot_mark_amplitude(COURSE, limits=(Limit(40, "response"),))
    np.testing.assert_array_equal(lines_named(ax, "V to SN10")[0].get_ydata(), COURSE.v_sn10_nv)
    assert lines_named(ax, "response")[0].get_ydata()[0] == 40
    assert "limit 40 nV: response" in words_of(ax)
    assert "met" not in words_of(ax)
    nothing = replace(COURSE, v_sn10_nv=np.full(4, math.nan))
    assert "No amplitude" in words_of(plot_mark_amplitude(nothing))


def test_cross_correlation_over_lags_in_ms(bench, lines_named, words_of) -> None:
    pair = pair_view(bench.level(bench.average(), bench.average()))
    ax = plot_cross_correlation(pair)
    (curve,), (best,) = lines_named(ax, "correlation"), lines_named(ax, "highest")
    np.testing.assert_allclose(curve.get_xdata(), pair.correlation.lag_samples / 12)
    np.testing.assert_array_equal(curve.get_ydata(), pair.correlation.r)
    assert best.get_ydata()[0] == pair.correlation.r.max()
    assert best.get_xdata()[0] == pytest.approx(pair.agreement.lag_samples / 12)
    limit = pair.agreement.critical_r(0.05)
    assert lines_named(ax, "5 % limit at lag 0")[0].get_ydata()[0] == limit
    assert f"{limit:.2f}" in words_of(ax)


def test_agreement_sample_by_sample(bench, lines_named, words_of) -> None:
    pair = pair_view(bench.level(bench.average(), bench.average()))
    ax = plot_agreement(pair)
    (samples,) = lines_named(ax, "samples")
    np.testing.assert_array_equal(samples.get_xdata(), pair.first_nv)
    np.testing.assert_array_equal(samples.get_ydata(), pair.second_nv)
    assert ax.get_aspect() == 1
    assert ax.get_xlim() == ax.get_ylim()
    assert f"r = {pair.agreement.r:.2f}" in words_of(ax)
    assert f"{pair.agreement.n_effective:.1f} independent" in words_of(ax)


def test_a_constant_trace_has_no_correlation_and_a_word(bench, words_of, lines_named) -> None:
    level = bench.level(bench.average(trace_nv=np.zeros(300)), bench.average())
    ax = plot_cross_correlation(pair_view(level))
    assert "a trace is constant" in words_of(ax)
    assert not lines_named(ax, "correlation")
    assert "r not known" in words_of(plot_agreement(pair_view(level)))


def test_weights_over_sweeps(lines_named, words_of) -> None:
    weighted = WeightedAverage(np.zeros(3), np.array([0.5, 0.3, 0.2]), 10.0, "block-weighted")
    ax = plot_weights(weighted, 250)
    (line,) = lines_named(ax, "weight")
    assert list(line.get_xdata()) == [0, 250, 500, 750]
    assert list(line.get_ydata()) == [0.5, 0.3, 0.2, 0.2]
    assert line.get_drawstyle() == "steps-post"
    assert lines_named(ax, "equal share")[0].get_ydata()[0] == pytest.approx(1 / 3)
    assert "weight of a block of 250 sweeps" in words_of(ax)
    # Whether any are left over is not known from the weights.
    assert "Sweeps left over join the last block." in words_of(ax)
    assert "left over" not in words_of(plot_weights(weighted, 1))
    with pytest.raises(DataError, match="n_per_block is 0 sweeps"):
        plot_weights(weighted, 0)


def test_density_with_its_interval(lines_named, words_of) -> None:
    frequency = np.array([100.0, 200.0, 400.0])
    density = NoiseDensity(
        frequency,
        np.array([2.0, 1.0, 0.5]),
        np.array([1.0, 0.5, 0.2]),
        np.array([4.0, 2.0, 1.0]),
        df=20.0,
        method="800 sweeps",
    )
    ax = plot_noise_density(density)
    assert data_of(lines_named(ax, "noise")) == [([100, 200, 400], [2, 1, 0.5])]
    (band,) = ax.collections
    corners = {tuple(point) for point in band.get_paths()[0].vertices}
    assert corners >= {(100, 1), (200, 0.5), (400, 0.2), (100, 4), (200, 2), (400, 1)}
    assert (ax.get_xscale(), ax.get_yscale()) == ("log", "log")
    assert "From 800 sweeps." in words_of(ax)


def test_the_limit_of_r_is_drawn_at_lag_0_only(bench, lines_named, words_of) -> None:
    pair = pair_view(bench.level(bench.average(), bench.average()))
    ax = plot_cross_correlation(pair)
    (line,) = lines_named(ax, "5 % limit at lag 0")
    limit = pair.agreement.critical_r(0.05)
    assert list(line.get_ydata()) == [limit, limit]
    start, stop = line.get_xdata()
    left, right = ax.get_xlim()
    assert start < 0 < stop
    assert stop - start <= 0.061 * (right - left)  # 3 % of the width to either side
    words = "The limit holds at lag 0; noise passes it far more often at its best lag."
    assert words in words_of(ax)


def test_what_a_band_holds_is_said(words_of) -> None:
    settled = words_of(plot_settling(SETTLING))
    assert "Expected of independent sweeps, all equally noisy." in settled
    assert "95 % of steps" in settled
    density = NoiseDensity(
        frequency_hz=np.array([100.0, 200.0, 400.0]),
        density=np.array([3.0, 2.0, 1.0]),
        low=np.array([2.0, 1.5, 0.8]),
        high=np.array([4.0, 2.5, 1.3]),
        df=20.0,
        method="11 sweeps",
    )
    assert "95 % at each frequency by itself" in words_of(plot_noise_density(density))


def test_limits_never_look_like_what_is_expected(lines_named) -> None:
    limits = [Limit(value, f"limit {value}") for value in (35, 25, 22)]
    ax = plot_residual_noise(GROWTH, limits=limits)
    names = ["constant power", *(limit.label for limit in limits)]
    patterns = {str(lines_named(ax, name)[0]._unscaled_dash_pattern) for name in names}
    assert len(patterns) == len(names)


@pytest.mark.parametrize("layout", ["constrained", "tight"])
def test_pictures_side_by_side_do_not_write_over_one_another(layout) -> None:
    figure = Figure(figsize=(10, 4), layout=layout)
    FigureCanvasAgg(figure)
    left, right = figure.subplots(1, 2)
    plot_settling(SETTLING, ax=left)
    plot_residual_noise(GROWTH, limits=(Limit(30, "first look"), Limit(15, "absent")), ax=right)
    figure.canvas.draw()
    renderer = figure.canvas.get_renderer()
    boxes = [
        [
            Text.get_window_extent(text, renderer)  # of the letters alone, without their anchor
            for text in ax.findobj(Text)
            if text.get_text().strip() and text.get_visible()
        ]
        for ax in (left, right)
    ]
    assert min(map(len, boxes)) > 5
    assert not any(a.overlaps(b) for a in boxes[0] for b in boxes[1])
    every = [*boxes[0], *boxes[1]]
    assert all(box.x0 >= 0 and box.x1 <= figure.bbox.width for box in every)
    assert all(box.y0 >= 0 and box.y1 <= figure.bbox.height for box in every)
    for ax in (left, right):  # title, key and notes begin at the axes and not left of them
        start = ax.get_window_extent().x0
        assert all(Text.get_window_extent(text, renderer).x0 >= start for text in ax.texts)
