"""The stage-wise test against a convolution on a grid, chi-square tails and simulation."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, stats

from waveworks.dsp.stagewise import stagewise_limits, stagewise_test
from waveworks.errors import DataError

PLANS = [
    [0.01, 0.01, 0.01, 0.01, 0.01],
    [0.0001, 0.01, 0.02, 0.005],  # the second limit is below the first
    [0.3, 0.3, 0.3],
    [0.04, 0.001, 0.01],
]


def spent_on_a_grid(limits, step=0.002):
    """What each stage spends: densities truncated at the limits and convolved numerically.

    A term is the probabilities of its cells. Cell i of one term is centred half a step above i
    steps, so cell i of a sum of k terms is centred k half steps above.
    """
    edges = np.arange(0, 80, step)
    term = np.diff(-np.exp(-edges / 2))
    density, offset, amounts = term, step / 2, []
    for k, limit in enumerate(limits):
        if k > 0:
            density = signal.fftconvolve(density, term)[: term.size]
            offset += step / 2
        centres = offset + step * np.arange(density.size)
        beyond = np.clip((centres - limit) / step + 0.5, 0, 1)  # share of each cell
        amounts.append(1 - sum(amounts) - float(density @ (1 - beyond)))
        density = density * (1 - beyond)
    return amounts


# --- second roads --------------------------------------------------------------------------------


@pytest.mark.parametrize("plan", PLANS)
def test_each_stage_spends_its_share_by_convolution_on_a_grid(plan):
    # An error of the order of step^2 times the slope of the density: 4e-6 * 0.5.
    assert spent_on_a_grid(stagewise_limits(plan)) == pytest.approx(plan, abs=4e-6)


@pytest.mark.parametrize("plan", PLANS)
def test_each_stage_spends_its_share_in_simulated_noise(plan):
    n_runs = 200_000
    p = 1 - np.random.default_rng(5).random((n_runs, len(plan)))
    crossed = np.cumsum(-2 * np.log(p), axis=1) >= stagewise_limits(plan)
    first = crossed & (np.cumsum(crossed, axis=1) == 1)
    for count, amount in zip(first.sum(axis=0), plan, strict=True):
        rate = stats.binomtest(int(count), n_runs).proportion_ci(0.999, method="exact")
        assert rate.low <= amount <= rate.high


@given(st.floats(1e-6, 0.999))
def test_the_first_limit_is_that_of_the_p_itself(amount):
    assert stagewise_limits([amount]) == pytest.approx([stats.chi2.isf(amount, 2)], rel=1e-9)


@pytest.mark.parametrize("n_stages", [2, 3, 5, 12])
def test_without_truncation_it_is_fishers_combination(n_stages):
    """Earlier stages that spend next to nothing truncate next to nothing."""
    limits = stagewise_limits([1e-13] * (n_stages - 1) + [0.02])
    assert limits[-1] == pytest.approx(stats.chi2.isf(0.02, 2 * n_stages), rel=1e-9)
    p = np.random.default_rng(n_stages).uniform(0.1, 1, n_stages)
    found = stagewise_test(p, limits)
    assert found.pvalue == pytest.approx(stats.combine_pvalues(p, "fisher").pvalue, abs=1e-11)


def test_two_stages_worked_by_hand():
    """c1 = -2 log(0.1). A second stage that is reached crosses c2 > c1 with probability
    integral over 0..c1 of exp(-x/2)/2 exp(-(c2-x)/2) = c1/2 exp(-c2/2); 0.05 of it is spent."""
    first = -2 * math.log(0.1)
    second = 2 * math.log(first / 2 / 0.05)
    assert stagewise_limits([0.1, 0.05]) == pytest.approx([first, second], rel=1e-12)
    found = stagewise_test([0.5, 0.02], [first, second])
    assert found.stopped_at == 2
    # 0.1 for the first stage, then c1/2 exp(-s/2) with exp(-s/2) = 0.5 * 0.02.
    assert found.pvalue == pytest.approx(0.1 + first / 2 * 0.01, rel=1e-12)


# --- the test ------------------------------------------------------------------------------------


@pytest.mark.parametrize("plan", PLANS)
def test_the_overall_p_is_uniform_without_a_response(plan):
    limits = stagewise_limits(plan)
    p = 1 - np.random.default_rng(6).random((2000, len(plan)))
    found = [stagewise_test(row, limits) for row in p]
    pvalues = np.array([test.pvalue for test in found])
    assert stats.kstest(pvalues, "uniform").pvalue > 0.001
    stopped = np.array([test.stopped_at is not None for test in found])
    assert (stopped == (pvalues <= sum(plan))).all()
    assert stopped.any()


@settings(deadline=None, max_examples=50)
@given(st.lists(st.floats(1e-6, 0.2), min_size=1, max_size=4), st.data())
def test_a_sum_on_its_limit_has_the_p_that_was_spent(plan, data):
    limits = stagewise_limits(plan)
    stage = data.draw(st.integers(1, len(plan)))
    share = limits[: stage - 1].min(initial=limits[stage - 1]) / (2 * stage)
    p = np.exp(-np.full(stage, share) / 2)  # well below every earlier limit
    p[-1] = np.exp(-(limits[stage - 1] * (1 + 1e-12) - share * (stage - 1)) / 2)
    found = stagewise_test(p, limits)
    assert found.stopped_at == stage
    assert found.pvalue == pytest.approx(sum(plan[:stage]), rel=1e-8)
    assert found.statistic[-1] == pytest.approx(limits[stage - 1])


def test_the_first_stage_that_stops_counts_and_later_ones_do_not():
    limits = stagewise_limits([0.01, 0.01, 0.01])
    found = stagewise_test([0.2, 0.0005, 0.9], limits)
    assert found.stopped_at == 2
    assert found.pvalue == stagewise_test([0.2, 0.0005, 1e-9], limits).pvalue
    assert found.pvalue == stagewise_test([0.2, 0.0005], limits).pvalue
    assert found.statistic == pytest.approx(-2 * np.log([0.2, 0.2 * 0.0005, 0.2 * 0.0005 * 0.9]))
    assert not found.statistic.flags.writeable


def test_before_the_last_stage_there_is_no_p_without_a_stop():
    limits = stagewise_limits([0.01, 0.01, 0.01])
    found = stagewise_test([0.2, 0.3], limits)
    assert found.stopped_at is None
    assert math.isnan(found.pvalue)
    at_the_end = stagewise_test([0.2, 0.3, 1.0], limits)
    assert at_the_end.stopped_at is None
    assert 0.03 < at_the_end.pvalue < 1


# --- refused -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("plan", "message"),
    [
        (
            [0.01, 0.0],
            r"stage_alpha is \[0.01, 0.0\]; each must be positive, and their sum below 1",
        ),
        ([0.5, 0.5], r"stage_alpha is \[0.5, 0.5\]"),
        ([], "stage_alpha: empty"),
        ([0.01] * 21, "number of stage_alpha is 21; it must be a whole number from 1 to 20"),
        ([np.nan], "stage_alpha: value at index"),
    ],
)
def test_impossible_plans_are_refused(plan, message):
    with pytest.raises(DataError, match=message):
        stagewise_limits(plan)


@pytest.mark.parametrize(
    ("pvalues", "limits", "message"),
    [
        ([0.0], [9.0], r"pvalues are \[0.0\]; each must be above 0 and at most 1"),
        ([1.1], [9.0], r"pvalues are \[1.1\]"),
        ([0.5, 0.5], [9.0], "pvalues: 2 stages given, 1 planned"),
        ([0.5], [-9.0], r"limits are \[-9.0\]; each must be positive"),
        ([0.5], [np.inf], "limits: value at index"),
    ],
)
def test_impossible_stages_are_refused(pvalues, limits, message):
    with pytest.raises(DataError, match=message):
        stagewise_test(pvalues, limits)
