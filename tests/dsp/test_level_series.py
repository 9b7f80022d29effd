"""The joint choice over levels against sums written out over every path of latencies."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from waveworks.dsp import judging, level_series
from waveworks.dsp.evidence import log_likelihoods
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
    assert together[1] == plain
    assert together[::2] == suggest_series(series[:3:2], LEVELS[:3:2])


def test_with_no_mark_above_a_level_is_judged_alone(series):
    together = suggest_series([series[3], series[1]], [60.0, 50.0])
    assert together == (series[3], series[1])


def step_density(above_ms, below_ms, step_db=10.0, widened=1.0):
    """A normal step, written out: half of it from tails four times as wide.

    0.1 to 1 ms for 10 dB are two SD either way of 0.55 ms.
    """
    middle_ms, sd_ms = 0.055 * step_db, 0.225 * widened
    off = (below_ms[np.newaxis] - above_ms[:, np.newaxis] - middle_ms) / sd_ms
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


def place_of(evidence, priors, after=0.0):
    """Where wave V is, from what the choice took into account, on the grid of the fit."""
    fit = evidence.fit
    joint = special.logsumexp(log_likelihoods(fit.z[0], fit.se_nv[0], priors), axis=0) + after
    return np.exp(joint - special.logsumexp(joint))


@pytest.fixture(scope="module")
def three():
    """Three levels whose waves are weak enough to move each other, and what decided each."""
    places = ((7.9, 75, 91), (8.4, 65, 92), (8.9, 60, 93))
    found = [alone(L, a, seed, (6.8, 10.0)) for L, a, seed in places]
    taken = {}

    def judge(evidence, priors, after=None, *, bootstrap):
        taken[id(evidence)] = (priors, 0.0 if after is None else after)
        return judging.judge(evidence, priors, after, bootstrap=bootstrap)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(level_series, "_LEAST", 1e-300)  # no latency left to the abnormal steps
        patch.setattr(level_series, "judge", judge)
        middle = suggest_series(found[:2], LEVELS[:2], bootstrap=False)[1]
        together = suggest_series(found, LEVELS, bootstrap=False)
    assert all(marks.marked for marks in together)
    decided = [(m.evidence, *taken[id(m.evidence)]) for m in found]
    return found, middle, decided


def test_three_levels_are_the_sum_over_every_path(three):
    """All 33^3 paths in one array: where each level's wave V is, whatever the other two do."""
    found, middle, decided = three
    grid = found[0].evidence.v_ms
    n = len(grid)
    z, se = ([getattr(m.evidence.fit, name)[0] for m in found] for name in ("z", "se_nv"))
    any_size = [np.exp(log_evidence(one)).mean(axis=0) for one in z]
    jumps = []
    for below, upper in ((1, found[0]), (2, middle)):
        expected = 0.75 * upper.v_sn10_corrected_nv / se[below]
        usual = np.exp(log_evidence(z[below], expected, 0.5 * expected)).mean(axis=0)
        jumps.append(0.9 * step_density(grid, grid) * usual + 0.1 / n * any_size[below])
    paths = np.einsum("i,ij,jk->ijk", any_size[0], *jumps)
    paths /= paths.sum()
    for axes, one in zip(((1, 2), (0, 2), (0, 1)), decided, strict=True):
        np.testing.assert_allclose(place_of(*one), paths.sum(axis=axes), rtol=1e-8, atol=1e-14)


def test_the_ways_below_a_mark_have_probability_one(three):
    for _, priors, _ in three[2][1:]:
        assert [math.exp(way.log_weight) for way in priors] == pytest.approx([0.9, 0.1])
        for way in priors:
            assert np.exp(way.log_v).sum() == pytest.approx(1)


def test_no_way_leads_to_a_latency_that_cannot_be(series):
    upper, lower = series[:2]
    within = replace(lower.evidence, expected_ms=(7.0, 8.2))
    place = place_of(upper.evidence, [upper.evidence.anywhere()])
    link = level_series._Link.between(upper, np.log(place), within, 10.0, (0.1, 1.0))
    for way in link.priors:
        assert within.v_ms[np.isfinite(way.log_v)].max() <= 8.2 + 1e-9
        assert np.exp(way.log_v).sum() == pytest.approx(1)


def test_where_no_usual_step_leads_a_level_is_judged_alone():
    """The level above has its wave V at 11 ms, the lower one can have it up to 7.5 ms."""
    upper, lower = alone(11.0, 200.0, 103), alone(7.0, 150.0, 104)
    near = replace(lower, evidence=replace(lower.evidence, expected_ms=(6.5, 7.5)))
    together = suggest_series([upper, near], [60.0, 50.0], bootstrap=False)
    by_itself = judging.judge(near.evidence, [near.evidence.anywhere()], bootstrap=False)
    assert together[1] == by_itself
    assert together[0].v_ms == pytest.approx(upper.v_ms)


def test_a_silent_level_is_passed_over(series):
    """The levels about it are linked by the whole step, as if it had not been tested."""
    silent = series[3]
    levels = [60.0, 50.0, 40.0, 30.0]
    together = suggest_series([series[0], silent, *series[1:3]], levels, bootstrap=False)
    without = suggest_series(series[:3], [60.0, 40.0, 30.0], bootstrap=False)
    assert not together[1].marked
    assert (together[0], *together[2:]) == without


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


@pytest.mark.parametrize(("step_db", "widened"), [(20.0, 2**0.5), (5.0, 0.5**0.5), (0.0, 0.5)])
def test_longer_steps_lead_further_and_are_less_sure(step_db, widened):
    """SD with the root of the step, and not below that of 2.5 dB."""
    grid = np.arange(6.5, 12.01, 0.1)
    steps = np.exp(level_series._log_steps(grid, grid, step_db, (0.1, 1.0)))
    np.testing.assert_allclose(steps, step_density(grid, grid, step_db, widened), atol=1e-12)


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
