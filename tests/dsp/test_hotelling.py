"""Hotelling's T2 against a textbook's data, statsmodels, scipy, its exact properties and noise."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multivariate import test_mvmean as mvmean

from waveworks.dsp.hotelling import (
    HotellingT2,
    epoch_blocks,
    hotelling_t2,
    time_voltage_means,
)
from waveworks.errors import DataError
from waveworks.simulate.noise import simulate_noise
from waveworks.simulate.response import response

SWEAT = np.array(
    """
    3.7 48.5 9.3; 5.7 65.1 8.0; 3.8 47.2 10.9; 3.2 53.2 12.0; 3.1 55.5 9.7; 4.6 36.1 7.9;
    2.4 24.8 14.0; 7.2 33.1 7.6; 6.7 47.4 8.5; 5.4 54.1 11.3; 3.9 36.9 12.7; 4.5 58.8 12.3;
    3.5 27.8 9.8; 4.5 40.2 8.4; 1.5 13.5 10.1; 8.5 56.4 7.1; 4.5 71.6 8.2; 6.5 52.8 10.9;
    4.1 44.1 11.2; 5.5 40.9 9.4
    """.replace(";", " ").split(),
    dtype=float,
).reshape(20, 3)
"""Rate, sodium and potassium of sweat: Johnson & Wichern, Applied Multivariate Statistical
Analysis, Table 5.1 (number from memory; rows read in public files of four lineages)."""

HYPOTHESIS = np.array([4.0, 50.0, 10.0])

WINDOW = slice(60, 205)
"""5 to 17 ms at 12 kHz."""


def random_features(n_epochs, n_features, seed=1):
    rng = np.random.default_rng(seed)
    mixed = rng.standard_normal((n_epochs, n_features)) @ rng.standard_normal((n_features,) * 2)
    return mixed + 0.3


# --- worked examples and tables ------------------------------------------------------------------


def test_sweat():
    """Example 5.2 of the book; digits computed three ways for the reference notes."""
    found = hotelling_t2(SWEAT - HYPOTHESIS)
    assert found.t2 == pytest.approx(9.738773, abs=5e-7)
    assert found.f == pytest.approx(2.904546, abs=5e-7)
    assert (found.df_num, found.df_den) == (3, 17)
    assert found.pvalue == pytest.approx(0.064928, abs=5e-7)


def test_hand_example():
    """Rows (1, 0), (0, 1), (2, 2): mean (1, 1), covariance (1, 1/2; 1/2, 1), its inverse
    4/3 (1, -1/2; -1/2, 1), so T2 = 3 x 4/3 x (2 - 1) = 4 and F = (1 / (2 x 2)) 4 = 1."""
    found = hotelling_t2([[1, 0], [0, 1], [2, 2]])
    assert found.t2 == pytest.approx(4, rel=1e-14)
    assert found.f == pytest.approx(1, rel=1e-14)
    assert (found.df_num, found.df_den) == (2, 1)


def test_the_determinant_ratio():
    """Wilks' lambda 1 / (1 + T2 / (N - 1)) of the sweat data, 0.661128 in the reference notes."""
    centred = SWEAT - SWEAT.mean(axis=0)
    about_zero = SWEAT - HYPOTHESIS
    ratio = np.linalg.det(centred.T @ centred) / np.linalg.det(about_zero.T @ about_zero)
    assert 1 / (1 + hotelling_t2(about_zero).t2 / 19) == pytest.approx(ratio, rel=1e-12)
    assert ratio == pytest.approx(0.661128, abs=5e-7)


@pytest.mark.parametrize(
    ("n_features", "n_epochs", "five", "one"),
    [
        (5, 20, 18.3749, 28.8522),
        (9, 100, 19.4298, 25.5410),
        (10, 50, 25.4463, 34.3068),
        (25, 1000, 38.8691, 45.9021),
        (25, 2000, 38.2514, 45.0948),
    ],
)
@pytest.mark.parametrize("level", [0.05, 0.01])
def test_critical_values(n_features, n_epochs, five, one, level):
    """The table of the reference notes (computed there): data with exactly that T2 have that p."""
    target = five if level == 0.05 else one
    centred = random_features(n_epochs, n_features)
    centred -= centred.mean(axis=0)
    direction = np.ones(n_features)
    covariance = np.cov(centred, rowvar=False)
    unit = n_epochs * direction @ np.linalg.solve(covariance, direction)
    found = hotelling_t2(centred + direction * math.sqrt(target / unit))
    assert found.t2 == pytest.approx(target, rel=1e-9)
    assert found.pvalue == pytest.approx(level, rel=1e-4)  # the table has four decimals


# --- second roads --------------------------------------------------------------------------------


