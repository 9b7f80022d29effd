"""First crossings against multivariate normal probabilities, single integrals and simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from waveworks.dsp.first_crossing import checked_information, crossing_probabilities
from waveworks.errors import DataError

UNEQUAL = np.array([0.15, 0.7, 1.0])
LIMITS = np.array([2.6, 2.1, 2.2])


def inside(limits, information, drift, sides):
    """The probability that no limit is crossed: a box of correlated normal Z."""
    root = np.sqrt(information)
    corr = np.minimum.outer(information, information) / np.outer(root, root)
    z = stats.multivariate_normal(
        drift * root, corr, abseps=5e-7, releps=0, maxpts=1_000_000, seed=1
    )
    low = -limits if sides == 2 else np.full(limits.size, -np.inf)
    return float(z.cdf(limits, lower_limit=low))


def simulated(limits, information, drift, sides, n_runs, seed):
    """Return how often each look was the first to cross, above and below."""
    rng = np.random.default_rng(seed)
    steps = np.diff(information, prepend=0)
    score = np.cumsum(
        drift * steps + np.sqrt(steps) * rng.standard_normal((n_runs, steps.size)), axis=1
    )
    z = score / np.sqrt(information)
    crossed = (np.abs(z) if sides == 2 else z) >= limits
    first = crossed & (np.cumsum(crossed, axis=1) == 1)
    return (first & (z > 0)).sum(axis=0), (first & (z < 0)).sum(axis=0)


# --- second roads --------------------------------------------------------------------------------


@pytest.mark.parametrize("drift", [0.0, 1.5, -2.5])
@pytest.mark.parametrize("sides", [1, 2])
@pytest.mark.parametrize("n_looks", [1, 2, 3])
def test_no_crossing_is_a_box_of_correlated_normal_numbers(n_looks, sides, drift):
    limits, information = LIMITS[:n_looks], UNEQUAL[:n_looks]
    found = crossing_probabilities(limits, information, drift, sides)
    expected = 1 - inside(limits, information, drift, sides)
    assert found.overall == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("drift", [0.0, 1.5])
@pytest.mark.parametrize("information", [[0.5, 1.0], [1.0, 1.002], [0.01, 1.0], [1.0, 500.0]])
@pytest.mark.parametrize("limit", [0.5, 2.2, 7.0])
def test_the_second_look_is_a_single_integral(information, drift, limit):
    """Over the score at the first look; also for looks that nearly coincide and for rare events."""
    first, second = information
    sd, reach = np.sqrt(second - first), limit * np.sqrt(first)

    def crossing(score, side):
        missing = limit * np.sqrt(second) - side * (score + drift * (second - first))
        return stats.norm.pdf(score, drift * first, np.sqrt(first)) * stats.norm.sf(missing / sd)

    found = crossing_probabilities([limit, limit], information, drift)
    edges = reach - 3 * sd * np.arange(1, 12)
    for side, value in ((1, found.upper[1]), (-1, found.lower[1])):
        points = side * edges[np.abs(edges) < reach]
        middle = [m for m in [drift * first, *points] if abs(m) < reach]
        expected = integrate.quad(
            crossing, -reach, reach, args=(side,), points=middle or None, epsabs=0, limit=500
        )[0]
        assert value == pytest.approx(expected, rel=1e-7, abs=1e-22)


@pytest.mark.parametrize(("drift", "sides"), [(0.0, 2), (2.0, 2), (-0.7, 2), (1.0, 1)])
def test_simulated_crossings_of_every_look(drift, sides):
    information = np.cumsum([0.05, 0.05, 0.1, 0.1, 0.2, 0.2, 0.3])
    limits = np.array([2.9, 2.4, 2.8, 2.1, 2.5, 1.9, 2.0])
    n_runs = 100_000
    counts = simulated(limits, information, drift, sides, n_runs, seed=11)
    found = crossing_probabilities(limits, information, drift, sides)
    # 14 intervals a case, 56 in all: 99.95 % each keeps a false alarm below 3 %.
    for seen, expected in zip(np.ravel(counts), [*found.upper, *found.lower], strict=True):
        if sides == 1 and expected == 0:  # there is no lower limit
            continue
        interval = stats.binomtest(int(seen), n_runs).proportion_ci(0.9995, method="exact")
        assert interval.low <= expected <= interval.high


def test_one_look_is_the_fixed_test():
    found = crossing_probabilities([1.7], [4.0], drift=0.8)
    assert found.upper == pytest.approx([stats.norm.sf(1.7 - 1.6)], rel=1e-13)
    assert found.lower == pytest.approx([stats.norm.sf(1.7 + 1.6)], rel=1e-13)


# --- what follows from it ------------------------------------------------------------------------


def test_expected_information_is_the_mean_of_where_it_stops():
    found = crossing_probabilities([1.0, 1.5], [3.0, 10.0])
    stops_early = 2 * stats.norm.sf(1.0)
    assert found.expected_information == pytest.approx(3 * stops_early + 10 * (1 - stops_early))
    assert found.maximum_information == 10


def test_power_counts_the_side_of_the_drift():
    up, down = (crossing_probabilities(LIMITS, UNEQUAL, drift) for drift in (1.5, -1.5))
    assert up.upper == pytest.approx(down.lower, rel=1e-12)
    assert up.power == pytest.approx(down.power, rel=1e-12)
    assert up.power == pytest.approx(up.upper.sum(), rel=1e-14)
    assert up.power < up.overall
    null = crossing_probabilities(LIMITS, UNEQUAL)
    assert null.power == pytest.approx(null.overall / 2, rel=1e-12)
    assert crossing_probabilities(LIMITS, UNEQUAL, -1.5, sides=1).lower.tolist() == [0, 0, 0]


def test_an_infinite_limit_is_no_look():
    without = crossing_probabilities([2.1, 2.2], UNEQUAL[1:], 1.5)
    found = crossing_probabilities([np.inf, 2.1, 2.2], UNEQUAL, 1.5)
    assert found.upper == pytest.approx([0, *without.upper], rel=1e-10)
    assert found.lower == pytest.approx([0, *without.lower], rel=1e-10)


def test_a_huge_drift_stops_at_once_and_a_limit_of_zero_too():
    assert crossing_probabilities(LIMITS, UNEQUAL, 500.0).upper == pytest.approx([1, 0, 0])
    found = crossing_probabilities([0.0, 2.0], [1.0, 2.0])
    assert found.upper + found.lower == pytest.approx([1, 0])


@settings(deadline=None, max_examples=30)
@given(
    st.lists(st.tuples(st.floats(0.05, 3), st.floats(0.1, 4)), min_size=1, max_size=6),
    st.floats(-3, 3),
    st.sampled_from([1, 2]),
    st.floats(1e-3, 1e3),
)
def test_the_unit_of_information_does_not_matter(looks, drift, sides, unit):
    steps, limits = np.transpose(looks)
    information = np.cumsum(steps)
    found = crossing_probabilities(limits, information, drift, sides)
    other = crossing_probabilities(limits, information * unit, drift / np.sqrt(unit), sides)
    assert other.upper == pytest.approx(found.upper, rel=1e-8, abs=1e-14)
    assert other.lower == pytest.approx(found.lower, rel=1e-8, abs=1e-14)
    assert other.expected_information == pytest.approx(unit * found.expected_information)
    assert 0 <= found.overall <= 1 + 1e-12


def test_read_only_strided_input_is_left_alone_and_results_are_write_protected():
    information = np.repeat(UNEQUAL, 2)[::2]
    information.setflags(write=False)
    found = crossing_probabilities(LIMITS, information)
    assert found.information.tolist() == UNEQUAL.tolist()
    for array in (found.information, found.upper, found.lower):
        assert not array.flags.writeable
    assert UNEQUAL.flags.writeable


# --- refused -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("information", "message"),
    [
        ([0.0, 1.0], "information at look 1 is 0.0; it must be positive"),
        ([-1.0], "information at look 1 is -1.0; it must be positive"),
        (
            [0.2, 0.2, 1.0],
            r"information at look 2 is 0.2 after 0.2; .* by at least 0.001 of itself",
        ),
        ([0.2, 1.0, 0.5], "information at look 3 is 0.5 after 1.0"),
        ([1.0, 1.0005], "information at look 2 is 1.0005 after 1.0"),
        ([1.0, np.nan], r"information: value at index \(1,\) is nan"),
        ([], "information: empty"),
        ([[1.0]], "information: 2 dimensions given, 1 needed"),
        (range(1, 502), "number of looks is 501; it must be a whole number from 1 to 500"),
    ],
)
def test_information_that_does_not_rise_is_refused(information, message):
    with pytest.raises(DataError, match=message):
        checked_information(information)
    with pytest.raises(DataError, match=message):
        crossing_probabilities(np.ones(np.shape(information)), information)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"limits": [2.0, 2.0]}, r"limits: shape \(2,\) given, 3 looks in information"),
        ({"limits": [2.0, np.nan, 2.0]}, "limit at look 2 is nan; it must be a number from 0"),
        ({"limits": [2.0, 2.0, -0.1]}, "limit at look 3 is -0.1; it must be a number from 0"),
        ({"drift": np.inf}, "drift is inf; it must be a finite number"),
        ({"sides": 3}, "sides is 3; it must be one of 1, 2"),
    ],
)
def test_impossible_questions_are_refused(changes, message):
    question = {"limits": LIMITS, "information": UNEQUAL, "drift": 0.0, "sides": 2} | changes
    with pytest.raises(DataError, match=message):
        crossing_probabilities(**question)


def test_a_one_sided_limit_may_be_negative():
    found = crossing_probabilities([-1.0], [1.0], sides=1)
    assert found.overall == pytest.approx(stats.norm.cdf(1.0))
