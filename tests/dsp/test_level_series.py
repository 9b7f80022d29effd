"""The joint choice over levels against sums written out over every path of latencies."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from waveworks.dsp import level_series
from waveworks.dsp.peaks import Marks, suggest_marks, suggest_series
from waveworks.dsp.shape_fit import log_evidence
from waveworks.errors import DataError
from waveworks.simulate.noise import simulate_average
from waveworks.simulate.response import response, true_v_ms

TIMES_MS = np.arange(300) / 12
WINDOW_MS = (6.5, 12.0)
LEVELS = (60.0, 50.0, 40.0)


def alone(latency_ms, amplitude_nv, seed, window_ms=WINDOW_MS):
    pair = simulate_average("Q33", 1500, 2, seed=seed)
    pair += response(TIMES_MS, latency_ms, amplitude_nv)
    return suggest_marks(
        pair.mean(axis=0), TIMES_MS, math.nan, window_ms, replicates=pair, bootstrap=False
    )


@pytest.fixture(scope="module")
def series():
    """Three levels with a response, falling as in the validation scenarios, and one without."""
    found = [alone(7.6 + 0.5 * i, 160 * (2 / 3) ** i, seed=70 + i) for i in range(3)]
    return [*found, alone(9.0, 0.0, seed=80)]


def test_marks_follow_the_truth_and_silence_stays(series):
    together = suggest_series(series, [*LEVELS, 30.0])
    for i, marks in enumerate(together[:3]):
        assert marks.v_ms == pytest.approx(true_v_ms(7.6 + 0.5 * i), abs=0.4)
    assert not together[3].marked


def test_the_order_given_is_the_order_returned(series):
    levels = np.array([*LEVELS, 30.0])
    straight = suggest_series(series, levels)
    for order in ([3, 1, 0, 2], [2, 3, 1, 0]):
        mixed = suggest_series([series[i] for i in order], levels[order])
        assert [mixed[order.index(i)] for i in range(4)] == list(straight)


def test_a_single_level_and_levels_without_evidence_come_back_as_they_were(series):
    assert suggest_series(series[:1], [60.0]) == (series[0],)
    plain = Marks(note="no noise estimate to judge it by")
    together = suggest_series([series[0], plain, series[2]], LEVELS)
    assert together == (series[0], plain, series[2])


def test_under_a_level_without_a_mark_a_level_is_judged_alone(series):
    together = suggest_series([series[3], series[1]], [60.0, 50.0])
    assert together == (series[3], series[1])


def step_density(above_ms, below_ms):
    """A normal step of 10 dB, written out: half of it from tails four times as wide."""
    off = (below_ms[np.newaxis] - above_ms[:, np.newaxis] - 0.55) / 0.225
    density = 0.5 * np.exp(-0.5 * off**2) + 0.5 / 4 * np.exp(-0.5 * (off / 4) ** 2)
    return density / density.sum(axis=1, keepdims=True)


def test_the_latency_is_that_of_all_paths_together(series):
    """Two levels, every pair of latencies summed: the upper mark moves by what the lower says.

    On the grid of the fit, for narrow windows; the code works on a finer one in the end, so the
    means agree to a tenth of its step.
    """
    upper, lower = (alone(L, a, seed, (7.0, 9.4)) for L, a, seed in ((7.9, 60, 91), (8.4, 55, 92)))
    assert upper.marked
    together = suggest_series([upper, lower], [60.0, 50.0], bootstrap=False)
    assert together[1].marked
    grid = upper.evidence.v_ms
    n = len(grid)
    z, se = (
        tuple(getattr(m.evidence.fit, name)[0] for m in (upper, lower)) for name in ("z", "se_nv")
    )
    alone_lr = [np.exp(log_evidence(one)).mean(axis=0) for one in z]
    expected_nv = 0.75 * upper.v_sn10_corrected_nv
    linked = np.exp(log_evidence(z[1], expected_nv / se[1], 0.5 * expected_nv / se[1])).mean(axis=0)
    steps = step_density(grid, grid)
    weight = np.zeros((n, n))
    for i, j in itertools.product(range(n), range(n)):
        normal = 0.9 * steps[i, j] * linked[j]
        weight[i, j] = alone_lr[0][i] / n * (normal + 0.1 / n * alone_lr[1][j])
    for axis, marks in ((1, together[0]), (0, together[1])):
        over = weight.sum(axis=axis)
        assert marks.v_ms == pytest.approx(np.sum(over * grid) / over.sum(), abs=0.03)
    # The lower level has moved the upper mark at all.
    assert together[0].v_ms != pytest.approx(upper.v_ms, abs=1e-6)


@pytest.fixture(scope="module")
def linked():
    """Three levels whose waves are weak enough to move each other, and their links downwards."""
    places = ((7.9, 75, 91), (8.4, 65, 92), (8.9, 60, 93))
    found = [alone(L, a, seed, (6.8, 10.0)) for L, a, seed in places]
    first = level_series._alone(found[0].evidence)
    step = (10.0, (0.1, 1.0))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(level_series, "_LEAST", 1e-300)  # no latency left to the abnormal steps
        upper = level_series._Link.between(found[0], first, found[1].evidence, *step)
        second = upper.log_place(found[1].evidence)
        lower = level_series._Link.between(found[1], second, found[2].evidence, *step)
    return found, (upper, lower)


def test_three_levels_are_the_sum_over_every_path(linked):
    """All 33^3 paths in one array: where each level's wave V is, whatever the other two do."""
    found, (upper, lower) = linked
    grid = found[0].evidence.v_ms
    n = len(grid)
    z, se = ([getattr(m.evidence.fit, name)[0] for m in found] for name in ("z", "se_nv"))
    any_size = [np.exp(log_evidence(one)).mean(axis=0) for one in z]
    steps = step_density(grid, grid)
    jumps = []
    for below in (1, 2):
        expected = 0.75 * found[below - 1].v_sn10_corrected_nv / se[below]
        usual = np.exp(log_evidence(z[below], expected, 0.5 * expected)).mean(axis=0)
        jumps.append(0.9 * steps * usual + 0.1 / n * any_size[below])
    paths = np.einsum("i,ij,jk->ijk", any_size[0], *jumps)
    paths /= paths.sum()

    from_lowest = level_series._from_below(found[2], lower, None)
    from_middle = level_series._from_below(found[1], upper, from_lowest)
    by_levels = (
        level_series._alone(found[0].evidence) + from_middle,
        upper.log_place(found[1].evidence) + from_lowest,
        lower.log_place(found[2].evidence),
    )
    for axes, log_place in zip(((1, 2), (0, 2), (0, 1)), by_levels, strict=True):
        place = np.exp(log_place - special.logsumexp(log_place))
        np.testing.assert_allclose(place, paths.sum(axis=axes), rtol=1e-8, atol=1e-14)