@pytest.mark.parametrize(("n_epochs", "n_features"), [(3, 2), (20, 3), (40, 39), (2000, 12)])
@pytest.mark.parametrize("scale", [1, 800, 1e-200])
def test_statsmodels(n_epochs, n_features, scale):
    features = random_features(n_epochs, n_features)
    found = hotelling_t2(features * scale)
    expected = mvmean(features)
    assert found.t2 == pytest.approx(expected.t2, rel=1e-8)
    assert found.f == pytest.approx(expected.statistic, rel=1e-8)
    assert (found.df_num, found.df_den) == expected.df
    assert found.pvalue == pytest.approx(expected.pvalue, rel=1e-7)


def test_pingouin():
    pingouin = pytest.importorskip("pingouin")
    expected = pingouin.multivariate_ttest(SWEAT - HYPOTHESIS)
    found = hotelling_t2(SWEAT - HYPOTHESIS)
    row = expected.iloc[0]
    assert [found.t2, found.f, found.df_num, found.df_den, found.pvalue] == pytest.approx(
        [float(value) for value in row], rel=1e-9
    )


@pytest.mark.parametrize("n_epochs", [2, 7, 500])
def test_one_feature_is_the_t_test_squared(n_epochs):
    feature = random_features(n_epochs, 1)
    expected = stats.ttest_1samp(feature[:, 0], 0)
    found = hotelling_t2(feature)
    assert found.t2 == pytest.approx(expected.statistic**2, rel=1e-10)
    assert found.pvalue == pytest.approx(expected.pvalue, rel=1e-9)


# --- properties ----------------------------------------------------------------------------------


@given(st.integers(0, 2**32 - 1))
def test_an_invertible_map_of_the_features_changes_nothing(seed):
    rng = np.random.default_rng(seed)
    left, right = (np.linalg.qr(rng.standard_normal((3, 3)))[0] for _ in range(2))
    mixing = left @ np.diag(10.0 ** rng.uniform(-2, 2, 3)) @ right
    found = hotelling_t2((SWEAT - HYPOTHESIS) @ mixing)
    assert found.t2 == pytest.approx(9.738772855436, rel=1e-9)  # before and after, in the notes


def test_units_of_the_features_do_not_matter():
    units = [1e-30, 1.0, 1e30]
    assert hotelling_t2((SWEAT - HYPOTHESIS) * units).t2 == pytest.approx(9.738772855436, rel=1e-12)


def test_a_large_offset_keeps_its_digits():
    """Far from 0 T2 grows with the square of the offset; the scatter is not lost in it."""
    features = np.array([[1.0], [2.0], [4.0], [5.0]])
    found = hotelling_t2(features + 1e9)
    assert found.t2 == pytest.approx(4 * (1e9 + 3) ** 2 / (10 / 3), rel=1e-12)


def test_read_only_and_strided_input():
    features = np.repeat(np.repeat(SWEAT - HYPOTHESIS, 2, axis=0), 2, axis=1)
    features.setflags(write=False)
    assert hotelling_t2(features[::2, ::2]) == hotelling_t2(SWEAT - HYPOTHESIS)


# --- features ------------------------------------------------------------------------------------


def test_bins_are_means_of_slices():
    sweeps = np.array([[1.0, 3.0, 5.0, 7.0, 2.0, 0.0], [0.0, 0.0, 3.0, 3.0, 9.0, 9.0]])
    raw = time_voltage_means(sweeps, 3, mean_removed=False)
    assert raw.tolist() == [[2, 6, 1], [0, 3, 9]]
    assert time_voltage_means(sweeps, 3).tolist() == [[-1, 3], [-4, -1]]


def test_samples_that_cannot_be_shared_out_are_spread():
    """Ten samples in four bins: they start at floor(0, 2.5, 5, 7.5)."""
    ramp = np.arange(10.0)[np.newaxis]
    expected = [[np.mean([0, 1]), np.mean([2, 3, 4]), np.mean([5, 6]), np.mean([7, 8, 9])]]
    assert time_voltage_means(ramp, 4, mean_removed=False).tolist() == expected


@pytest.mark.parametrize("n_samples", [145, 144])
def test_it_does_not_matter_which_bin_is_left_out(n_samples):
    sweeps = simulate_noise("Q33", 60, n_samples=n_samples, seed=4)
    sweeps += response(np.arange(n_samples) / 12, 7.0, 200.0)
    centred = sweeps - sweeps.mean(axis=1, keepdims=True)
    bins = time_voltage_means(centred, 12, mean_removed=False)
    expected = hotelling_t2(time_voltage_means(sweeps, 12)).t2
    for left_out in range(12):
        found = hotelling_t2(np.delete(bins, left_out, axis=1)).t2
        assert found == pytest.approx(expected, rel=1e-9)


