"""The pictures of detection show chances, looks and rates as scipy and hand counts find them."""

import math
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text
from scipy import integrate, stats

from waveworks.dsp.average_noise import AverageNoise, average_noise
from waveworks.dsp.detectors import Looks
from waveworks.dsp.fstats import f_statistic
from waveworks.errors import DataError
from waveworks.plots import Limit, plot_calibration, plot_looks, plot_null, plot_roc

NAN = math.nan
WHITE = AverageNoise(np.full(8, 4.0), df=30.0, n_per_block=1)
"""Fmp of it is distributed as F(8, 240), times 4 / 1.5^2 with a residual noise of 1.5 nV."""
RN_NV, SCALE = 1.5, 4 / 1.5**2
COLOURED = AverageNoise(100 * 0.7 ** np.arange(20.0)[::-1], df=400.0, n_per_block=10)
COUNTS = np.array([200.0, 400.0, 600.0, 800.0])
LOOKS = Looks(COUNTS, np.ones(4), np.array([0.4, 0.03, 0.008, 0.0005]), "")
LEVELS = np.array([0.001, 0.004, 0.01, 0.02])
RNG = np.random.default_rng(7)
NOISE = {"right": RNG.random(400), "strict": RNG.random(400) ** 0.25}
RESPONSE = {"right": RNG.random(300) ** 4, "strict": RNG.random(300) ** 2}


def one(lines):
    (line,) = lines
    return np.asarray(line.get_xdata(), dtype=float), np.asarray(line.get_ydata(), dtype=float)


# Fmp without a response


def test_white_noise_has_the_f_distribution_of_scipy(lines_named) -> None:
    ax = plot_null(WHITE, 2.0, RN_NV)
    fmp, own = one(lines_named(ax, "own noise"))
    np.testing.assert_allclose(own, stats.f.sf(fmp / SCALE, 8, 240), rtol=1e-8)
    for share in (0.05, 0.01):
        x, y = one(lines_named(ax, f"own {100 * share:g} % point"))
        assert y[0] == share
        assert x[0] == pytest.approx(SCALE * stats.f.isf(share, 8, 240), abs=1e-5)
    assert (ax.get_xscale(), ax.get_yscale()) == ("linear", "log")


def test_the_customary_distribution_is_drawn_beside(lines_named, words_of) -> None:
    ax = plot_null(WHITE, 2.0, RN_NV)
    fmp, beside = one(lines_named(ax, "customary"))
    np.testing.assert_allclose(beside, stats.f.sf(fmp, 5, 250), rtol=1e-8)
    assert "F(5, 250)" in words_of(ax)
    other = plot_null(WHITE, 2.0, RN_NV, customary_df=(7, 90))
    fmp, beside = one(lines_named(other, "customary"))
    np.testing.assert_allclose(beside, stats.f.sf(fmp, 7, 90), rtol=1e-8)


def test_points_of_coloured_noise_are_passed_by_so_many_draws_of_it(lines_named) -> None:
    """Simulated here: the average from its eigenvalues, the noise from 400 degrees of freedom."""
    rn_nv, n_draws = 4.0, 100_000
    ax = plot_null(COLOURED, 1.0, rn_nv)
    rng = np.random.default_rng(3)
    squares = rng.chisquare(1, (n_draws, 20)) @ COLOURED.eigenvalues
    known = rng.chisquare(400, (n_draws, 20)) @ COLOURED.eigenvalues / 400
    drawn = squares * COLOURED.eigenvalues.sum() / known / (20 * rn_nv**2)
    for share in (0.05, 0.01):
        (point,), _ = one(lines_named(ax, f"own {100 * share:g} % point"))
        standard_error = math.sqrt(share * (1 - share) / n_draws)
        assert abs(np.mean(drawn >= point) - share) < 4 * standard_error


