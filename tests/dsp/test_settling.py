"""How an average settles: against naive sums, the closed form, and noise of known truth."""

import math

import numpy as np
import pytest

from waveworks.dsp.settling import RunningAverage, follow_marks, running_average, settling
from waveworks.errors import DataError
from waveworks.simulate.noise import simulate_noise
from waveworks.simulate.response import response, true_sn10_ms, true_v_ms

TIMES_MS = np.arange(300) / 12.0


def test_the_running_average_is_the_mean_of_the_sweeps_so_far():
    sweeps = np.random.default_rng(1).normal(1e6, 1, (47, 5))
    running = running_average(sweeps, 10)
    assert running.n_sweeps.tolist() == [10, 20, 30, 40]
    naive = [sweeps[:n].mean(axis=0) for n in (10, 20, 30, 40)]
    np.testing.assert_allclose(running.averages_nv, naive, rtol=0, atol=1e-8)


def test_changes_by_hand():
    sweeps = [[0.0, 0.0], [2.0, 0.0], [4.0, 3.0], [4.0, 3.0]]
    # Averages after 2 and 4 sweeps: (1, 0) and (2.5, 1.5); the change is (1.5, 1.5).
    result = settling(sweeps, 2)
    assert result.n_sweeps.tolist() == [4]
    assert result.step == 2
    np.testing.assert_allclose(result.change_nv, [1.5])
    # Variances across sweeps: 11/3 and 3, mean 10/3; s sqrt(step / (n (n - step))).
    np.testing.assert_allclose(result.expected_nv, [math.sqrt(10 / 3 * 2 / (4 * 2))])


@pytest.mark.parametrize("kind", ["W", "Q33", "Q100"])
def test_noise_alone_stays_inside_its_range_in_95_of_100_steps(kind):
    """800 steps: three standard errors of the binomial about 0.95 are 0.023."""
    inside, ratios = [], []
    for seed in range(40):
        sweeps = simulate_noise(kind, 420, seed=(900 + seed), independent=True)[:, 60:205]
        result = settling(sweeps, 20)
        change = result.change_nv
        inside += ((result.low_nv <= change) & (change <= result.high_nv)).tolist()
        ratios += ((change / result.expected_nv) ** 2).tolist()
    assert len(inside) == 800
    assert abs(np.mean(inside) - 0.95) < 0.023
    # The mean square is unbiased; its standard error is known from the scatter itself.
    assert abs(np.mean(ratios) - 1) < 3.5 * np.std(ratios) / math.sqrt(800)


def test_a_constant_response_does_not_move_the_average_and_a_new_one_does():
    noise = simulate_noise("W", 400, n_samples=145, seed=3, independent=True) / 100
    wave = response(TIMES_MS[60:205], 8.5, 60.0)
    steady, plain = settling(noise + wave, 40), settling(noise, 40)
    np.testing.assert_allclose(steady.change_nv, plain.change_nv, rtol=1e-9)
    late = noise + np.where(np.arange(400)[:, np.newaxis] >= 200, wave, 0.0)
    result = settling(late, 40)
    after = result.n_sweeps > 200
    assert (result.change_nv[after] > result.high_nv[after]).all()
    assert (result.change_nv[~after] < result.high_nv[~after]).all()


def test_without_noise_there_is_no_range():
    result = settling(np.zeros((100, 20)), 10)
    assert result.change_nv.tolist() == result.expected_nv.tolist() == [0.0] * 9
    assert np.isnan(result.low_nv).all()
    assert np.isnan(result.high_nv).all()


@pytest.mark.parametrize(
    ("n_sweeps", "step", "message"),
    [
        (10, 6, "step is 6 sweeps; 10 sweeps hold fewer than two steps"),
        (10, 0, "step is 0; it must be a whole number from 1 to 10"),
        (10, 2.5, "step is 2.5"),
        (1, 1, "sweeps"),
    ],
)
def test_steps_that_make_no_sense_are_refused(n_sweeps, step, message):
    with pytest.raises(DataError, match=message):
        settling(np.zeros((n_sweeps, 4)), step)


