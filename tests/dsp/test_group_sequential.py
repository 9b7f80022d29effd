"""Sequential limits: the overall rate by other roads, and what must hold for any plan.

Tables stand in `tests/reference/test_sequential_tables.py`.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from waveworks.dsp.first_crossing import crossing_probabilities
from waveworks.dsp.group_sequential import (
    sequential_limits,
    spending_limits,
    spent,
    uncorrected_rate,
)
from waveworks.errors import DataError

ALPHAS = st.floats(1e-4, 0.5)
SIDES = st.sampled_from([1, 2])
KINDS = st.sampled_from(["pocock", "obrien-fleming"])
SPENDINGS = st.sampled_from(["obrien-fleming", "pocock", "equal"])
INFORMATION = st.lists(st.floats(0.05, 1), min_size=1, max_size=8).map(np.cumsum)
N_RUNS = 200_000


def rate_of(crossed):
    """The interval in which the true rate of simulated crossings lies, at 99.9 %."""
    return stats.binomtest(int(crossed.sum()), crossed.size).proportion_ci(0.999, method="exact")


def simulated_z(information, seed):
    """Z at each look without a response, a row a run."""
    steps = np.diff(information, prepend=0)
    noise = np.random.default_rng(seed).standard_normal((N_RUNS, steps.size))
    return np.cumsum(noise * np.sqrt(steps), axis=1) / np.sqrt(information)


def overall_by_box(limits, information, sides):
    """1 minus the multivariate normal probability of a box."""
    root = np.sqrt(information)
    corr = np.minimum.outer(information, information) / np.outer(root, root)
    z = stats.multivariate_normal(cov=corr, abseps=5e-7, releps=0, maxpts=1_000_000, seed=1)
    low = -limits if sides == 2 else np.full(limits.size, -np.inf)
    return 1 - float(z.cdf(limits, lower_limit=low))


# --- planned limits ------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["pocock", "obrien-fleming"])
@pytest.mark.parametrize("sides", [1, 2])
@pytest.mark.parametrize("information", [[1.0, 2.0], [0.1, 1.0], [1.0, 2.0, 3.0], [3.0, 4.0, 9.0]])
def test_the_limits_keep_alpha_by_multivariate_normal_probability(information, sides, kind):
    information = np.array(information)
    for alpha in (0.05, 0.01):
        limits = sequential_limits(
            information.size, alpha, kind, sides=sides, information=information
        )
        assert overall_by_box(limits, information, sides) == pytest.approx(alpha, abs=1e-6)


@pytest.mark.parametrize(("kind", "sides"), [("pocock", 2), ("obrien-fleming", 1)])
def test_the_limits_keep_alpha_in_simulated_noise(kind, sides):
    z = simulated_z(np.arange(1, 21), seed=21)
    z = np.abs(z) if sides == 2 else z
    rate = rate_of((z >= sequential_limits(20, 0.01, kind, sides=sides)).any(axis=1))
    assert rate.low <= 0.01 <= rate.high


@settings(deadline=None, max_examples=40)
@given(INFORMATION, ALPHAS, KINDS, SIDES)
def test_alpha_is_recovered_and_the_shape_is_as_promised(information, alpha, kind, sides):
    limits = sequential_limits(information.size, alpha, kind, sides=sides, information=information)
    found = crossing_probabilities(limits, information, sides=sides)
    assert found.overall == pytest.approx(alpha, rel=1e-9)
    shape = np.sqrt(information[-1] / information) if kind == "obrien-fleming" else 1.0
    assert limits == pytest.approx(limits[-1] * shape, rel=1e-13)
    # One look would do with less, looks that had nothing in common would need more.
    assert limits[-1] >= stats.norm.isf(alpha / sides) - 1e-9
    if kind == "pocock":
        assert limits[0] <= stats.norm.isf(alpha / sides / information.size) + 1e-9


@pytest.mark.parametrize("kind", ["pocock", "obrien-fleming"])
def test_one_look_is_the_fixed_test(kind):
    assert sequential_limits(1, 0.05, kind) == pytest.approx([stats.norm.isf(0.025)], rel=1e-12)
    found = sequential_limits(1, 0.05, kind, sides=1, information=[7.0])
    assert found == pytest.approx([stats.norm.isf(0.05)], rel=1e-12)


def test_equal_steps_in_any_unit_are_the_default():
    expected = sequential_limits(5, 0.05, "obrien-fleming")
    found = sequential_limits(5, 0.05, "obrien-fleming", information=np.arange(200, 1001, 200))
    assert found == pytest.approx(expected, rel=1e-12)
    assert (np.diff(found) < 0).all()


@pytest.mark.parametrize("alpha", [1e-12, 0.9, 0.999999])
@pytest.mark.parametrize("sides", [1, 2])
@pytest.mark.parametrize("kind", ["pocock", "obrien-fleming"])
def test_extreme_alpha(kind, sides, alpha):
    limits = sequential_limits(3, alpha, kind, sides=sides)
    found = crossing_probabilities(limits, [1, 2, 3], sides=sides)
    assert found.overall == pytest.approx(alpha, rel=1e-7)


# --- alpha spending ------------------------------------------------------------------------------


@settings(deadline=None, max_examples=40)
@given(INFORMATION, ALPHAS, SPENDINGS, SIDES)
def test_each_look_spends_what_it_may(information, alpha, spending, sides):
    shares = information / information[-1]
    limits = spending_limits(shares, alpha, spending, sides)
    found = crossing_probabilities(limits, shares, sides=sides)
    expected = spent(shares, alpha, spending)
    assert np.cumsum(found.upper + found.lower) == pytest.approx(expected, rel=1e-8, abs=1e-20)
    assert expected[-1] == pytest.approx(alpha, rel=1e-12)
    assert (np.diff(expected, prepend=0) >= 0).all()


@pytest.mark.parametrize("spending", ["obrien-fleming", "pocock", "equal"])
def test_a_limit_does_not_depend_on_looks_to_come(spending):
    shares = np.array([0.13, 0.3, 0.31, 0.8, 0.97])
    whole = spending_limits(shares, 0.05, spending)
    for k in range(1, 5):
        assert spending_limits(shares[:k], 0.05, spending).tolist() == whole[:k].tolist()
        other = np.append(shares[:k], 1.0)
        assert spending_limits(other, 0.05, spending)[:k] == pytest.approx(whole[:k], rel=1e-12)


@pytest.mark.parametrize("sides", [1, 2])
@pytest.mark.parametrize("spending", ["obrien-fleming", "pocock", "equal"])
def test_spending_by_multivariate_normal_probability(spending, sides):
    shares = np.array([0.3, 0.45, 0.9])
    limits = spending_limits(shares, 0.05, spending, sides)
    expected = spent(shares, 0.05, spending)
    for k in (1, 2, 3):
        found = overall_by_box(limits[:k], shares[:k], sides)
        assert found == pytest.approx(expected[k - 1], abs=1e-6)


def test_spending_in_simulated_noise():
    shares = np.array([0.1, 0.15, 0.4, 0.5, 0.55, 0.8, 1.0])
    z = np.abs(simulated_z(shares, seed=31))
    rate = rate_of((z >= spending_limits(shares, 0.05, "obrien-fleming")).any(axis=1))
    assert rate.low <= 0.05 <= rate.high


def test_equal_spending_is_in_proportion():
    assert spent([0.25, 0.5, 1], 0.02, "equal") == pytest.approx([0.005, 0.01, 0.02], rel=1e-14)


def test_too_early_to_spend_anything_is_an_infinite_limit():
    limits = spending_limits([0.001, 0.5, 1.0], 0.05, "obrien-fleming")
    assert limits[0] == np.inf
    later = spending_limits([0.5, 1.0], 0.05, "obrien-fleming")
    assert limits[1:] == pytest.approx(later, rel=1e-9)


def test_the_rounding_of_a_sum_of_shares_is_no_overrun():
    shares = np.array([0.5, 1 + 4e-16])
    assert spent(shares, 0.05, "pocock")[-1] == pytest.approx(0.05, rel=1e-14)


# --- uncorrected looks ---------------------------------------------------------------------------


@pytest.mark.parametrize("sides", [1, 2])
def test_uncorrected_looks_by_simulation(sides):
    z = simulated_z(np.arange(1, 21), seed=41)
    z = np.abs(z) if sides == 2 else z
    rate = rate_of((z >= stats.norm.isf(0.01 / sides)).any(axis=1))
    assert rate.low <= uncorrected_rate(20, 0.01, sides) <= rate.high


@given(st.floats(1e-6, 1 - 1e-6), SIDES)
def test_one_uncorrected_look_is_nominal(alpha, sides):
    assert uncorrected_rate(1, alpha, sides) == pytest.approx(alpha, rel=1e-9)


# --- refused -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"alpha": 0.0}, "alpha is 0.0; it must lie between 0 and 1"),
        ({"alpha": 1}, "alpha is 1; it must lie between 0 and 1"),
        ({"alpha": -0.05}, "alpha is -0.05"),
        ({"alpha": 5}, "alpha is 5"),
        ({"alpha": np.nan}, "alpha is nan"),
        ({"n_looks": 0}, "n_looks is 0; it must be a whole number from 1 to 500"),
        ({"n_looks": 2.5}, "n_looks is 2.5; it must be a whole number"),
        ({"n_looks": 501}, "n_looks is 501; it must be a whole number from 1 to 500"),
        (
            {"kind": "haybittle"},
            "kind is 'haybittle'; it must be one of 'pocock', 'obrien-fleming'",
        ),
        ({"sides": 0}, "sides is 0; it must be one of 1, 2"),
        ({"information": [0.5, 1.0]}, "information: 2 looks given, n_looks is 3"),
        ({"information": [0.5, 0.4, 1.0]}, "information at look 2 is 0.4 after 0.5"),
    ],
)
def test_impossible_plans_are_refused(changes, message):
    plan = {"n_looks": 3, "alpha": 0.05, "kind": "pocock"} | changes
    with pytest.raises(DataError, match=message):
        sequential_limits(**plan)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"alpha": 1.5}, "alpha is 1.5"),
        (
            {"spending": "pocok"},
            "spending is 'pocok'; it must be one of 'obrien-fleming', 'pocock'",
        ),
        ({"information": [0.5, 1.2]}, "the last share is 1.2, the planned maximum is 1"),
        ({"information": [0.0, 1.0]}, "information at look 1 is 0.0"),
    ],
)
def test_impossible_spending_is_refused(changes, message):
    plan = {"information": [0.5, 1.0], "alpha": 0.05, "spending": "pocock"} | changes
    with pytest.raises(DataError, match=message):
        spent(**plan)
    with pytest.raises(DataError, match=message):
        spending_limits(**plan)


def test_other_impossible_questions_are_refused():
    with pytest.raises(DataError, match="sides is 3"):
        spending_limits([1.0], 0.05, "pocock", sides=3)
    with pytest.raises(DataError, match="n_looks is 0"):
        uncorrected_rate(0, 0.05)
    with pytest.raises(DataError, match="alpha is 0"):
        uncorrected_rate(2, 0)
    with pytest.raises(DataError, match="sides is 3"):
        uncorrected_rate(2, 0.05, sides=3)
