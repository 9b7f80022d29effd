"""Averages and combinations against hand-worked weights, statsmodels and simulated truth."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.meta_analysis import combine_effects

from waveworks.dsp.averaging import (
    combine,
    plain_average,
    power_weighted_average,
    weighted_average,
)
from waveworks.dsp.residual_noise import noise_from_sweeps
from waveworks.errors import DataError


def white_sweeps(sd_nv, n_samples, seed):
    """Return white sweeps, one a value of `sd_nv`."""
    noise = np.random.default_rng(seed).standard_normal((len(sd_nv), n_samples))
    return np.asarray(sd_nv)[:, np.newaxis] * noise


# --- combining averages --------------------------------------------------------------------------

THREE = {
    "traces": np.array([[0.30, 1.0], [0.20, 1.0], [0.40, 1.0]]),
    "rn_nv": np.sqrt([1.0, 4.0, 0.25]),
}
"""Three blocks with known variances; weights and variances computed for the reference notes."""


def test_three_block_example():
    found = combine(**THREE)
    assert found.method == "inverse-variance"
    np.testing.assert_allclose(found.weights, [0.190476, 0.047619, 0.761905], atol=5e-7)
    np.testing.assert_allclose(found.trace_nv, [0.371429, 1.0], atol=5e-7)
    assert found.rn_nv**2 == pytest.approx(0.190476, abs=5e-7)
    plain = combine(**THREE, n_sweeps=1)
    assert plain.trace_nv[0] == pytest.approx(0.30)
    assert plain.rn_nv**2 == pytest.approx(0.583333, abs=5e-7)


def test_eight_block_example():
    rn_nv = np.sqrt([1.0, 1, 1, 1, 9, 9, 9, 9])
    weighted = combine(np.ones((8, 2)), rn_nv)
    plain = combine(np.ones((8, 2)), rn_nv, n_sweeps=250)
    assert weighted.rn_nv**2 == pytest.approx(0.225)
    assert plain.rn_nv**2 == pytest.approx(0.625)
    assert plain.rn_nv**2 / weighted.rn_nv**2 == pytest.approx(2.7778, abs=5e-5)


def test_inverse_variance_is_statsmodels_fixed_effect():
    means, variances = np.array([14.0, 9.5, 20.25]), np.array([2.5, 7.0, 0.9])
    expected = combine_effects(means, variances, method_re="dl")
    found = combine(means[:, np.newaxis], np.sqrt(variances))
    np.testing.assert_allclose(found.weights, expected.weights_rel_fe, rtol=1e-12)
    assert found.trace_nv[0] == pytest.approx(expected.mean_effect_fe, rel=1e-12)
    assert found.rn_nv == pytest.approx(expected.sd_eff_w_fe, rel=1e-12)


@pytest.mark.parametrize("n_traces", [1, 2, 3, 7])
def test_equal_noise_gives_the_plain_mean_to_the_last_bit(n_traces):
    traces = np.random.default_rng(n_traces).standard_normal((n_traces, 50))
    found = combine(traces, np.full(n_traces, 0.1))
    assert found.method == "inverse-variance"
    assert found.trace_nv.tolist() == traces.mean(axis=0).tolist()
    assert found.weights.tolist() == [1 / n_traces] * n_traces


@given(st.lists(st.floats(1e-3, 1e3), min_size=1, max_size=8))
def test_weighting_by_known_noise_is_never_worse_than_the_plain_mean(rn_nv):
    traces = np.ones((len(rn_nv), 2))
    weighted = combine(traces, rn_nv)
    plain = combine(traces, rn_nv, df=np.zeros(len(rn_nv)))
    assert plain.method == "equal"
    assert weighted.rn_nv <= plain.rn_nv * (1 + 1e-12)
    assert weighted.weights.sum() == pytest.approx(1.0)
    np.testing.assert_allclose(weighted.trace_nv, 1.0)


@pytest.mark.parametrize(
    ("given_here", "method", "weights"),
    [
        ({}, "equal", [1 / 2, 1 / 2]),
        ({"rn_nv": [10.0, 20.0]}, "inverse-variance", [0.8, 0.2]),
        ({"rn_nv": [10.0, 20.0], "df": [50, 50]}, "inverse-variance", [0.8, 0.2]),
        ({"rn_nv": [10.0, 20.0], "df": [50, math.inf]}, "inverse-variance", [0.8, 0.2]),
        ({"rn_nv": [10.0, 20.0], "df": [49.9, 500]}, "equal", [1 / 2, 1 / 2]),
        ({"rn_nv": [10.0, 20.0], "df": [math.nan, 500]}, "equal", [1 / 2, 1 / 2]),
        ({"n_sweeps": [3000, 1000]}, "counts", [0.75, 0.25]),
        ({"n_sweeps": 2000}, "counts", [1 / 2, 1 / 2]),
        ({"rn_nv": [10.0, 20.0], "n_sweeps": [3000, 1000]}, "counts", [0.75, 0.25]),
        (
            {"rn_nv": [10.0, 20.0], "n_sweeps": [3000, 1000], "df": [19, 500]},
            "counts",
            [0.75, 0.25],
        ),
        (
            {"rn_nv": [10.0, 20.0], "n_sweeps": [3000, 1000], "df": [50, 50]},
            "inverse-variance",
            [0.8, 0.2],
        ),
        ({"n_sweeps": [3000, 1000], "df": [50, 50]}, "counts", [0.75, 0.25]),
        ({"df": [50, 50]}, "equal", [1 / 2, 1 / 2]),
        ({"rn_nv": [0.0, math.nan], "n_sweeps": [3000, 1000]}, "counts", [0.75, 0.25]),
    ],
)
def test_what_decides_the_weights(given_here, method, weights):
    traces = np.array([[1.0, -4.0, 0.0], [5.0, 4.0, 0.0]])
    found = combine(traces, **given_here)
    assert found.method == method
    np.testing.assert_allclose(found.weights, weights)
    by_hand = weights[0] * traces[0] + weights[1] * traces[1]
    np.testing.assert_allclose(found.trace_nv, by_hand)
    rn_nv = given_here.get("rn_nv", [math.nan, math.nan])
    expected = math.hypot(weights[0] * rn_nv[0], weights[1] * rn_nv[1])
    assert found.rn_nv == pytest.approx(expected, nan_ok=True)


@pytest.mark.parametrize(
    ("given_here", "message"),
    [
        ({"rn_nv": [10.0]}, "rn_nv: 1 values given, 2 needed"),
        ({"rn_nv": 10.0}, "rn_nv: 1 values given, 2 needed"),
        (
            {"rn_nv": [10.0, 0.0]},
            r"rn_nv: inverse variances need a positive noise .* \[10.0, 0.0\]",
        ),
        ({"rn_nv": [10.0, math.nan]}, "rn_nv: inverse variances need a positive noise"),
        ({"rn_nv": [10.0, math.inf], "df": [60, 60]}, "rn_nv: inverse variances need"),
        ({"rn_nv": [10.0, -1.0], "n_sweeps": 5}, "rn_nv: no value may be negative"),
        ({"rn_nv": [10.0, 9.0], "df": [60]}, "df: 1 values given, 2 needed"),
        ({"rn_nv": [10.0, 9.0], "df": [60, -1]}, "df: no value may be negative"),
        ({"n_sweeps": [1000, 0]}, "n_sweeps: every count must be a positive number"),
        ({"n_sweeps": [1000, 2, 3]}, "n_sweeps: 3 values given, 2 needed"),
    ],
)
def test_numbers_that_cannot_weight_are_refused(given_here, message):
    with pytest.raises(DataError, match=message):
        combine(np.ones((2, 3)), **given_here)


def test_traces_that_cannot_be_combined_are_refused():
    with pytest.raises(DataError, match="traces: 1 dimensions given, 2 needed"):
        combine([1.0, 2.0])
    with pytest.raises(DataError, match=r"traces: value at index \(1, 0\) is nan"):
        combine([[1.0], [math.nan]])
    with pytest.raises(DataError, match="traces: not an array of numbers"):
        combine([[1.0, 2.0], [1.0]])


# --- plain average -------------------------------------------------------------------------------


def test_plain_average_is_the_mean_with_the_noise_of_its_sweeps():
    # The four-sweep hand example; the pooled variance of its columns is 7/3.
    sweeps = np.array([[1.0, 2, 3], [3, 2, 1], [2, 4, 6], [0, 2, 4]])
    found = plain_average(sweeps)
    assert found.method == "plain"
    assert found.trace_nv.tolist() == [1.5, 2.5, 3.5]
    assert found.weights.tolist() == [0.25] * 4
    assert found.rn_nv == pytest.approx(math.sqrt(7 / 3 / 4))
    assert found.amplitude_factor == 1.0


# --- weighted by block ---------------------------------------------------------------------------


def test_block_weights_are_the_inverse_variances_of_the_block_means():
    # Two blocks of two sweeps and a last one of three, worked with numpy alone.
    sweeps = white_sweeps([1, 1, 3, 3, 2, 2, 2], 40, seed=1)
    found = weighted_average(sweeps, 2)
    blocks = [sweeps[:2], sweeps[2:4], sweeps[4:]]
    variances = np.array([block.var(axis=0, ddof=1).mean() / len(block) for block in blocks])
    weights = (1 / variances) / (1 / variances).sum()
    np.testing.assert_allclose(found.weights, weights, rtol=1e-12)
    by_hand = sum(w * block.mean(axis=0) for w, block in zip(weights, blocks, strict=True))
    np.testing.assert_allclose(found.trace_nv, by_hand, rtol=1e-12)
    assert found.method == "block-weighted"
    # Many samples, so the cost of the estimated weights is a few per cent at most.
    assert found.rn_nv == pytest.approx(1 / math.sqrt((1 / variances).sum()), rel=0.06)


@pytest.mark.parametrize(
    ("n_sweeps", "n_per_block", "n_blocks"),
    [(8, 2, 4), (9, 2, 4), (11, 4, 2), (7, 4, 1), (4, 4, 1)],
)
def test_the_last_block_takes_the_remainder(n_sweeps, n_per_block, n_blocks):
    sweeps = white_sweeps(np.ones(n_sweeps), 30, seed=2)
    found = weighted_average(sweeps, n_per_block)
    assert found.weights.shape == (n_blocks,)
    if n_blocks == 1:
        np.testing.assert_allclose(found.trace_nv, sweeps.mean(axis=0), rtol=1e-12)
        assert found.rn_nv == pytest.approx(plain_average(sweeps).rn_nv)


def test_block_weights_leave_a_response_at_its_size():
    # Signal as large as the noise of a sweep: the truth is 1, the limit four standard errors.
    rng = np.random.default_rng(3)
    amplitudes = []
    for _ in range(300):
        sd_nv = np.repeat(rng.uniform(0.5, 3.0, 10), 5)
        sweeps = sd_nv[:, np.newaxis] * rng.standard_normal((50, 10)) + 1.0
        amplitudes.append(weighted_average(sweeps, 5).trace_nv.mean())
    four_errors = 4 * np.std(amplitudes, ddof=1) / math.sqrt(len(amplitudes))
    assert four_errors < 0.05
    assert np.mean(amplitudes) == pytest.approx(1.0, abs=four_errors)
    assert weighted_average(sweeps, 5).amplitude_factor == 1.0


# Published cost (nu - 2) / (nu - 4) of estimated weights on constant noise, many blocks.
@pytest.mark.parametrize(("nu", "cost"), [(31, 1.07407), (99, 1.02105)])
def test_cost_of_estimated_weights(nu, cost):
    assert (nu - 2) / (nu - 4) == pytest.approx(cost, abs=5e-6)
    n_per_block, n_blocks, n_runs = 2, 100, 60
    rng = np.random.default_rng(nu)
    # White sweeps of nu samples: a block of two gives exactly nu degrees of freedom.
    excess = []
    for _ in range(n_runs):
        sweeps = rng.standard_normal((n_blocks * n_per_block, nu))
        found = weighted_average(sweeps, n_per_block)
        # Given the weights, which the block means do not know, the variance is sum(w^2) / 2.
        excess.append(np.sum(found.weights**2) * n_blocks)
    four_errors = 4 * np.std(excess, ddof=1) / math.sqrt(n_runs)
    assert four_errors < (cost - 1) / 4
    # 100 blocks are not infinitely many: the cost is that of (1 - 1/100) to first order.
    assert np.mean(excess) - 1 == pytest.approx((cost - 1) * 0.99, abs=four_errors)


# 20 to 380 degrees of freedom a block.
@pytest.mark.parametrize(
    ("n_blocks", "n_per_block", "n_samples"), [(2, 6, 4), (20, 2, 20), (20, 20, 20)]
)
def test_block_noise_states_the_variance_that_repeated_averages_have(
    n_blocks, n_per_block, n_samples
):
    rng = np.random.default_rng(4)
    sd_nv = np.repeat(np.linspace(1.0, 1.5, n_blocks), n_per_block)[:, np.newaxis]
    traces_nv, stated_nv = [], []
    for _ in range(8000 // n_samples):
        sweeps = sd_nv * rng.standard_normal((sd_nv.size, n_samples))
        found = weighted_average(sweeps, n_per_block)
        traces_nv.append(found.trace_nv)
        stated_nv.append(found.rn_nv)
    variance = np.mean(np.square(traces_nv))
    # 8000 independent squares: the standard error is sqrt(2 / 8000); four of them are the limit.
    assert np.mean(np.square(stated_nv)) == pytest.approx(variance, rel=4 * math.sqrt(2 / 8000))


def test_correlated_samples_do_not_count_as_degrees_of_freedom():
    # Each white value held for ten samples: a block of three has 2 * 3 degrees of freedom, not 60.
    # A large response, common to all sweeps, makes no difference.
    held = 50.0 + np.repeat(white_sweeps(np.ones(3000), 3, seed=16), 10, axis=1)
    found = weighted_average(held, 3)
    variances = held.reshape(1000, 3, 30).var(axis=1, ddof=1).mean(axis=1) / 3
    stated_over_ideal = found.rn_nv**2 * (1 / variances).sum()
    assert stated_over_ideal == pytest.approx(6 / (6 - 4), rel=0.05)  # nu / (nu - 4), many blocks


def test_sweeps_that_repeat_each_other_are_no_obstacle():
    # In the first block the first and last sweep are the same: one contrast vanishes.
    sweeps = white_sweeps(np.ones(60), 30, seed=17)
    sweeps[:3] = np.outer([0.0, 1.0, 0.0], np.tile([1.0, -1.0], 15))
    assert 0 < weighted_average(sweeps, 3).rn_nv < 1


def test_a_single_block_pays_nothing_for_its_weight():
    sweeps = white_sweeps(np.ones(4), 1, seed=15)  # 3 degrees of freedom
    for n_per_block in (2, 4):
        found = weighted_average(sweeps[:n_per_block], n_per_block)
        expected = sweeps[:n_per_block].std(ddof=1) / math.sqrt(n_per_block)
        assert found.rn_nv == pytest.approx(expected)
        assert found.note == ""


def test_too_few_degrees_of_freedom_give_no_noise_and_say_so():
    found = weighted_average(white_sweeps(np.ones(6), 2, seed=5), 2)
    assert math.isnan(found.rn_nv)
    assert "more than 4 needed" in found.note
    assert np.isfinite(found.trace_nv).all()


def test_a_block_without_noise_is_refused():
    sweeps = white_sweeps(np.ones(9), 30, seed=6)
    sweeps[3:6] = 0.1  # no binary fraction: the rounding of its mean must not pass for noise
    with pytest.raises(DataError, match=r"block 2 of 3 \(3 sweeps\) has no noise"):
        weighted_average(sweeps, 3)


@pytest.mark.parametrize(
    ("n_per_block", "message"),
    [
        (1, r"n_per_block \(sweeps\) is 1; it must be a whole number from 2 to 6"),
        (7, r"n_per_block \(sweeps\) is 7; it must be a whole number from 2 to 6"),
        (2.5, r"n_per_block \(sweeps\) is 2.5; it must be a whole number"),
    ],
)
def test_impossible_block_sizes_are_refused(n_per_block, message):
    with pytest.raises(DataError, match=message):
        weighted_average(white_sweeps(np.ones(6), 30, seed=7), n_per_block)


# --- weighted by power ---------------------------------------------------------------------------


def test_power_weights_are_the_inverse_mean_squares():
    # Mean squares 1, 4 and 1/4: weights 4/21, 1/21 and 16/21.
    sweeps = np.array([[1.0, -1.0], [2.0, 2.0], [0.5, -0.5]])
    found = power_weighted_average(sweeps)
    np.testing.assert_allclose(found.weights, [4 / 21, 1 / 21, 16 / 21])
    np.testing.assert_allclose(found.trace_nv, np.array([4 + 2 + 8, -4 + 2 - 8]) / 21)
    assert found.method == "power-weighted"


# Derived and simulated for the reference notes: 1 - 2/M = 0.60, 0.80, 0.90, 0.96.
@pytest.mark.parametrize(("m", "factor"), [(5, 0.60), (10, 0.80), (20, 0.90), (50, 0.96)])
def test_power_weights_bias_a_small_response_by_the_stated_factor(m, factor):
    assert 1 - 2 / m == pytest.approx(factor)
    rng = np.random.default_rng(m)
    n_sweeps = 40_000
    noise = rng.standard_normal((n_sweeps, m))
    response = 0.05 * rng.standard_normal(m)
    with_response = power_weighted_average(noise + response)
    # The same noise with the response turned round: its half difference holds the response alone.
    turned_round = power_weighted_average(noise - response)
    found = (with_response.trace_nv - turned_round.trace_nv) / 2
    amplitude = found @ response / (response @ response)
    # A sweep adds 1 - 2 (n.s)^2 / (n.n s.s) weighted; its SD is below 3, four errors are the limit.
    assert amplitude == pytest.approx(factor, abs=4 * 3 / math.sqrt(n_sweeps))
    assert with_response.amplitude_factor == pytest.approx(factor, rel=0.01)


def test_power_noise_states_the_variance_that_repeated_averages_have():
    rng = np.random.default_rng(8)
    sd_nv = np.tile([1.0, 1.0, 1.0, 6.0], 25)[:, np.newaxis]
    traces_nv, stated_nv = [], []
    for _ in range(300):
        found = power_weighted_average(sd_nv * rng.standard_normal((100, 20)))
        traces_nv.append(found.trace_nv)
        stated_nv.append(found.rn_nv)
    variance = np.mean(np.square(traces_nv))
    assert np.mean(np.square(stated_nv)) == pytest.approx(variance, rel=4 * math.sqrt(2 / 6000))


def test_power_weighting_counts_only_independent_samples():
    # Each white value held for four samples: 40 samples are worth 10.
    sweeps = np.repeat(white_sweeps(np.ones(4000), 10, seed=9), 4, axis=1)
    assert power_weighted_average(sweeps).amplitude_factor == pytest.approx(0.8, abs=0.01)


def test_independent_samples_of_a_hand_example():
    # Each pair of sweeps has a cosine of 1/2, so a sweep is worth 4 samples: 1 - 2/4.
    sweeps = np.zeros((3, 8))
    sweeps[:, 0] = 1.0
    sweeps[[0, 1, 2], [1, 2, 3]] = 1.0
    assert power_weighted_average(sweeps).amplitude_factor == pytest.approx(0.5)


def test_an_artefact_loses_its_weight():
    sweeps = white_sweeps(np.ones(200), 50, seed=10)
    sweeps[17] *= 1000
    found = power_weighted_average(sweeps)
    without = power_weighted_average(np.delete(sweeps, 17, axis=0))
    # Its weight is near 1e-6 / 200, so its thousandfold amplitude adds near 1e-3 / 200.
    np.testing.assert_allclose(found.trace_nv, without.trace_nv, atol=5e-5)
    assert found.rn_nv == pytest.approx(without.rn_nv, rel=1e-5)
    assert plain_average(sweeps).rn_nv > 50 * found.rn_nv


def test_sweeps_worth_two_samples_or_less_have_no_factor_and_say_so():
    found = power_weighted_average(1e6 + white_sweeps(np.ones(50), 40, seed=11))
    assert math.isnan(found.amplitude_factor)
    assert "worth 1.0 independent samples, more than 2 needed" in found.note


def test_a_sweep_of_zeros_is_refused():
    sweeps = white_sweeps(np.ones(4), 30, seed=12)
    sweeps[2] = 0.0
    with pytest.raises(DataError, match="sweep 3 of 4 is zero throughout"):
        power_weighted_average(sweeps)


# --- all -----------------------------------------------------------------------------------------

AVERAGES = {
    "plain": plain_average,
    "blocks": lambda sweeps: weighted_average(sweeps, 4),
    "power": power_weighted_average,
    "combined": combine,
}


@pytest.mark.parametrize("kind", AVERAGES)
def test_results_are_write_protected_and_input_is_not_touched(kind):
    sweeps = np.asfortranarray(white_sweeps(np.ones(16), 60, seed=13))[::2, ::-2]
    sweeps.setflags(write=False)
    before = sweeps.copy()
    found = AVERAGES[kind](sweeps)
    np.testing.assert_allclose(found.trace_nv, AVERAGES[kind](before).trace_nv)
    np.testing.assert_array_equal(sweeps, before)
    assert found.weights.sum() == pytest.approx(1.0)
    for array in (found.trace_nv, found.weights):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0.0


@pytest.mark.parametrize("kind", ["plain", "blocks", "power"])
def test_fewer_than_two_sweeps_are_refused(kind):
    with pytest.raises(DataError, match="sweeps: 1 given, at least 2 needed"):
        AVERAGES[kind](np.ones((1, 30)))


@given(st.integers(0, 500), st.floats(1e-3, 1e3))
def test_averages_scale_with_their_sweeps(seed, scale):
    sweeps = white_sweeps(np.linspace(1, 3, 12), 15, seed)
    for average in AVERAGES.values():
        found, scaled = average(sweeps), average(scale * sweeps)
        np.testing.assert_allclose(scaled.trace_nv, scale * found.trace_nv, rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(scaled.weights, found.weights, rtol=1e-9)
        assert scaled.rn_nv == pytest.approx(scale * found.rn_nv, rel=1e-6, nan_ok=True)


def test_the_block_noise_of_one_block_is_the_noise_of_its_sweeps():
    sweeps = white_sweeps(np.ones(20), 30, seed=14)
    assert weighted_average(sweeps, 20).rn_nv == pytest.approx(noise_from_sweeps(sweeps).rn_nv)
