"""The noise of an average: eigenvalues against the true covariance, rates against the nominal."""

import math

import numpy as np
import pytest
from scipy import linalg, stats

from waveworks.dsp.average_noise import AverageNoise, average_noise
from waveworks.errors import DataError
from waveworks.simulate.noise import noise_autocovariance, simulate_noise

WINDOW = slice(60, 205)


def true_eigenvalues(kind, n_samples):
    covariance = linalg.toeplitz(noise_autocovariance(kind, n_samples))
    centring = np.eye(n_samples) - 1 / n_samples
    return linalg.eigvalsh(centring @ covariance @ centring)[1:]


@pytest.mark.parametrize("kind", ["Q33", "Q100", "W"])
def test_eigenvalues_are_those_of_the_true_covariance(kind):
    """Independent sweeps, 500 of them: sampling has spread the eigenvalues, and that is undone."""
    n_sweeps = 500
    noise = average_noise(simulate_noise(kind, n_sweeps, seed=1, independent=True)[:, WINDOW])
    truth = true_eigenvalues(kind, 145) / n_sweeps
    assert noise.n_per_block == 10
    assert noise.df == pytest.approx(49, rel=0.02)
    # The total is a mean over 49 blocks of all components.
    number = truth.sum() ** 2 / np.sum(truth**2)
    error = math.sqrt(2 / (49 * number))
    assert noise.sum_of_squares == pytest.approx(truth.sum(), rel=4 * error)
    own = noise.sum_of_squares**2 / np.sum(noise.eigenvalues**2)
    assert own == pytest.approx(number, rel=0.25)


def test_blocks_see_that_successive_sweeps_depend_on_each_other():
    """A first-order process from sweep to sweep with 0.4: its mean has 1.4 / 0.6 of the power."""
    rng = np.random.default_rng(2)
    sweeps = rng.standard_normal((20_000, 12))
    for i in range(1, len(sweeps)):
        sweeps[i] += 0.4 * sweeps[i - 1]
    single, blocks = average_noise(sweeps, 1), average_noise(sweeps, 40)
    # Blocks of 40 miss 2 * 0.4 / (0.6 * 1.4 * 40) = 2 % of it; 500 blocks know it to 2 %.
    assert blocks.sum_of_squares / single.sum_of_squares == pytest.approx(1.4 / 0.6, rel=0.09)


def test_sweeps_of_unequal_size_keep_the_number_and_lose_degrees_of_freedom():
    """Ten times larger in 2 %: the colour is that of all, the size is known from the large ones."""
    rng = np.random.default_rng(3)
    n_sweeps = 4000
    sizes = np.where(rng.random(n_sweeps) < 0.02, 10.0, 1.0)
    sweeps = sizes[:, np.newaxis] * simulate_noise("Q100", n_sweeps, seed=4, independent=True)
    noise = average_noise(sweeps[:, WINDOW], 1)
    truth = true_eigenvalues("Q100", 145)
    number = truth.sum() ** 2 / np.sum(truth**2)
    own = noise.sum_of_squares**2 / np.sum(noise.eigenvalues**2)
    assert own == pytest.approx(number, rel=0.12)
    assert noise.df == pytest.approx(np.sum(sizes**2) ** 2 / np.sum(sizes**4), rel=0.3)


def test_few_sweeps_have_a_geometric_series_with_the_number_of_their_spectrum():
    sweeps = simulate_noise("Q33", 4, seed=5, independent=True)[:, WINDOW]
    noise = average_noise(sweeps)
    ratios = noise.eigenvalues[1:] / noise.eigenvalues[:-1]
    assert np.ptp(ratios[-20:]) < 1e-9
    apart = sweeps - sweeps.mean(axis=0)
    apart -= apart.mean(axis=1, keepdims=True)
    assert noise.sum_of_squares == pytest.approx(np.sum(apart**2) / 3 / 4)


def test_turning_or_scaling_or_shifting_the_sweeps_changes_no_p():
    sweeps = simulate_noise("Q33", 120, seed=6, independent=True)[:, WINDOW]
    average = sweeps.mean(axis=0)
    power = np.sum((average - average.mean()) ** 2)
    p = average_noise(sweeps).pvalue(power)
    assert average_noise(-1e-6 * sweeps).pvalue(1e-12 * power) == pytest.approx(p, rel=1e-6)
    assert average_noise(sweeps + 5e3).pvalue(power) == pytest.approx(p, rel=1e-6)
    assert average_noise(sweeps[:, ::-1]).pvalue(power) == pytest.approx(p, rel=1e-6)


def test_without_noise_there_is_no_p():
    same = np.tile(np.arange(9.0), (20, 1))
    assert math.isnan(average_noise(same).pvalue(1.0))
    rng = np.random.default_rng(7)
    noise = average_noise(rng.standard_normal((50, 9)))
    assert math.isnan(noise.pvalue(math.nan))
    assert noise.pvalue(math.inf) == 0
    assert noise.pvalue(0.0) == 1


def test_a_point_is_that_of_the_f_distribution_where_all_components_are_alike():
    """Equal eigenvalues: the sum over its expectation is F(components, components times df)."""
    noise = AverageNoise(np.full(8, 2.5), 12.0, 1)
    for chance in (0.2, 0.01, 1e-5):
        assert noise.point(chance) == pytest.approx(20 * stats.f.isf(chance, 8, 96), rel=2e-5)
        assert noise.pvalue(noise.point(chance)) == pytest.approx(chance, rel=1e-4)


def test_a_point_may_be_out_of_reach_or_not_there():
    # The square of Student's t of one degree of freedom: tan(pi / 2 (1 - p))^2, 4053 at 1 %.
    assert AverageNoise(np.array([1.0]), 1.0, 1).point(0.01) == math.inf
    assert math.isnan(AverageNoise(np.zeros(3), math.nan, 1).point(0.01))
    for chance in (0.0, 1.0, math.nan):
        with pytest.raises(DataError, match="chance is"):
            AverageNoise(np.ones(3), 5.0, 1).point(chance)


@pytest.mark.parametrize("kind", ["Q33", "B"])
def test_the_rate_of_noise_is_the_nominal_one(kind):
    """Successive sweeps, 500 a recording; at 5 % within 0.8 and 1.2 of it."""
    n_runs, hits = 300, 0
    rng = np.random.default_rng(8)
    for _ in range(n_runs):
        sweeps = simulate_noise(kind, 500, seed=rng)[:, WINDOW]
        average = sweeps.mean(axis=0)
        hits += average_noise(sweeps).pvalue(np.sum((average - average.mean()) ** 2)) <= 0.05
    rate = stats.binomtest(int(hits), n_runs).proportion_ci(0.95)
    assert rate.low <= 1.2 * 0.05
    assert rate.high >= 0.8 * 0.05
