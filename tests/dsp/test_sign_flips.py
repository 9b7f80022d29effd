"""Sign flips against every flip written out, scipy's permutation test and noise of known kind."""

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from waveworks.dsp.fstats import f_statistic
from waveworks.dsp.sign_flips import (
    _flipped_sums,
    replicate_correlation_flip_test,
    sign_flip_test,
)
from waveworks.errors import DataError
from waveworks.simulate.noise import simulate_noise
from waveworks.simulate.response import response

WINDOW = slice(60, 205)
"""5 to 17 ms at 12 kHz."""


def random_sweeps(n_sweeps, n_samples, seed=1):
    return np.random.default_rng(seed).standard_normal((n_sweeps, n_samples)) + 0.4


def anova_f(sweeps):
    """Fmp by scipy: the one-way analysis of variance with the time points as groups."""
    return stats.f_oneway(*sweeps.T).statistic


def every_sign(n):
    return np.array(list(itertools.product([1.0, -1.0], repeat=n)))


def share_at_least(values, observed):
    return np.mean(np.array(values) >= observed * (1 - 1e-9))


def mean_of_first(averages):
    return averages[:, 0]


# --- every flip written out ----------------------------------------------------------------------


def test_hand_example():
    """Sweeps (1, -1), (2, -2), (3, -3): flips of all but the first give sums +-6, 4, 2 and 0 at
    the first point, so F is largest as it is: p = 1 of 4. With (1, -1) turned it is the second."""
    sweeps = np.array([[1.0, -1.0], [2.0, -2.0], [3.0, -3.0]])
    found = sign_flip_test(sweeps)
    assert (found.pvalue, found.n_flips, found.exact) == (0.25, 3, True)
    found = sign_flip_test(sweeps * [[-1], [1], [1]])
    assert found.pvalue == 0.5
    assert sign_flip_test(sweeps * [[1], [1], [-1]]).pvalue == 1.0  # sum 0


@pytest.mark.parametrize("n_sweeps", [2, 3, 6, 9])
@pytest.mark.parametrize(("scale", "offset"), [(1, 0), (800, 3e4), (1e-6, 0)])
def test_fmp_of_every_flip(n_sweeps, scale, offset):
    sweeps = random_sweeps(n_sweeps, 5) * scale + offset
    mean = sweeps.mean(axis=1, keepdims=True)
    flipped = [anova_f(s[:, np.newaxis] * (sweeps - mean) + mean) for s in every_sign(n_sweeps)]
    found = sign_flip_test(sweeps)
    assert found.pvalue == share_at_least(flipped, flipped[0])
    assert found.statistic == pytest.approx(flipped[0], rel=1e-9)
    assert found.statistic == pytest.approx(f_statistic(sweeps).statistic, rel=1e-12)
    assert found.n_flips == 2 ** (n_sweeps - 1) - 1
    assert found.exact


def test_blocks_turn_together_and_the_last_takes_the_remainder():
    sweeps = random_sweeps(11, 4, seed=3)
    blocks = np.repeat(every_sign(3), [3, 3, 5], axis=1)
    flipped = [np.mean(s[:, np.newaxis] * sweeps, axis=0)[0] for s in blocks]
    found = sign_flip_test(sweeps, statistic=mean_of_first, n_per_block=3)
    assert found.pvalue == share_at_least(flipped, flipped[0])
    assert found.n_flips == 7  # this statistic is not even: all of them
    assert found.statistic == pytest.approx(sweeps[:, 0].mean(), rel=1e-12)


def test_ties_count_as_large():
    """Tenths that are added up in other orders differ by rounding; whole numbers do not."""
    for seed in range(5):
        tenths = np.random.default_rng(seed).integers(-9, 10, 12)
        sweeps = np.column_stack([tenths / 10, np.arange(12.0)])
        exact = every_sign(12).astype(int) @ tenths
        found = sign_flip_test(sweeps, statistic=mean_of_first)
        assert found.pvalue == np.mean(exact >= exact[0])
        assert np.sum(exact == exact[0]) > 50


def test_r_of_every_flip_of_either_replicate():
    first, second = random_sweeps(4, 6, seed=5), random_sweeps(3, 6, seed=6) + np.arange(6)
    flipped = [
        stats.pearsonr((a @ centred(first)), (b @ centred(second))).statistic
        for a in every_sign(4)
        for b in every_sign(3)
    ]
    found = replicate_correlation_flip_test(first, second)
    r = stats.pearsonr(first.mean(axis=0), second.mean(axis=0)).statistic
    assert found.statistic == pytest.approx(r, rel=1e-12)
    assert found.pvalue == share_at_least(flipped, r)
    assert (found.n_flips, found.exact) == (63, True)


def centred(sweeps):
    return sweeps - sweeps.mean(axis=1, keepdims=True)


