"""Residual noise against hand-worked arrays, identities, mne, scipy and simulated truth."""

import math

import mne
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from waveworks.dsp.coloured_noise import INTERVAL_CAUTION, spectral_df
from waveworks.dsp.residual_noise import (
    ResidualNoise,
    noise_from_buffers,
    noise_from_replicates,
    noise_from_sweeps,
)
from waveworks.errors import DataError
from waveworks.simulate.noise import simulate_noise

HAND = np.array([[1.0, 2.0, 3.0], [3.0, 2.0, 1.0], [2.0, 4.0, 6.0], [0.0, 2.0, 4.0]])
"""Four sweeps of three points, worked for the reference notes."""

TRACES = arrays(
    np.float64, st.tuples(st.integers(2, 8), st.integers(1, 12)), elements=st.floats(-1e4, 1e4)
)


def rms(trace):
    return math.sqrt(np.mean(np.square(trace)))


# --- worked by hand ------------------------------------------------------------------------------


def test_hand_example_from_sweeps():
    """Column variances 5/3, 1, 13/3: mean 7/3, over 4 sweeps."""
    noise = noise_from_sweeps(HAND)
    assert noise.rn_nv == pytest.approx(math.sqrt(7 / 12), rel=1e-14)
    assert noise.rn_nv == pytest.approx(0.7638, abs=5e-5)
    assert noise.method == "sweeps"
    assert noise_from_sweeps(HAND[:, 1:2]).rn_nv == pytest.approx(0.5, rel=1e-14)


def test_hand_example_from_odd_and_even_buffers():
    """(A - B)/2 = [0, 0.5, 1]: RMS sqrt(5/12)."""
    noise = noise_from_buffers(HAND[::2].mean(axis=0), HAND[1::2].mean(axis=0), 2, 2)
    assert noise.rn_nv == pytest.approx(math.sqrt(5 / 12), rel=1e-14)
    assert noise.rn_nv == pytest.approx(0.6455, abs=5e-5)
    assert noise.method == "buffers"


def test_hand_example_from_replicates():
    """Two points, counts 1, 1, 2: mean (1, 5), sum of n d^2 (4, 16), over 2, mean 5, over 4."""
    noise = noise_from_replicates([[-1.0, 3.0], [1.0, 3.0], [2.0, 7.0]], [1, 1, 2])
    sum_of_squares = [(4 + 0 + 2 * 1), (4 + 4 + 2 * 4)]
    expected = math.sqrt(np.mean(sum_of_squares) / 2 / 4)
    assert noise.rn_nv == pytest.approx(expected, rel=1e-14)
    assert noise.method == "replicates"


@pytest.mark.parametrize(
    ("n_sweeps", "expected_nv"), [(1000, 31.62), (2000, 22.36), (4000, 15.81), (8000, 11.18)]
)
def test_noise_falls_with_the_root_of_the_sweeps(n_sweeps, expected_nv):
    """Sweep SD 1 uV; values computed for the reference notes."""
    signs = np.where(np.arange(n_sweeps) % 2, 1.0, -1.0)
    sweeps = np.outer(signs, np.ones(5)) * 1000 * math.sqrt((n_sweeps - 1) / n_sweeps)
    assert noise_from_sweeps(sweeps).rn_nv == pytest.approx(expected_nv, abs=0.005)


@pytest.mark.parametrize(
    ("sd_nv", "n_sweeps", "expected_nv"),
    [(1000, 2500, 20), (1500, 3600, 25), (1500, 10_000, 15), (2000, 6400, 25), (2000, 10_000, 20)],
)
def test_sweeps_needed(sd_nv, n_sweeps, expected_nv):
    """Values computed for the reference notes; buffers of half the sweeps, exact by design."""
    buffer_nv = np.array([1.0, -1.0]) * sd_nv / math.sqrt(n_sweeps / 2) / math.sqrt(2)
    noise = noise_from_buffers(buffer_nv, -buffer_nv, n_sweeps / 2, n_sweeps / 2)
    assert noise.rn_nv == pytest.approx(expected_nv, rel=1e-12)


# --- identities ----------------------------------------------------------------------------------