def test_observed_and_limits_stand_where_they_were_given(lines_named, words_of) -> None:
    ax = plot_null(WHITE, 2.0, RN_NV)
    assert set(lines_named(ax, "observed")[0].get_xdata()) == {2.0}
    assert set(lines_named(ax, "customary 5 %")[0].get_xdata()) == {2.25}
    assert set(lines_named(ax, "customary 1 %")[0].get_xdata()) == {3.1}
    reach = [100 * stats.f.sf(limit / SCALE, 8, 240) for limit in (2.25, 3.1)]
    assert f"reaches 2.25 in {reach[0]:.2g} % and 3.1 in {reach[1]:.2g} %" in words_of(ax)
    assert f"observed 2, p = {stats.f.sf(2 / SCALE, 8, 240):.2g}" in words_of(ax)
    other = plot_null(WHITE, NAN, RN_NV, limits=(Limit(1.7, "mine"), Limit(1e9, "far")))
    assert set(lines_named(other, "mine")[0].get_xdata()) == {1.7}
    assert not lines_named(other, "far")
    assert "limit 1000000000, not in view: far" in words_of(other)
    assert not lines_named(other, "customary 1 %")
    assert "There is no Fmp of this recording." in words_of(other)


def test_p_of_the_picture_is_that_of_the_statistic(bench, words_of) -> None:
    sweeps = bench.sweeps(200, amplitude_nv=60.0).sweeps_nv[:, 60:205]
    found = f_statistic(sweeps)
    words = words_of(plot_null(average_noise(sweeps), found.statistic, found.rn_nv))
    assert f"p = {found.pvalue:.2g}" in words


def test_a_large_response_is_told_and_does_not_flatten_the_curves(lines_named, words_of) -> None:
    ax = plot_null(WHITE, 40.0, RN_NV)
    assert "observed 40, p < 1e\u22126, not in view" in words_of(ax)
    assert ax.get_xlim()[1] < 10
    assert not lines_named(ax, "observed")


def test_noise_known_from_nearly_nothing_has_points_out_of_view(words_of) -> None:
    # F(1, 1) is the square of Student's t with one degree of freedom: tan(pi / 2 (1 - share))^2.
    ax = plot_null(AverageNoise(np.array([4.0]), 1.0, 1), 1.0, 2.0)
    five, one_percent = (math.tan(math.pi / 2 * (1 - share)) ** 2 for share in (0.05, 0.01))
    assert one_percent > 1000
    assert f"its 5 % point: {five:.2f}, not in view" in words_of(ax)
    assert "its 1 % point: out of reach, not in view" in words_of(ax)
    assert ax.get_xlim()[1] < 12


@pytest.mark.parametrize(
    ("noise", "rn_nv"), [(replace(WHITE, eigenvalues=np.zeros(8), df=NAN), 0.0), (WHITE, NAN)]
)
def test_no_noise_has_no_distribution_but_a_word(noise, rn_nv, words_of) -> None:
    ax = plot_null(noise, NAN, rn_nv)
    assert "No distribution of Fmp" in words_of(ax)
    assert not ax.lines


# p at each look


def test_p_and_levels_at_each_look(lines_named, words_of) -> None:
    ax = plot_looks(LOOKS, LEVELS, name="shape")
    x, y = one(lines_named(ax, "p"))
    np.testing.assert_array_equal((x, y), (COUNTS, LOOKS.pvalue))
    edges, steps = one(lines_named(ax, "level"))
    assert lines_named(ax, "level")[0].get_drawstyle() == "steps-post"
    np.testing.assert_array_equal(edges, [100, 300, 500, 700, 900])
    np.testing.assert_array_equal(steps, [*LEVELS, LEVELS[-1]])
    x, y = one(lines_named(ax, "first met"))
    assert (x[0], y[0]) == (600, 0.008)  # 0.008 <= 0.01; before it 0.03 > 0.004
    assert "first met at 600" in words_of(ax)
    assert "shape" in words_of(ax)
    assert ax.get_yscale() == "log"


def test_looks_at_uneven_distances_lie_on_their_own_step(lines_named) -> None:
    counts = np.array([100.0, 150.0, 900.0, 1000.0])
    ax = plot_looks(replace(LOOKS, n_sweeps=counts), LEVELS)
    edges, steps = one(lines_named(ax, "level"))
    assert list(steps[np.searchsorted(edges, counts) - 1]) == list(LEVELS)


def test_looks_that_never_meet_their_level(lines_named, words_of) -> None:
    ax = plot_looks(LOOKS, np.full(4, 1e-4))
    assert "not met" in words_of(ax)
    assert not lines_named(ax, "first met")


