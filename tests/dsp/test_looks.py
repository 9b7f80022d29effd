"""Nominal levels of repeated looks, against normal limits that are known exactly."""

import math

import numpy as np
import pytest
from scipy import stats

from waveworks.dsp.group_sequential import sequential_limits, spending_limits
from waveworks.dsp.looks import KINDS, first_look, levels_from_paths, quadratic_p_paths, ranked
from waveworks.errors import DataError

N_PATHS = 60_000


@pytest.mark.parametrize("n_looks", [1, 5, 20])
@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_one_component_has_the_levels_of_two_sided_normal_limits(n_looks, alpha):
    """A square of one normal variable: Pocock and O'Brien-Fleming by recursive integration."""
    looks = 100 * np.arange(1, n_looks + 1)
    paths = quadratic_p_paths([2.0], looks, N_PATHS, seed=1)
    for kind, name in (("constant", "pocock"), ("obrien-fleming", "obrien-fleming")):
        found = levels_from_paths(paths, looks, alpha, kind)
        exact = 2 * stats.norm.sf(sequential_limits(n_looks, alpha, name))
        # alpha of the paths decide: four of their standard errors, on the last look's level.
        error = 4 / math.sqrt(alpha * N_PATHS)
        assert found[-1] == pytest.approx(exact[-1], rel=error + 0.02)


def test_spending_of_unequal_looks_has_the_normal_limits():
    looks = np.array([100, 300, 1000])
    paths = quadratic_p_paths([1.0], looks, N_PATHS, seed=2)
    for name in ("pocock", "obrien-fleming"):
        found = levels_from_paths(paths, looks, 0.05, f"spending-{name}")
        exact = 2 * stats.norm.sf(spending_limits(looks / 1000, 0.05, name))
        well = exact > 1e-3
        assert found[well] == pytest.approx(exact[well], rel=0.12)
        early = levels_from_paths(paths[:, :2], looks[:2], 0.05, f"spending-{name}")
        assert len(early) == 2


@pytest.mark.parametrize("p", [2, 5, 10])
def test_several_equal_components_have_the_levels_of_cumulative_chi_square(p):
    """Constant limits of cumulative data with known covariance, 5 looks, 5 %: 8.354, 14.124 and
    22.112 for 2, 5 and 10 features (computed by recursive integration, not here)."""
    limit = {2: 8.354, 5: 14.124, 10: 22.112}[p]
    looks = 50 * np.arange(1, 6)
    paths = quadratic_p_paths(np.ones(p), looks, N_PATHS, seed=3)
    found = levels_from_paths(paths, looks, 0.05)[0]
    assert found == pytest.approx(stats.chi2.sf(limit, p), rel=4 / math.sqrt(0.05 * N_PATHS))


@pytest.mark.parametrize("kind", KINDS)
def test_new_noise_crosses_at_the_overall_rate(kind):
    looks = np.array([200, 400, 800, 1000])
    weights = 1 / np.arange(1, 30) ** 2
    levels = levels_from_paths(
        quadratic_p_paths(weights, looks, N_PATHS, seed=4), looks, 0.05, kind
    )
    fresh = quadratic_p_paths(weights, looks, 20_000, seed=5)
    hits = int(np.sum(first_look(fresh, levels) >= 0))
    assert stats.binomtest(hits, 20_000).proportion_ci(0.9999).low <= 0.0525
    assert stats.binomtest(hits, 20_000).proportion_ci(0.9999).high >= 0.0475


def test_every_look_is_uniform():
    paths = quadratic_p_paths([3.0, 1.0, 0.1], [10, 20, 70], N_PATHS, seed=6)
    for column in paths.T:
        assert stats.kstest(column, "uniform").statistic < 0.01


def test_ranks_count_what_is_at_least_as_large():
    assert ranked(np.array([[1.0, 3.0], [2.0, 2.0]])).tolist() == [[1.0, 0.25], [0.75, 0.75]]


def test_the_first_look_below_its_level_counts():
    levels = np.array([0.01, 0.02, 0.03])
    p = np.array([[0.5, 0.02, 0.0], [0.5, 0.5, 0.5], [0.01, 1.0, 1.0], [np.nan, np.nan, 0.03]])
    assert first_look(p, levels).tolist() == [1, -1, 0, 2]


def test_where_nothing_may_be_spent_nothing_is_found():
    assert first_look(np.array([0.0, 0.01]), np.array([0.0, 0.02])) == 1
    assert first_look(np.array([0.0]), np.array([0.0])) == -1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"alpha": 0.0}, "alpha is 0; it must be between 0 and 1"),
        ({"alpha": 1.0}, "alpha is 1"),
        ({"kind": "sharp"}, "kind is 'sharp'"),
        ({"n_sweeps": [10, 20, 30]}, "p_paths has 2 looks, n_sweeps 3"),
        ({"n_sweeps": [20, 10]}, "that rise"),
        ({"n_sweeps": [0, 10]}, "at least 1"),
        ({"n_sweeps": [1.5, 10]}, "whole numbers"),
        ({"alpha": 0.001}, "1000 paths: 1 would cross at alpha 0.001, at least 50"),
    ],
)
def test_bad_input_is_told_in_one_line(change, words):
    arguments = {"p_paths": np.full((1000, 2), 0.5), "n_sweeps": [10, 20], "alpha": 0.05} | change
    with pytest.raises(DataError, match=words):
        levels_from_paths(**arguments)


@pytest.mark.parametrize("eigenvalues", [[0.0, 0.0], [1.0, -1.0]])
def test_impossible_eigenvalues_are_refused(eigenvalues):
    with pytest.raises(DataError, match="eigenvalues"):
        quadratic_p_paths(eigenvalues, [10, 20])