def test_the_ways_below_a_mark_have_probability_one(linked):
    for link in linked[1]:
        weights = [math.exp(way.log_weight) for way in link.priors]
        assert weights == pytest.approx([0.9, 0.1])
        for way in link.priors:
            assert np.exp(way.log_v).sum() == pytest.approx(1)


def test_latencies_that_cannot_be_at_a_level_move_no_mark_above_it():
    """The lower trace shows much, but not where its wave V can be."""
    upper = alone(8.0, 70.0, 101)
    lower = alone(8.5, 90.0, 102)
    assert upper.marked
    within = replace(lower.evidence, expected_ms=(7.5, 9.0))
    z = within.fit.z.copy()
    z[..., within.v_ms > 9.0 + 1e-9] = 30.0
    two = [
        suggest_series([upper, replace(lower, evidence=one)], [60.0, 50.0], bootstrap=False)
        for one in (within, replace(within, fit=replace(within.fit, z=z)))
    ]
    assert two[0][1].marked
    assert two[0][0].v_ms != pytest.approx(upper.v_ms, abs=1e-6)
    assert two[1][0].v_ms == pytest.approx(two[0][0].v_ms, abs=1e-9)


@pytest.mark.parametrize("step_ms", [0.0, 1.5])
def test_a_clear_wave_after_an_abnormal_step_stays_where_it_is(step_ms):
    upper, lower = alone(8.0, 200.0, 95), alone(8.0 + step_ms, 150.0, 96)
    together = suggest_series([upper, lower], [60.0, 50.0])
    assert together[1].v_ms == pytest.approx(lower.v_ms, abs=0.1)
    assert together[1].v_ms - together[0].v_ms == pytest.approx(step_ms, abs=0.35)


def test_a_small_wave_where_the_level_above_leads_one_to_expect_it_is_less_often_noise():
    """The same trace: p under a marked level against p by itself."""
    weak = [alone(8.5, 45.0, seed) for seed in range(200, 216)]
    upper = alone(8.0, 150.0, 97)
    below = [suggest_series([upper, one], [60.0, 50.0])[1] for one in weak]
    assert np.median([b.pvalue / w.pvalue for b, w in zip(below, weak, strict=True)]) < 0.7


def test_equal_levels_are_a_step_of_nothing():
    same = [alone(8.0, 150.0, seed) for seed in (98, 99)]
    together = suggest_series(same, [50.0, 50.0])
    assert all(marks.marked for marks in together)
    steps = level_series._log_steps(np.array([8.0]), np.arange(7.0, 9.01, 0.1), 0.0, (0.1, 1.0))
    assert np.arange(7.0, 9.01, 0.1)[steps[0].argmax()] == pytest.approx(8.0)


@pytest.mark.parametrize(
    ("levels", "options", "words"),
    [
        ([60.0], {}, "2 candidates given, levels_db_nhl has 1"),
        ([60.0, math.nan], {}, "nan"),
        ([[60.0, 50.0]], {}, "dimensions"),
        ([60.0, 50.0], {"step_ms_per_10_db": (1.0, 0.1)}, "two rising numbers"),
        ([60.0, 50.0], {"step_ms_per_10_db": (0.1, math.inf)}, "two rising numbers"),
    ],
)
def test_bad_input_is_told_in_one_line(series, levels, options, words):
    with pytest.raises(DataError, match=words) as caught:
        suggest_series(series[:2], levels, **options)
    assert "\n" not in str(caught.value)