def test_a_level_of_zero_is_met_by_nothing(words_of) -> None:
    ax = plot_looks(replace(LOOKS, pvalue=np.zeros(4)), [0.0, 0.0, 0.01, 0.02])
    assert "first met at 600" in words_of(ax)


def test_missing_looks_have_a_cross_and_levels_of_zero_a_gap(lines_named, words_of) -> None:
    p = np.array([NAN, NAN, 0.03, 0.0005])
    ax = plot_looks(replace(LOOKS, pvalue=p, note="few blocks"), [0.0, 0.001, 0.01, 0.02])
    x, _ = one(lines_named(ax, "missing"))
    assert list(x) == [200, 400]
    assert "no p at 2 of 4 looks" in words_of(ax)
    _, steps = one(lines_named(ax, "level"))
    assert list(np.isnan(steps)) == [True, False, False, False, False]
    assert "Nothing may be found at 1 of 4 looks. Few blocks." in words_of(ax)


def test_tiny_p_do_not_flatten_the_picture(lines_named, words_of) -> None:
    p = np.array([0.4, 0.03, 1e-40, 0.0])
    ax = plot_looks(replace(LOOKS, pvalue=p), LEVELS)
    low, _ = ax.get_ylim()
    assert low > 1e-6
    x, y = one(lines_named(ax, "below"))
    assert list(x) == [600, 800]
    assert (y > low).all()
    assert "p below 8e\u22126" in words_of(ax)  # two decades below 0.001 / 1.25
    np.testing.assert_array_equal(one(lines_named(ax, "p"))[1], p)
    assert one(lines_named(ax, "first met"))[0][0] == 600


def test_a_test_that_could_never_be_made_says_so(words_of) -> None:
    ax = plot_looks(replace(LOOKS, pvalue=np.full(4, NAN), note="too few sweeps"), LEVELS)
    assert "No p: the test could not be made at any look." in words_of(ax)
    assert "Too few sweeps." in words_of(ax)
    assert not ax.lines


# shares of responses against shares of noise


@pytest.mark.parametrize("name", ["right", "strict"])
def test_area_under_the_line_is_the_rank_statistic_of_scipy(name, lines_named) -> None:
    """Hanley and McNeil 1982 (from memory): the area is Mann and Whitney's U over its maximum."""
    noise = {**NOISE, name: np.round(NOISE[name], 2)}  # with ties
    response = {**RESPONSE, name: np.round(RESPONSE[name], 2)}
    x, y = one(lines_named(plot_roc(noise, response), name))
    u = stats.mannwhitneyu(noise[name], response[name]).statistic
    assert integrate.trapezoid(y, x) == pytest.approx(u / (400 * 300), rel=1e-12)
    assert (x[0], y[0], x[-1], y[-1]) == (0, 0, 1, 1)


def test_markers_stand_at_the_counted_shares_of_the_levels(lines_named, words_of) -> None:
    ax = plot_roc(NOISE, RESPONSE, levels=(0.05, 0.01, 0.2))
    for name in NOISE:
        (line,) = lines_named(ax, name)
        marked = [(line.get_xdata()[i], line.get_ydata()[i]) for i in line.get_markevery()]
        counted = [
            (np.mean(NOISE[name] <= level), np.mean(RESPONSE[name] <= level))
            for level in (0.05, 0.01, 0.2)
        ]
        assert marked == counted
    assert "Markers: p at most 5 % or 1 % or 20 %." in words_of(ax)
    assert "400 recordings without a response. 300 recordings with one." in words_of(ax)


def test_only_the_order_of_p_matters(lines_named) -> None:
    bent = [{name: p**3 for name, p in values.items()} for values in (NOISE, RESPONSE)]
    straight, other = plot_roc(NOISE, RESPONSE), plot_roc(*bent)
    for name in NOISE:
        np.testing.assert_array_equal(
            one(lines_named(straight, name)), one(lines_named(other, name))
        )


def test_the_diagonal_and_the_end_of_the_axis(lines_named) -> None:
    ax = plot_roc(NOISE, RESPONSE, most_noise=0.1)
    np.testing.assert_array_equal(one(lines_named(ax, "diagonal")), [[0, 1], [0, 1]])
    assert ax.get_xlim()[1] == pytest.approx(0.102)