@given(arrays(np.float64, st.tuples(st.just(2), st.integers(1, 30)), elements=st.floats(-1e5, 1e5)))
def test_plus_minus_identity(buffers):
    """RMS^2((A+B)/2) + RMS^2((A-B)/2) = (RMS^2 A + RMS^2 B)/2."""
    a, b = buffers
    found = rms((a + b) / 2) ** 2 + noise_from_buffers(a, b).rn_nv ** 2
    assert found == pytest.approx((rms(a) ** 2 + rms(b) ** 2) / 2, rel=1e-9)


@given(st.floats(0.01, 100), st.floats(0.01, 100))
def test_unequal_counts(n_a, n_b):
    a, b = np.array([3.0, -1.0, 2.0]), np.array([1.0, 4.0, 2.5])
    equal = noise_from_buffers(a, b).rn_nv
    factor = (equal / noise_from_buffers(a, b, n_a, n_b).rn_nv) ** 2
    assert factor == pytest.approx((n_a + n_b) ** 2 / (4 * n_a * n_b), rel=1e-9)


def test_three_to_one_is_a_factor_of_four_thirds():
    a, b = np.array([3.0, -1.0, 2.0]), np.array([1.0, 4.0, 2.5])
    half_difference = rms((a - b) / 2)
    assert (half_difference / noise_from_buffers(a, b, 3000, 1000).rn_nv) ** 2 == pytest.approx(
        4 / 3, rel=1e-12
    )


def test_slow_noise_is_noise():
    """No mean is removed: an offset between A and B counts in full."""
    assert noise_from_buffers(np.full(9, 5.0), np.full(9, -5.0)).rn_nv == pytest.approx(5)


@given(TRACES)
def test_sweeps_are_replicates_that_count_one(traces):
    sweeps, replicates = noise_from_sweeps(traces), noise_from_replicates(traces)
    assert sweeps.rn_nv == replicates.rn_nv
    assert sweeps.rn_nv == pytest.approx(noise_from_replicates(traces, 7).rn_nv, rel=1e-9)


@given(TRACES, st.data())
def test_replicates_by_plain_sums(traces, data):
    counts = data.draw(
        arrays(np.float64, len(traces), elements=st.integers(1, 5000).map(float)), label="counts"
    )
    average = np.average(traces, axis=0, weights=counts)
    variance = np.mean(counts @ (traces - average) ** 2 / (len(traces) - 1))
    found = noise_from_replicates(traces, counts, method="blocks")
    assert found.method == "blocks"
    assert found.rn_nv == pytest.approx(math.sqrt(variance / counts.sum()), rel=1e-9, abs=1e-9)


def test_two_replicates_are_a_pair_of_buffers():
    a, b = np.random.default_rng(1).standard_normal((2, 40))
    pair, buffers = noise_from_replicates([a, b], [300, 500]), noise_from_buffers(a, b, 300, 500)
    assert (pair.rn_nv, pair.df) == pytest.approx((buffers.rn_nv, buffers.df), rel=1e-12)
    assert buffers.rn_nv == pytest.approx(rms(a - b) * math.sqrt(300 * 500) / 800, rel=1e-12)


def test_mne_standard_error_is_the_second_road():
    sweeps = np.random.default_rng(2).standard_normal((60, 80)) * 800 + 1e4
    info = mne.create_info(["Cz"], 12_000.0, "eeg", verbose=False)
    epochs = mne.EpochsArray(sweeps[:, np.newaxis] * 1e-9, info, verbose=False)
    standard_error = epochs.standard_error().get_data()[0] * 1e9
    unbiased = rms(standard_error) * math.sqrt(60 / 59)  # mne divides by n, not n - 1
    assert noise_from_sweeps(sweeps).rn_nv == pytest.approx(unbiased, rel=1e-9)


def test_gap_of_25_nv_is_a_noise_of_15_67_nv():
    """E|A - B| = 2 sqrt(2/pi) RN for Gaussian noise (computed for the reference notes)."""
    a, b = np.random.default_rng(3).standard_normal((2, 200_000)) * 15.67 * math.sqrt(2)
    assert np.abs(a - b).mean() == pytest.approx(25, rel=0.01)
    assert noise_from_buffers(a, b).rn_nv == pytest.approx(15.67, rel=0.01)


# --- properties ----------------------------------------------------------------------------------