def test_marks_are_followed_between_samples():
    """The truth is the turning point of the noiseless response, known in closed form."""
    latencies = np.array([8.0, 8.31, 8.6])
    averages = np.array([response(TIMES_MS, latency, 100.0) for latency in latencies])
    course = follow_marks(RunningAverage(np.array([1, 2, 3]), averages), TIMES_MS, 8.3, 11.6)
    # A parabola through three samples of a Gaussian of 0.6 ms errs by far less than a sample.
    np.testing.assert_allclose(course.v_ms, [true_v_ms(x) for x in latencies], atol=2e-3)
    np.testing.assert_allclose(course.sn10_ms, [true_sn10_ms(x) for x in latencies], atol=2e-3)
    np.testing.assert_allclose(course.v_sn10_nv, 100.0, rtol=1e-3)


def test_no_turning_point_within_reach_is_no_latency():
    rising = np.vstack([TIMES_MS, response(TIMES_MS, 8.5, 100.0)])
    running = RunningAverage(np.array([10, 20]), rising)
    course = follow_marks(running, TIMES_MS, 8.4, 11.7, reach_ms=0.5)
    assert np.isnan(course.v_ms).tolist() == [True, False]
    assert np.isnan(course.v_sn10_nv).tolist() == [True, False]
    unmarked = follow_marks(running, TIMES_MS, 8.4, math.nan)
    assert not np.isnan(unmarked.v_ms[1])
    assert np.isnan(unmarked.sn10_ms).all()
    assert np.isnan(unmarked.v_sn10_nv).all()


def test_sn10_comes_after_wave_v():
    trace = -response(TIMES_MS, 9.0, 100.0)  # a trough at 9 ms, a crest near 12 ms
    running = RunningAverage(np.array([1]), trace[np.newaxis])
    course = follow_marks(running, TIMES_MS, 12.2, 9.0, reach_ms=1.0)
    assert not np.isnan(course.v_ms[0])
    assert np.isnan(course.sn10_ms[0])


def test_sn10_comes_after_wave_v_also_where_both_marks_lie_on_its_sample():
    times = np.arange(9.0)
    trace = np.array(
        [[0.0, 0.0, -5.0, 0.0, 3.0, 0.0, -1.0, 0.0, 0.0]]
    )  # V at 4, troughs at 2 and 6
    course = follow_marks(RunningAverage(np.array([1]), trace), times, 4.0, 4.0, reach_ms=3.0)
    assert (course.v_ms[0], course.sn10_ms[0], course.v_sn10_nv[0]) == (4.0, 6.0, 4.0)


def test_marks_in_noise_stay_within_reach_of_the_given_place():
    """The bias that the docstring tells of: whatever the noise, the course is near the mark."""
    noise = simulate_noise("Q33", 400, seed=5, independent=True)
    course = follow_marks(running_average(noise, 20), TIMES_MS, 8.5, 11.5)
    found = np.isfinite(course.v_ms)
    assert found.any()
    # A parabola moves the summit by at most half a sample.
    assert (np.abs(course.v_ms[found] - 8.5) <= 1.0 + 0.5 / 12).all()


@pytest.mark.parametrize("reach_ms", [0.0, -1.0, math.nan])
def test_a_reach_that_is_not_positive_is_refused(reach_ms):
    running = RunningAverage(np.array([1]), np.zeros((1, 300)))
    with pytest.raises(DataError, match=r"reach_ms is \S+ ms; it must be above 0"):
        follow_marks(running, TIMES_MS, 8.5, 11.5, reach_ms)


def test_times_must_fit_the_averages():
    running = RunningAverage(np.array([1]), np.zeros((1, 5)))
    with pytest.raises(DataError, match="times_ms has 4 samples; the averages have 5"):
        follow_marks(running, np.arange(4.0), 1.0, 2.0)


def test_results_are_write_protected_and_input_is_not_touched():
    sweeps = np.random.default_rng(2).normal(size=(60, 16))[::2, ::2]
    sweeps.setflags(write=False)
    result = settling(sweeps, 5)
    arrays = [result.n_sweeps, result.change_nv, result.expected_nv, result.low_nv, result.high_nv]
    running = running_average(sweeps, 5)
    course = follow_marks(running, np.arange(8.0), 3.0, 6.0, reach_ms=2.0)
    arrays += [running.n_sweeps, running.averages_nv, course.v_ms, course.sn10_ms]
    for array in arrays:
        assert not array.flags.writeable
    np.testing.assert_array_equal(sweeps, np.random.default_rng(2).normal(size=(60, 16))[::2, ::2])
