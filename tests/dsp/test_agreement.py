"""Replicate agreement against published tables, scipy and simulated pairs of known truth."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from waveworks.dsp.agreement import (
    Agreement,
    _one_sided_p,
    agreement,
    cross_correlation,
    effective_sample_size,
)
from waveworks.errors import DataError
from waveworks.simulate.noise import simulate_average
from waveworks.simulate.response import response

TIMES_MS = np.arange(300) / 12
WINDOWS = {"5 to 17 ms": slice(60, 205), "0 to 25 ms": slice(0, 300)}


def wave(v_ms, amplitude_nv):
    """Return V and SN10 of the given latency and peak-to-trough amplitude."""
    return response(TIMES_MS, v_ms, amplitude_nv)


def pair_with(r, scale=1.0, size=64):
    """Return two traces whose sample correlation is r exactly, y `scale` times as large as x."""
    basis = np.random.default_rng(2).standard_normal((size, 2))
    basis = basis - basis.mean(axis=0)
    u, v = np.linalg.qr(basis)[0].T
    return u, scale * (r * u + math.sqrt(1 - r**2) * v)


# --- correlation and its p -----------------------------------------------------------------------


def test_r_is_pearsons_as_scipy_has_it():
    x, y = np.random.default_rng(1).standard_normal((2, 80))
    assert agreement(x, y + 0.5 * x).r == pytest.approx(stats.pearsonr(x, y + 0.5 * x).statistic)


def test_p_is_students_one_sided_p_at_the_effective_sample_size():
    x, y = simulate_average("Q33", 1500, 2, seed=3)
    found = agreement(x, y)
    df = found.n_effective - 2
    t = found.r * math.sqrt(df / (1 - found.r**2))
    assert 10 < found.n_effective < 80
    assert found.pvalue == pytest.approx(stats.t.sf(t, df), rel=1e-9)


def test_p_of_opposite_traces_is_near_one():
    x = simulate_average("Q33", 1500, 1, seed=3)[0]
    y = -x + 0.1 * simulate_average("Q33", 1500, 1, seed=4)[0]
    assert agreement(x, y).pvalue > 0.999


# Published critical values of r, one-sided 5 % (t-distribution; computed for the reference notes).
@pytest.mark.parametrize(
    ("n_effective", "critical_r"), [(10, 0.5494), (20, 0.3783), (50, 0.2353), (200, 0.1166)]
)
def test_critical_r_of_the_published_table(n_effective, critical_r):
    rounding = 5e-5
    above = _one_sided_p(critical_r - rounding, n_effective)
    assert above > 0.05 > _one_sided_p(critical_r + rounding, n_effective)


# --- effective sample size -----------------------------------------------------------------------

AR1_TABLE = [(0.5, 240.0), (0.8, 87.80), (0.9, 41.99), (0.95, 20.50)]
"""N = 400; Bartlett 1935 and 1946, formula N (1 - phi^2) / (1 + phi^2) read second-hand."""


@pytest.mark.parametrize(("phi", "published"), AR1_TABLE)
def test_effective_sample_size_of_first_order_autoregressions(phi, published):
    rho = phi ** np.arange(400)
    assert effective_sample_size(rho, rho, 400) == pytest.approx(published, abs=0.006)


def test_effective_sample_size_of_two_different_series_uses_both():
    lags = np.arange(400)
    expected = 400 * (1 - 0.9 * 0.5) / (1 + 0.9 * 0.5)
    assert effective_sample_size(0.9**lags, 0.5**lags, 400) == pytest.approx(expected)
    assert effective_sample_size(0.9**lags, lags == 0, 400) == 400


def test_effective_sample_size_is_never_more_than_the_number_of_samples():
    lags = np.arange(50)
    assert effective_sample_size(0.5**lags, (-0.5) ** lags, 50) == 50


# The limits are the published 20 % for short effective samples.
@pytest.mark.parametrize(("phi", "published"), [(0.0, 400.0), *AR1_TABLE[:3]])
def test_n_effective_estimated_from_autoregressive_pairs(phi, published):
    rng = np.random.default_rng(7)
    noise = rng.standard_normal((2, 200, 600))
    for t in range(1, 600):
        noise[..., t] += phi * noise[..., t - 1]
    x, y = noise[..., 200:]
    inverse = np.mean([1 / agreement(a, b).n_effective for a, b in zip(x, y, strict=True)])
    assert 1 / inverse == pytest.approx(published, rel=0.2)


def test_effective_sample_size_refuses_what_is_no_autocorrelation():
    with pytest.raises(DataError, match="lag 0 must be 1"):
        effective_sample_size([0.5, 0.1], [1.0, 0.1], 10)
    with pytest.raises(DataError, match="autocorrelations of 2 and 3 lags"):
        effective_sample_size([1.0, 0.1], [1.0, 0.1, 0.0], 10)
    with pytest.raises(DataError, match="n_samples is 0"):
        effective_sample_size([1.0], [1.0], 0)


# --- calibration (own simulation) ----------------------------------------------------------------

N_RUNS = 2000


def rate_interval(pvalues, alpha=0.05):
    """Return the 95 % binomial interval of the rate of p < alpha."""
    hits = int((np.asarray(pvalues) < alpha).sum())
    interval = stats.binomtest(hits, len(pvalues)).proportion_ci()
    return interval.low, interval.high


@pytest.mark.parametrize("window", WINDOWS)
@pytest.mark.parametrize("name", ["Q33", "Q100", "W"])
def test_the_five_percent_test_fires_on_noise_in_about_five_percent(name, window):
    traces = simulate_average(name, 1500, 2 * N_RUNS, seed=20)[:, WINDOWS[window]]
    found = [agreement(x, y) for x, y in zip(traces[:N_RUNS], traces[N_RUNS:], strict=True)]
    low, high = rate_interval([each.pvalue for each in found])
    assert low < 0.065
    assert high > 0.035
    if name == "Q33":  # the trap that this answers: r at face value among all samples
        face_value = [_one_sided_p(each.r, traces.shape[1]) for each in found]
        assert rate_interval(face_value)[0] > 0.2


def test_power_on_a_response_is_not_paid_away():
    # Own simulation: with the traces' own autocorrelations alone this rate is 0.54.
    rng = np.random.default_rng(21)
    noise_nv = simulate_average("Q33", 1500, 2000, seed=22)
    responses_nv = np.array([wave(v_ms, 100.0) for v_ms in rng.uniform(7.5, 10.5, 1000)])
    x, y = noise_nv[:1000] + responses_nv, noise_nv[1000:] + responses_nv
    window = WINDOWS["5 to 17 ms"]
    pvalues = [agreement(a, b).pvalue for a, b in zip(x[:, window], y[:, window], strict=True)]
    assert rate_interval(pvalues)[0] > 0.65


# --- interval ------------------------------------------------------------------------------------


# Fisher z, SE 1/sqrt(n - 3); computed for the reference notes.
@pytest.mark.parametrize(
    ("r", "n", "low", "high"),
    [(0.5, 28, 0.156028, 0.735818), (0.6, 30, 0.305842, 0.789590), (0.9, 20, 0.760272, 0.960131)],
)
def test_interval_of_the_published_fisher_table(r, n, low, high):
    found = Agreement(r, 0.0, n, 0, 1.0, 1.0).interval()
    assert found == pytest.approx((low, high), abs=1e-6)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_interval_is_scipys_when_the_samples_are_independent(level):
    x, y = np.random.default_rng(5).standard_normal((2, 40))
    expected = stats.pearsonr(x, y).confidence_interval(level)
    found = Agreement(stats.pearsonr(x, y).statistic, 0.0, 40, 0, 1.0, 1.0).interval(level)
    assert found == pytest.approx((expected.low, expected.high))


def test_interval_is_missing_where_nothing_supports_it():
    assert all(map(math.isnan, Agreement(0.5, 0.1, 3.0, 0, 1.0, 1.0).interval()))
    assert all(map(math.isnan, Agreement(math.nan, 0.1, 30.0, 0, 1.0, 1.0).interval()))
    assert Agreement(1.0, 0.0, 30.0, 0, 1.0, 1.0).interval() == (1.0, 1.0)
    with pytest.raises(DataError, match=r"level is 95; it must lie between 0 and 1"):
        Agreement(0.5, 0.1, 30.0, 0, 1.0, 1.0).interval(95)


# --- signal-to-noise ratio -----------------------------------------------------------------------


# Bershad and Rockmore 1974 and Coppola et al. 1978, from memory; table computed.
@pytest.mark.parametrize(
    ("r", "snr_of_average"),
    [(0.5, 2.0), (0.6, 3.0), (0.8, 8.0), (9 / 11, 9.0), (0.9, 18.0), (0.95, 38.0)],
)
def test_snr_power_of_equal_variances_is_the_published_function_of_r(r, snr_of_average):
    found = agreement(*pair_with(r))
    assert found.r == pytest.approx(r)
    assert found.snr_power == pytest.approx(snr_of_average)


def test_snr_power_of_unequal_variances_is_not_that_function():
    x, y = pair_with(0.8, scale=3.0)
    expected = np.var((x + y) / 2) / np.var((x - y) / 2) - 1
    found = agreement(x, y).snr_power
    assert found == pytest.approx(expected)
    assert found < 0.5 * 2 * 0.8 / (1 - 0.8)


def test_hand_example_a_shrunken_copy_has_r_one_and_snr_three():
    # Buffers of the odd and even sweeps [1 2 3], [2 4 6] and [3 2 1], [0 2 4].
    found = agreement([1.5, 3.0, 4.5], [1.5, 2.0, 2.5])
    assert found.r == pytest.approx(1.0)
    assert found.snr_power == pytest.approx(3.0)
    assert found.gap_nv == pytest.approx(2 / 3)


@pytest.mark.parametrize(("snr", "published_r"), [(1.0, 0.5005), (4.5, 0.8188), (9.0, 0.9008)])
def test_simulated_replicates_have_the_correlation_of_their_snr(snr, published_r):
    rng = np.random.default_rng(8)
    signal = math.sqrt(snr) * rng.standard_normal((400, 200))
    x, y = signal + rng.standard_normal((2, 400, 200))
    r = np.array([agreement(a, b).r for a, b in zip(x, y, strict=True)])
    four_errors = 4 * r.std(ddof=1) / math.sqrt(r.size)
    assert r.mean() == pytest.approx(snr / (1 + snr), abs=four_errors)
    assert r.mean() == pytest.approx(published_r, abs=four_errors)


# --- gap -----------------------------------------------------------------------------------------


def test_gap_of_two_replicates_with_22_nv_of_noise_each_is_25_nv():
    # E|A - B| = 2 s / sqrt(pi) for Gaussian noise; the limits are four standard errors.
    n_samples, sd_nv = 400_000, 22.2
    x, y = sd_nv * np.random.default_rng(9).standard_normal((2, n_samples))
    four_errors = 4 * sd_nv * math.sqrt((2 - 4 / math.pi) / n_samples)
    gap_nv = agreement(x, y).gap_nv
    assert gap_nv == pytest.approx(2 * sd_nv / math.sqrt(math.pi), abs=four_errors)
    assert gap_nv == pytest.approx(25.0, abs=0.2)


def test_gap_removes_the_one_offset_that_makes_it_smallest():
    x, y = np.random.default_rng(10).standard_normal((2, 41))
    y = y + 500.0
    by_search = min(np.abs(x - y - offset).mean() for offset in x - y)
    assert agreement(x, y).gap_nv == pytest.approx(by_search)
    assert agreement(x, y + 80.0).gap_nv == pytest.approx(by_search)


def test_gap_of_a_hand_example():
    # Differences 0, 1, 5: median 1, distances 1, 0, 4.
    assert agreement([1.0, 2.0, 9.0], [1.0, 1.0, 4.0]).gap_nv == pytest.approx(5 / 3)


def test_gap_allows_no_time_shift():
    x, later = wave(8.0, 100.0), wave(8.5, 100.0)
    difference = x - later
    expected = np.abs(difference - np.median(difference)).mean()
    assert expected > 3.0
    assert agreement(x, later, max_lag=10).gap_nv == pytest.approx(expected)


# --- lag -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("shift", [-7, -1, 0, 1, 7])
def test_lag_is_positive_when_y_is_later(shift):
    x = wave(8.0, 100.0)
    later = wave(8.0 + shift / 12, 100.0)
    found = agreement(x, later, max_lag=20)
    assert found.lag_samples == shift
    assert found.r == pytest.approx(np.corrcoef(x, later)[0, 1])


def test_lag_stays_within_the_limit():
    x, later = wave(8.0, 100.0), wave(8.0 + 7 / 12, 100.0)
    assert agreement(x, later, max_lag=3).lag_samples == 3
    assert agreement(x, later).lag_samples == 0


def test_of_equal_correlations_the_smallest_lag_counts():
    alternating = np.tile([1.0, -1.0], 20)
    assert agreement(alternating, 2 * alternating, max_lag=8).lag_samples == 0


def test_an_inverted_copy_does_not_decide_the_lag():
    x = wave(10.0, 100.0)
    y = wave(10.0 + 10 / 12, 100.0) - 3 * wave(10.0 - 20 / 12, 100.0)
    found = cross_correlation(x, y, 25)
    assert found.lag_samples[np.argmax(np.abs(found.r))] < 0
    assert agreement(x, y, max_lag=25).lag_samples == found.lag_samples[np.argmax(found.r)] > 0


def test_cross_correlation_is_numpys_on_the_overlap():
    x, y = np.random.default_rng(11).standard_normal((2, 30))
    found = cross_correlation(x, y, 5)
    assert found.lag_samples.tolist() == list(range(-5, 6))
    by_hand = [
        np.corrcoef(x[:-k], y[k:])[0, 1] if k > 0 else np.corrcoef(x[-k:], y[: 30 + k])[0, 1]
        for k in range(-5, 6)
    ]
    np.testing.assert_allclose(found.r, by_hand, rtol=1e-12)
    np.testing.assert_allclose(cross_correlation(y, x, 5).r, found.r[::-1], rtol=1e-12)


def test_cross_correlation_is_missing_where_a_piece_is_flat():
    pulse = np.zeros(10)
    pulse[9] = 1.0
    found = cross_correlation(pulse, pulse, 2)
    assert np.isnan(found.r).tolist() == [True, True, False, True, True]
    assert agreement(pulse, 2 * pulse, max_lag=2).lag_samples == 0


def test_cross_correlation_is_write_protected():
    found = cross_correlation([1.0, 2.0, 4.0], [1.0, 3.0, 2.0], 1)
    with pytest.raises(ValueError, match="read-only"):
        found.r[0] = 0.0
    with pytest.raises(ValueError, match="read-only"):
        found.lag_samples[0] = 0


# --- nothing to say ------------------------------------------------------------------------------


@pytest.mark.parametrize("offset_nv", [0.0, 1e-3, 1234.5])
def test_identical_traces_give_no_snr_and_say_so(offset_nv):
    x = simulate_average("Q33", 1500, 1, seed=12)[0]
    found = agreement(x, x + offset_nv, max_lag=4)
    assert found.r == pytest.approx(1.0)
    assert found.gap_nv == pytest.approx(0.0, abs=1e-12)
    assert found.lag_samples == 0
    assert math.isnan(found.snr_power)
    assert math.isnan(found.pvalue)
    assert "identical apart from a vertical offset" in found.note


def test_traces_that_differ_by_little_are_not_identical():
    x, noise = simulate_average("Q33", 1500, 2, seed=12)
    found = agreement(x, x + 1e-6 * noise)
    assert found.note == ""
    assert found.snr_power > 1e11


@pytest.mark.parametrize(
    ("x", "y", "named"),
    [
        ([0.1, 0.1, 0.1, 0.1], [1.0, 2.0, 0.0, 1.0], "x constant"),
        ([1.0, 2.0, 0.0, 1.0], [0.1, 0.1, 0.1, 0.1], "y constant"),
        ([0.1, 0.1, 0.1, 0.1], [0.3, 0.3, 0.3, 0.3], "x and y constant"),
    ],
)
def test_a_constant_trace_gives_no_correlation_and_says_so(x, y, named):
    found = agreement(x, y, max_lag=1)
    assert named in found.note
    assert math.isnan(found.lag_samples)
    missing = (found.r, found.pvalue, found.n_effective, found.snr_power)
    assert all(map(math.isnan, missing))
    difference = np.subtract(x, y)
    expected = np.abs(difference - np.median(difference)).mean()
    assert found.gap_nv == pytest.approx(expected)


def test_too_few_independent_samples_give_no_p_and_say_so():
    alternating = np.tile([1.0, -1.0], 20)
    found = agreement(alternating, 2 * alternating)
    assert found.r == pytest.approx(1.0)
    assert math.isnan(found.pvalue)
    assert "more than 2 needed" in found.note


# --- properties (warnings are errors) ------------------------------------------------------------

TRACES = arrays(np.float64, (2, 12), elements=st.floats(-1e6, 1e6))


@given(TRACES)
def test_every_finite_pair_gives_numbers_in_range_or_a_note(traces):
    found = agreement(*traces, max_lag=6)
    assert found.gap_nv >= 0
    if found.note == "":
        assert -1 <= found.r <= 1
        assert 0 <= found.pvalue <= 1
        assert 2 < found.n_effective <= 12
        assert found.snr_power >= -1 - 1e-9


@given(st.integers(0, 1000), st.floats(1e-3, 1e3), st.floats(-1e4, 1e4), st.floats(-1e4, 1e4))
def test_scale_and_offsets_do_not_change_the_shape_and_order_changes_only_the_lag(
    seed, scale, offset_x, offset_y
):
    x, y = np.random.default_rng(seed).standard_normal((2, 20))
    found = agreement(x, y, max_lag=5)
    moved = agreement(scale * x + offset_x, scale * y + offset_y, max_lag=5)
    swapped = agreement(y, x, max_lag=5)
    for other in (moved, swapped):
        assert other.r == pytest.approx(found.r, abs=1e-6)
        assert other.n_effective == pytest.approx(found.n_effective, rel=1e-6)
        assert other.snr_power == pytest.approx(found.snr_power, rel=1e-5, abs=1e-6)
    assert moved.lag_samples == found.lag_samples
    assert moved.gap_nv == pytest.approx(scale * found.gap_nv, rel=1e-6, abs=1e-9)
    assert swapped.lag_samples == -found.lag_samples


def test_tiny_traces_neither_underflow_nor_warn():
    x, y = np.random.default_rng(13).standard_normal((2, 20))
    found = agreement(1e-200 * x, 1e-200 * y)
    expected = agreement(x, y)
    assert found.r == pytest.approx(expected.r)
    assert found.snr_power == pytest.approx(expected.snr_power)
    assert found.n_effective == pytest.approx(expected.n_effective)


def test_read_only_and_strided_input_works_and_stays_as_it_was():
    block = np.random.default_rng(14).standard_normal((40, 2))
    block.setflags(write=False)
    before = block.copy()
    assert agreement(block[::2, 0], block[::2, 1]) == agreement(
        block[::2, 0].copy(), block[::2, 1].copy()
    )
    np.testing.assert_array_equal(block, before)


# --- bad input -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("x", "y", "max_lag", "message"),
    [
        ([1.0, 2.0, 3.0], [1.0, 2.0], 0, "x has 3 samples, y 2; one length needed"),
        ([1.0, 2.0], [1.0, 2.0], 0, "x and y have 2 samples; at least 3 needed"),
        ([1.0, math.nan, 3.0], [1.0, 2.0, 3.0], 0, r"x: value at index \(1,\) is nan"),
        ([1.0, 2.0, 3.0], [1.0, math.inf, 3.0], 0, r"y: value at index \(1,\) is inf"),
        ([[1.0, 2.0, 3.0]], [1.0, 2.0, 3.0], 0, "x: 2 dimensions given, 1 needed"),
        (
            [1.0, 2.0, 4.0],
            [1.0, 3.0, 2.0],
            2,
            r"max_lag \(samples\) is 2; it must be a whole number from 0 to 1",
        ),
        ([1.0, 2.0, 4.0], [1.0, 3.0, 2.0], -1, r"max_lag \(samples\) is -1; "),
        ([1.0, 2.0, 4.0], [1.0, 3.0, 2.0], 0.5, r"max_lag \(samples\) is 0.5; "),
    ],
)
def test_bad_input_is_refused_in_one_line(x, y, max_lag, message):
    with pytest.raises(DataError, match=message):
        agreement(x, y, max_lag)


def test_the_critical_correlation_is_where_p_is_alpha():
    """White traces of 40 samples are worth 40 at most; scipy.stats.pearsonr knows their p."""
    found = agreement(*np.random.default_rng(11).normal(size=(2, 40)))
    critical = found.critical_r(0.01)
    # A second road: the p of Pearson's r of n pairs is a t with n - 2 degrees of freedom.
    df = found.n_effective - 2
    t = critical * math.sqrt(df / (1 - critical**2))
    assert math.isclose(stats.t.sf(t, df), 0.01, rel_tol=1e-9)
    assert found.critical_r(0.01) > found.critical_r(0.05) > 0
    with pytest.raises(DataError, match="alpha is 1; it must be between 0 and 1"):
        found.critical_r(1.0)


def test_identical_traces_have_no_critical_correlation():
    trace = np.sin(np.arange(50.0))
    assert math.isnan(agreement(trace, trace).critical_r())