@given(TRACES, st.floats(1e-3, 1e3), st.floats(-1e4, 1e4), st.randoms(use_true_random=False))
def test_scale_shift_sign_and_order(traces, factor, shift, random):
    noise = noise_from_sweeps(traces)
    order = random.sample(range(len(traces)), len(traces))
    template = shift * np.cos(np.arange(traces.shape[1]))
    for changed, expected in (
        (traces * factor, noise.rn_nv * factor),
        (-traces, noise.rn_nv),
        (traces[order], noise.rn_nv),
        (traces + template, noise.rn_nv),
    ):
        found = noise_from_sweeps(changed)
        assert found.rn_nv == pytest.approx(expected, rel=1e-6, abs=1e-8)


def test_doubled_sweeps():
    """The same sums over twice the sweeps: S / (2n - 1) / n instead of S / (n - 1) / n."""
    noise = noise_from_sweeps(np.concatenate([HAND, HAND])).rn_nv
    single = noise_from_sweeps(HAND).rn_nv
    assert noise**2 == pytest.approx(single**2 * 2 * (4 - 1) / (2 * (2 * 4 - 1)), rel=1e-12)


def test_an_offset_costs_no_digits():
    sweeps = np.random.default_rng(4).standard_normal((100, 30))
    assert noise_from_sweeps(sweeps + 1e9).rn_nv == pytest.approx(
        noise_from_sweeps(np.round(sweeps * 2**20) / 2**20).rn_nv, rel=1e-5
    )


def test_read_only_and_strided_input():
    wide = np.random.default_rng(5).standard_normal((40, 90))
    strided = wide[::2, ::3]
    packed = strided.copy()
    packed.setflags(write=False)
    before = wide.copy()
    assert noise_from_sweeps(strided) == noise_from_sweeps(packed)
    assert noise_from_buffers(wide[0, ::3], wide[2, ::3]) == noise_from_buffers(*packed[:2])
    assert np.array_equal(wide, before)
    assert noise_from_sweeps(packed.tolist()) == noise_from_sweeps(packed)


# --- interval and degrees of freedom -------------------------------------------------------------


@pytest.mark.parametrize("level", [0.5, 0.95, 0.99])
@pytest.mark.parametrize("df", [1.0, 16.5, 4321.0])
def test_interval_is_that_of_the_chi_square(df, level):
    low, high = ResidualNoise(20.0, df, "buffers").interval(level)
    quantiles = stats.chi2.ppf([(1 + level) / 2, (1 - level) / 2], df)
    assert (low, high) == pytest.approx(tuple(20 * np.sqrt(df / quantiles)), rel=1e-9)


def test_interval_of_no_noise_and_of_nothing():
    assert ResidualNoise(0.0, 5.0, "sweeps").interval() == (0.0, 0.0)
    for missing in (
        ResidualNoise(math.nan, 5.0, ""),
        ResidualNoise(20.0, math.nan, ""),
        noise_from_buffers([1.0, 2.0], [1.0, 2.0]),
    ):
        assert np.isnan(missing.interval()).all()


def test_identical_traces_show_no_noise():
    sweeps = np.tile(np.random.default_rng(6).standard_normal(30) / 3, (1001, 1))
    for noise in (
        noise_from_sweeps(sweeps),
        noise_from_buffers(sweeps[0], sweeps[1], 3, 7),
        noise_from_replicates(sweeps[:3], [0.1, 0.2, 0.3]),
    ):
        assert noise.rn_nv == 0
        assert math.isnan(noise.df)


@pytest.mark.parametrize("level", [0, 1, -0.5, math.nan])
def test_interval_needs_a_level_between_0_and_1(level):
    with pytest.raises(DataError, match="must lie between 0 and 1"):
        ResidualNoise(1.0, 2.0, "sweeps").interval(level)


def test_df_of_many_sweeps_follows_their_powers():
    """White: n_samples a sweep. Coloured: as the exact tr(R)^2 / tr(R^2) = 16.5 of Q33."""
    white = np.random.default_rng(7).standard_normal((4000, 60))
    # the variance of 4000 powers is known to about 2.5 %
    assert noise_from_sweeps(white).df == pytest.approx(3999 * 60, rel=0.1)
    slow = simulate_noise("Q33", 4000, seed=7, independent=True)[:, 60:205]
    assert noise_from_sweeps(slow).df == pytest.approx(3999 * 16.5, rel=0.12)