@pytest.mark.parametrize("n_bits", [3, 8, 10])
def test_flips_of_a_group(n_bits):
    """Flip a turns the rows whose code has an odd number of bits in common with a."""
    rng = np.random.default_rng(7)
    rows, codes = rng.standard_normal((30, 4)), rng.integers(0, 1 << n_bits, 30)
    found = np.concatenate(list(_flipped_sums(rows, codes, n_bits)))
    signs = [[(-1) ** (flip & int(c)).bit_count() for c in codes] for flip in range(1 << n_bits)]
    np.testing.assert_allclose(found, np.array(signs) @ rows, rtol=0, atol=1e-12)


# --- scipy ---------------------------------------------------------------------------------------


def scipy_p(sweeps, statistic):
    """Signs as the sample: `permutation_test` turns each of them over."""
    return stats.permutation_test(
        (np.ones(len(sweeps)),),
        lambda signs, axis: statistic(signs @ sweeps / len(sweeps)),
        permutation_type="samples",
        vectorized=True,
        alternative="greater",
        n_resamples=math.inf,
    ).pvalue


@pytest.mark.parametrize("seed", range(5))
def test_scipy_on_all_flips(seed):
    sweeps = centred(random_sweeps(10, 7, seed))
    found = sign_flip_test(sweeps)
    assert found.pvalue == pytest.approx(scipy_p(sweeps, lambda m: m.var(axis=-1)), rel=1e-12)
    found = sign_flip_test(sweeps, statistic=mean_of_first)
    assert found.pvalue == pytest.approx(scipy_p(sweeps, lambda m: m[..., 0]), rel=1e-12)


@pytest.mark.parametrize("n_flips", [500, 4000])
def test_drawn_flips_scatter_about_the_p_of_all_as_independent_ones_would(n_flips):
    """Mean and variance of 400 p, each from a group of its own: within five standard errors."""
    sweeps = random_sweeps(14, 20, seed=11) * np.linspace(0.5, 1.5, 14)[:, np.newaxis]
    truth = scipy_p(centred(sweeps), lambda m: m.var(axis=-1))
    assert 0.02 < truth < 0.98
    found = np.array([sign_flip_test(sweeps, n_flips, seed).pvalue for seed in range(400)])
    assert not sign_flip_test(sweeps, n_flips, 1).exact
    n_all = 2**13 - 1
    expected = truth * (1 - truth) / n_flips
    if n_flips.bit_length() == 13:  # a part of all flips, each taken once
        expected *= (n_all - n_flips) / (n_all - 1)
    assert found.mean() == pytest.approx(truth, abs=5 * math.sqrt(expected / 400) + 1 / n_flips)
    assert found.var() == pytest.approx(expected, rel=5 * math.sqrt(2 / 400))


# --- rate and power ------------------------------------------------------------------------------


def noise_runs(kind, n_runs, n_sweeps, seed=13):
    rng = np.random.default_rng(seed)
    for _ in range(n_runs):
        yield simulate_noise(kind, n_sweeps, n_samples=145, seed=rng, independent=True)


def assert_rate(pvalues, level):
    """p at or below the level in that share of runs, within the 99.9 % binomial interval."""
    hits = int(np.sum(np.array(pvalues) <= level))
    interval = stats.binomtest(hits, len(pvalues)).proportion_ci(0.999)
    assert interval.low <= level <= interval.high


@pytest.mark.parametrize("kind", ["W", "Q33", "B"])
@pytest.mark.parametrize("n_flips", [99, 299])
def test_rate_in_noise(kind, n_flips):
    found = [
        sign_flip_test(sweeps, n_flips, seed).pvalue
        for seed, sweeps in enumerate(noise_runs(kind, 2000, 40))
    ]
    assert min(found) == pytest.approx(1 / (n_flips + 1))
    for level in (0.5, 0.05, 0.01):
        assert_rate(found, level)


def test_rate_of_the_correlation():
    found = [
        replicate_correlation_flip_test(sweeps[:20], sweeps[20:], 199, seed).pvalue
        for seed, sweeps in enumerate(noise_runs("Q33", 2000, 40))
    ]
    for level in (0.5, 0.05):
        assert_rate(found, level)


def test_blocks_hold_the_rate_where_sweeps_depend_on_each_other():
    """Neighbours are equal in pairs: single flips fire far too often, blocks of two do not."""
    pairs = [np.repeat(sweeps, 2, axis=0) for sweeps in noise_runs("W", 600, 20)]
    single = [sign_flip_test(x, 199, i).pvalue for i, x in enumerate(pairs)]
    blocks = [sign_flip_test(x, 199, i, n_per_block=2).pvalue for i, x in enumerate(pairs)]
    assert np.mean(np.array(single) <= 0.05) > 0.3
    assert_rate(blocks, 0.05)


def test_a_clear_response_is_found():
    added = response(np.arange(300) / 12, 8.0, 300.0)[WINDOW]
    sweeps = next(noise_runs("Q33", 1, 1000)) + added
    found = sign_flip_test(sweeps, 999, 1)
    assert found.pvalue == pytest.approx(0.001)
    assert replicate_correlation_flip_test(sweeps[::2], sweeps[1::2], 999, 1).pvalue < 0.01


# --- properties ----------------------------------------------------------------------------------