def test_missing_p_are_not_found(lines_named, words_of) -> None:
    ax = plot_roc({"a": [0.5, NAN, 0.2, 0.9]}, {"a": [0.1, 0.1, NAN, NAN]})
    x, y = one(lines_named(ax, "a"))
    assert (x[-1], y[-1]) == (0.75, 0.5)
    assert "4 recordings without a response; 1 p missing, counted as not found." in words_of(ax)
    assert "4 recordings with one; 2 p missing, counted as not found." in words_of(ax)


def test_tests_differ_in_line_and_marker_and_not_in_colour_alone(lines_named) -> None:
    p = {f"test {number}": [0.1, 0.6] for number in range(12)}
    ax = plot_roc(p, p)
    lines = [lines_named(ax, name)[0] for name in p]
    for number in range(5):  # no five in a row share a line style, no two of all a marker
        assert len({str(line._unscaled_dash_pattern) for line in lines[number : number + 5]}) == 5
    assert len({line.get_marker() for line in lines}) == 12
    assert all(max(to_rgb(line.get_color())) < 0.75 for line in lines)  # dark on white
    # A test looks the same in both pictures, and where another one is left out.
    beside = plot_calibration({"gone": [], **{name: p[name] for name in list(p)[1:]}})
    for name, line in zip(list(p)[1:], lines[1:], strict=True):
        assert lines_named(beside, name)[0].get_marker() == line.get_marker()


# shares of noise against nominal levels


def test_shares_of_noise_are_counted_at_each_level(lines_named, words_of) -> None:
    ax = plot_calibration(NOISE, levels=(0.05, 0.013))
    for name, p in NOISE.items():
        (line,) = lines_named(ax, name)
        nominal, share = one([line])
        np.testing.assert_array_equal(share, [np.mean(p <= level) for level in nominal])
        assert (nominal[0], nominal[-1]) == (0.001, 1)
        assert {nominal[i] for i in line.get_markevery()} == {0.05, 0.013}
    np.testing.assert_array_equal(*one(lines_named(ax, "diagonal")))
    assert (ax.get_xscale(), ax.get_yscale()) == ("log", "log")
    assert "400 recordings without a response" in words_of(ax)


@pytest.mark.parametrize("n_runs", [2, 37, 2000])
def test_lines_around_the_diagonal_are_binomial_points_of_scipy(n_runs, lines_named) -> None:
    ax = plot_calibration({"a": RNG.random(n_runs), "more": RNG.random(3000)})
    low, high = lines_named(ax, "95 %")
    nominal = low.get_xdata()
    np.testing.assert_array_equal(low.get_ydata(), stats.binom.ppf(0.025, n_runs, nominal) / n_runs)
    np.testing.assert_array_equal(
        high.get_ydata(), stats.binom.ppf(0.975, n_runs, nominal) / n_runs
    )


@pytest.mark.parametrize("held", [(0.8, 1.2), (0.5, 1.5)])
def test_the_band_that_counts_as_held(held, words_of) -> None:
    ax = plot_calibration(NOISE, held=held)
    (band,) = ax.collections
    corners = band.get_paths()[0].vertices
    for share in held:
        assert np.isclose(corners, (0.05, share * 0.05)).all(axis=1).any()
    assert corners[:, 1].max() == 1
    assert f"{held[0]} to {held[1]} of it" in words_of(ax)


def test_a_strict_test_stays_in_view_and_a_share_of_zero_is_told(words_of) -> None:
    p = np.concatenate([[0.04], np.full(1999, 0.5)])
    ax = plot_calibration({"strict": p})
    assert ax.get_ylim()[0] < 1 / 2000
    assert "A share of 0 at a marker is below the axis: strict." in words_of(ax)
    assert "share of 0" not in words_of(plot_calibration({"right": np.arange(1, 1001) / 1000}))


# nothing to draw, and bad input