def test_bursts_cost_degrees_of_freedom():
    """Each sweep ten times larger with chance 0.02: E[q]^2 / E[q^2] falls to 0.044."""
    calm = simulate_noise("Q33", 4000, seed=8, independent=True)
    bursts = simulate_noise("B", 4000, seed=8, independent=True)
    assert noise_from_sweeps(bursts).df < 0.01 * noise_from_sweeps(calm).df


def test_counts_do_not_scatter_the_powers():
    """A block with half of all sweeps deviates by half; powers are made equal before they are
    compared. Otherwise the scatter would be 1/80 of 1/4, eight times 2 / 5000."""
    rng = np.random.default_rng(9)
    counts = np.where(np.arange(80) == 0, 7900.0, 100.0)
    blocks = rng.standard_normal((80, 5000)) / np.sqrt(counts)[:, np.newaxis]
    assert noise_from_replicates(blocks, counts).df > 0.5 * 79 * 5000


def test_df_of_few_replicates_is_that_of_their_independent_contrasts():
    """sqrt(n_i) x_i without their component along sqrt(n) is k - 1 contrasts of one variance."""
    counts = np.array([100.0, 400.0, 4000.0, 50.0])
    traces = np.random.default_rng(10).standard_normal((4, 90)) / np.sqrt(counts)[:, np.newaxis]
    first_column = np.column_stack([np.sqrt(counts), np.eye(4)[:, 1:]])
    contrasts = np.linalg.qr(first_column)[0][:, 1:].T @ (np.sqrt(counts)[:, np.newaxis] * traces)
    noise = noise_from_replicates(traces, counts)
    expected = spectral_df(contrasts, 3, caution=INTERVAL_CAUTION)
    assert noise.df == pytest.approx(expected, rel=1e-9)
    assert noise.rn_nv == pytest.approx(rms(contrasts) / math.sqrt(counts.sum()), rel=1e-9)


def test_sweeps_of_equal_power_are_worth_all_their_samples():
    signs = np.where(np.arange(64) % 2, 1.0, -1.0)
    assert noise_from_sweeps(np.outer(signs, [1.0, 2.0, 4.0])).df == 63 * 3


def test_df_does_not_depend_on_scale():
    a, b = np.random.default_rng(10).standard_normal((2, 300))
    assert noise_from_buffers(a * 1e-9, b * 1e-9).df == pytest.approx(
        noise_from_buffers(a, b).df, rel=1e-9
    )


# --- bad input -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: noise_from_sweeps(np.ones((1, 5))), "sweeps: 1 given, at least 2 needed"),
        (lambda: noise_from_sweeps(np.ones(5)), "sweeps: 1 dimensions given, 2 needed"),
        (lambda: noise_from_sweeps(np.empty((2, 0))), "sweeps: empty"),
        (lambda: noise_from_sweeps([[1.0, math.nan], [1.0, 2.0]]), r"index \(0, 1\) is nan"),
        (lambda: noise_from_sweeps([[1.0], [1.0, 2.0]]), "not an array of numbers"),
        (lambda: noise_from_buffers([1.0], [1.0, 2.0]), "a has 1 samples, b 2"),
        (lambda: noise_from_buffers([1.0, math.inf], [1.0, 2.0]), r"a: value at index \(1,\)"),
        (lambda: noise_from_buffers([[1.0]], [1.0]), "a: 2 dimensions given, 1 needed"),
        (lambda: noise_from_buffers([1.0], [2.0], 0, 3), "n_a and n_b: every count"),
        (lambda: noise_from_buffers([1.0], [2.0], 3, -1), "n_a and n_b: every count"),
        (lambda: noise_from_replicates([[1.0, 2.0]]), "traces: 1 given, at least 2 needed"),
        (lambda: noise_from_replicates(HAND, [1, 2]), "n_sweeps: 2 values given, 4 needed"),
        (lambda: noise_from_replicates(HAND, [1, 2, 3, 0]), "n_sweeps: every count"),
        (lambda: noise_from_replicates(HAND, method="sweeps"), "method is 'sweeps'"),
    ],
)
def test_bad_input(call, message):
    with pytest.raises(DataError, match=message):
        call()