def test_the_seed_decides():
    sweeps = random_sweeps(50, 9)
    first = sign_flip_test(sweeps, 999, 5)
    assert sign_flip_test(sweeps, 999, 5) == first
    assert sign_flip_test(sweeps, 999, np.random.default_rng(5)) == first
    moved = np.random.default_rng(5)
    others = {sign_flip_test(sweeps, 999, moved).pvalue for _ in range(20)}
    assert len(others) > 1
    assert len({sign_flip_test(sweeps, 999).pvalue for _ in range(20)}) > 1


def test_offsets_of_sweeps_are_no_response_but_a_shared_wave_is():
    sweeps = next(noise_runs("W", 1, 60))
    offsets = np.random.default_rng(1).uniform(1e4, 2e4, (60, 1))
    assert sign_flip_test(sweeps + offsets, 999, 2).pvalue == sign_flip_test(sweeps, 999, 2).pvalue
    wave = 800 * np.sin(np.arange(sweeps.shape[1]))
    assert sign_flip_test(sweeps + wave, 999, 2).pvalue == pytest.approx(0.001)


def test_read_only_and_strided_input():
    sweeps = random_sweeps(40, 12)
    sweeps.setflags(write=False)
    expected = sign_flip_test(sweeps[::2, ::3].copy(), 99, 1)
    assert sign_flip_test(sweeps[::2, ::3], 99, 1) == expected


@pytest.mark.parametrize("n_flips", [1, 255, 256, 1000])
def test_the_callers_statistic_sees_each_flip_once(n_flips):
    seen = []

    def statistic(averages):
        seen.append(averages.copy())
        return np.abs(averages).max(axis=1)

    sweeps = random_sweeps(30, 30)  # as many samples as sweeps: averages tell the signs
    found = sign_flip_test(sweeps, n_flips, 1, statistic=statistic)
    averages = np.concatenate(seen)
    assert averages.shape == (n_flips + 1, 30)
    assert found.n_flips == n_flips
    np.testing.assert_allclose(averages[0], sweeps.mean(axis=0), rtol=1e-12)
    assert found.statistic == pytest.approx(np.abs(sweeps.mean(axis=0)).max(), rel=1e-12)
    signs = np.linalg.solve(sweeps.T, averages.T * 30)
    np.testing.assert_allclose(np.abs(signs), 1, rtol=1e-6)
    assert len(np.unique(np.sign(signs), axis=1).T) == n_flips + 1
    peaks = np.abs(averages).max(axis=1)
    assert found.pvalue == np.mean(peaks >= peaks[0])


# --- what is refused -----------------------------------------------------------------------------


def test_identical_sweeps():
    with pytest.raises(DataError, match="the 5 sweeps are identical up to an offset each"):
        sign_flip_test(np.tile([0.1, 0.7, 0.3], (5, 1)) + np.arange(5.0)[:, np.newaxis])
    with pytest.raises(DataError, match="the 5 sweeps are identical;"):
        sign_flip_test(np.tile([0.1, 0.7, 0.3], (5, 1)), statistic=mean_of_first)
    with pytest.raises(DataError, match="second: the 4 sweeps are identical"):
        replicate_correlation_flip_test(random_sweeps(4, 3), np.ones((4, 3)))


def test_too_little():
    with pytest.raises(DataError, match="1 given, at least 2 needed"):
        sign_flip_test([[1.0, 2.0]])
    with pytest.raises(DataError, match="1 sample in the window; at least 2 needed"):
        sign_flip_test([[1.0], [2.0]])
    with pytest.raises(
        DataError, match=r"n_per_block .* is 4; it must be a whole number from 1 to 3"
    ):
        sign_flip_test(random_sweeps(7, 3), n_per_block=4)
    with pytest.raises(DataError, match="n_flips is 0; it must be a whole number from 1"):
        sign_flip_test(random_sweeps(7, 3), 0)
    with pytest.raises(DataError, match="first has 3 samples a sweep, second 4"):
        replicate_correlation_flip_test(random_sweeps(7, 3), random_sweeps(7, 4))
    with pytest.raises(DataError, match="not a finite number"):
        sign_flip_test([[1.0, math.nan], [2.0, 1.0]])


@pytest.mark.parametrize("seed", [-1, 1.5, "one"])
def test_seeds_that_are_none(seed):
    with pytest.raises(DataError, match=r"seed is .*; give a whole number of at least 0"):
        sign_flip_test(random_sweeps(7, 3), 9, seed)


@pytest.mark.parametrize(
    ("statistic", "message"),
    [
        (7, "statistic is 7; it must be a function"),
        (lambda averages: averages, r"shape \(\d+, 3\) returned for \d+ averages of 3 samples"),
        (lambda averages: averages.max(), r"shape \(\) returned"),
        (lambda averages: np.full(len(averages), math.nan), "nan returned for an average"),
    ],
)
def test_statistics_that_are_none(statistic, message):
    with pytest.raises(DataError, match=message):
        sign_flip_test(random_sweeps(7, 3), statistic=statistic)