@pytest.mark.parametrize("p", [{}, {"a": []}, {"a": [0.5]}, {"a": [NAN, NAN, NAN]}])
def test_rates_of_nothing_have_words(p, words_of) -> None:
    for ax in (plot_roc(p, p), plot_calibration(p)):
        assert "No shares: they need 2 recordings and p values of a test." in words_of(ax)
        assert not ax.lines
        assert ("Too few p values: a." in words_of(ax)) == bool(p)


def test_a_test_without_p_is_named_beside_the_others(lines_named, words_of) -> None:
    p = {"empty": [], **NOISE}
    for ax in (plot_roc(p, p), plot_calibration(p)):
        assert "Too few p values: empty." in words_of(ax)
        assert lines_named(ax, "right")
        assert not lines_named(ax, "empty")


MANY = {f"test {number}": [0.1, 0.6] for number in range(13)}


@pytest.mark.parametrize(
    ("draw", "words"),
    [
        (lambda: plot_null(WHITE, -1.0, 1.0), "observed_fmp is -1"),
        (lambda: plot_null(WHITE, math.inf, 1.0), "observed_fmp is inf"),
        (lambda: plot_null(WHITE, 1.0, -2.0), "rn_nv is -2"),
        (lambda: plot_null(WHITE, 1.0, 1.0, customary_df=(5, 0)), "must be positive"),
        (lambda: plot_looks(LOOKS, [0.01] * 3), "4 looks have 4 values of p and 3 levels"),
        (lambda: plot_looks(LOOKS, [0.01, 0.01, NAN, 0.01]), "levels: value at index 2 is nan"),
        (lambda: plot_looks(LOOKS, [[0.01] * 4]), "levels: 2 dimensions given, 1 needed"),
        (lambda: plot_looks(LOOKS, ["x"] * 4), "levels: not an array of numbers"),
        (lambda: plot_looks(replace(LOOKS, pvalue=COUNTS), LEVELS), "p: value at index 0 is 200"),
        (lambda: plot_looks(replace(LOOKS, n_sweeps=COUNTS[::-1]), LEVELS), "that rise"),
        (lambda: plot_roc(NOISE, {"right": [0.1, 0.2]}), "test 'strict' is in only one"),
        (lambda: plot_roc(NOISE, RESPONSE, levels=(1.5,)), "levels: value at index 0 is 1.5"),
        (lambda: plot_roc(NOISE, RESPONSE, most_noise=0.0), "most_noise is 0"),
        (lambda: plot_roc(MANY, MANY), "13 tests; at most 12 can be told apart"),
        (lambda: plot_calibration({"a": [0.1, -0.1]}), "p_noise of a: value at index 1 is -0.1"),
        (lambda: plot_calibration(NOISE, held=(1.2, 0.8)), "held is 1.2 to 0.8"),
    ],
)
def test_bad_input_has_one_plain_line(draw, words) -> None:
    with pytest.raises(DataError) as caught:
        draw()
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_input_stays_as_it_was_and_may_be_read_only_and_strided() -> None:
    p = np.random.default_rng(1).random(40)[::2]
    p.setflags(write=False)
    before = p.copy()
    plot_roc({"a": p}, {"a": p})
    plot_calibration({"a": p})
    np.testing.assert_array_equal(p, before)


def test_pictures_side_by_side_do_not_write_over_one_another() -> None:
    figure = Figure(figsize=(16, 5), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(1, 4)
    assert plot_null(WHITE, 2.0, RN_NV, ax=axes[0]) is axes[0]
    assert plot_looks(LOOKS, LEVELS, name="shape", ax=axes[1]) is axes[1]
    assert plot_roc(NOISE, RESPONSE, ax=axes[2]) is axes[2]
    assert plot_calibration(NOISE, ax=axes[3]) is axes[3]
    figure.canvas.draw()
    renderer = figure.canvas.get_renderer()
    boxes = [
        Text.get_window_extent(text, renderer)
        for ax in axes
        for text in ax.findobj(Text)
        if text.get_text().strip() and text.get_visible()
    ]
    assert len(boxes) > 40
    assert not any(a.overlaps(b) for i, a in enumerate(boxes) for b in boxes[:i])
    assert all(box.x0 >= 0 and box.x1 <= figure.bbox.width for box in boxes)
    assert all(box.y0 >= 0 and box.y1 <= figure.bbox.height for box in boxes)