def test_a_vertical_offset_is_no_response():
    sweeps = simulate_noise("W", 50, n_samples=60, seed=5)
    offsets = 1e4 * np.random.default_rng(6).standard_normal((50, 1)) + 1e5
    expected = hotelling_t2(time_voltage_means(sweeps, 6)).t2
    assert hotelling_t2(time_voltage_means(sweeps + offsets, 6)).t2 == pytest.approx(expected)
    kept = hotelling_t2(time_voltage_means(sweeps + offsets, 6, mean_removed=False))
    assert kept.pvalue < 1e-6


def test_blocks_leave_the_last_sweeps_out():
    sweeps = np.array([[1.0, 2.0], [3.0, 6.0], [5.0, 0.0], [7.0, 2.0], [100.0, 100.0]])
    assert epoch_blocks(sweeps, 2).tolist() == [[2, 4], [6, 1]]
    assert epoch_blocks(sweeps, 5).tolist() == [[23.2, 22.0]]
    assert np.array_equal(epoch_blocks(sweeps, 1), sweeps)
    assert not np.shares_memory(epoch_blocks(sweeps, 1), sweeps)


# --- noise and a response ------------------------------------------------------------------------


def pvalues(kind, n_runs, n_sweeps, amplitude_nv=0.0, seed=7):
    rng = np.random.default_rng(seed)
    added = response(np.arange(300) / 12, 8.0, amplitude_nv)[WINDOW] if amplitude_nv else 0.0
    return np.array(
        [
            hotelling_t2(
                time_voltage_means(
                    simulate_noise(kind, n_sweeps, n_samples=145, seed=rng, independent=True)
                    + added,
                    12,
                )
            ).pvalue
            for _ in range(n_runs)
        ]
    )


@pytest.mark.parametrize("kind", ["W", "Q33"])
@pytest.mark.parametrize("n_sweeps", [20, 60])
def test_rate_in_noise(kind, n_sweeps):
    """Exact for independent Gaussian sweeps, few or many: p is uniform (99.9 % binomial limits)."""
    found = pvalues(kind, 2000, n_sweeps)
    for level in (0.5, 0.05, 0.01):
        interval = stats.binomtest(int(np.sum(found <= level)), 2000).proportion_ci(0.999)
        assert interval.low <= level <= interval.high


def test_a_clear_response_is_found():
    assert np.mean(pvalues("Q33", 50, 1000, amplitude_nv=250.0) < 0.01) > 0.9


# --- what is refused -----------------------------------------------------------------------------


@pytest.mark.parametrize(("n_epochs", "n_features"), [(2, 2), (5, 9), (12, 12)])
def test_too_few_epochs(n_epochs, n_features):
    limit = f"{n_epochs} epochs with {n_features} features.*at most {n_epochs - 1} features"
    with pytest.raises(DataError, match=limit):
        hotelling_t2(random_features(n_epochs, n_features))


def test_a_constant_feature():
    features = SWEAT.copy()
    features[:, 1] = 0.1
    with pytest.raises(DataError, match="feature 2 of 3 is the same in all 20 epochs: drop it"):
        hotelling_t2(features)


def test_a_feature_that_the_others_fix():
    features = np.column_stack([SWEAT, SWEAT[:, 0] - 2 * SWEAT[:, 1]])
    with pytest.raises(DataError, match=r"singular, feature \d of 4 is fixed by the others"):
        hotelling_t2(features)


@pytest.mark.parametrize("offset", [0.0, 1e6])
def test_epochs_without_their_mean_over_all_bins(offset):
    bins = simulate_noise("Q33", 40, n_samples=12, seed=8) + offset
    with pytest.raises(DataError, match="mean over all bins was removed: drop a bin"):
        hotelling_t2(bins - bins.mean(axis=1, keepdims=True))


def test_identical_epochs():
    with pytest.raises(DataError, match="the 20 epochs are identical"):
        hotelling_t2(np.tile([0.1, 0.7, -3.3], (20, 1)))


def test_one_epoch_and_numbers_that_are_not_finite():
    with pytest.raises(DataError, match="1 given, at least 2 needed"):
        hotelling_t2([[1.0]])
    with pytest.raises(DataError, match="not a finite number"):
        hotelling_t2([[1.0], [math.nan], [2.0]])


def test_numbers_of_bins_and_sizes_that_cannot_be():
    with pytest.raises(DataError, match="n_bins is 11; it must be a whole number from 2 to 10"):
        time_voltage_means(np.ones((3, 10)), 11)
    with pytest.raises(DataError, match="n_bins is 1; it must be a whole number from 2"):
        time_voltage_means(np.ones((3, 10)), 1)
    assert time_voltage_means(np.ones((3, 10)), 1, mean_removed=False).tolist() == [[1], [1], [1]]
    with pytest.raises(DataError, match=r"size .* is 4; it must be a whole number from 1 to 3"):
        epoch_blocks(np.ones((3, 10)), 4)


def test_the_result_is_frozen():
    found = HotellingT2(1.0, 1.0, 1, 1, 0.5)
    with pytest.raises(AttributeError):
        found.t2 = 2.0
