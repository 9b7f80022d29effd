"""The shape test of a level: whose noise it takes, and how often it finds that noise."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from waveworks.dsp.detection import shape_test
from waveworks.measures.final_traces import final_traces
from waveworks.measures.shapes import level_shape
from waveworks.model import Average, Buffers, Sweeps, TimeAxis
from waveworks.settings import default_settings
from waveworks.simulate.noise import simulate_average, simulate_noise
from waveworks.simulate.response import response

AXIS = TimeAxis(12000.0, 0.0, 300)
WINDOWS = default_settings().windows_for("click", None)
WAVE = response(AXIS.times_ms, 8.5, 100.0)


@pytest.fixture
def tested(make_recording):
    """Return the shape test of recordings that hold these data."""

    def test(*waveforms, windows=WINDOWS):
        runs = [make_recording(one, f"r{i}") for i, one in enumerate(waveforms)]
        traces = final_traces(runs, windows.noise_ms)
        return level_shape(traces[-1], traces, windows, None), traces[-1]

    return test


def buffers(rng, *sweeps, wave=0.0):
    return [
        Buffers(*(simulate_average("Q33", n // 2, 2, seed=rng) + wave), n // 2, n // 2, AXIS)
        for n in sweeps
    ]


@pytest.mark.parametrize("make", ["buffers", "averages"])
def test_noise_is_found_at_the_nominal_rate(make, tested) -> None:
    """Two replicates of 2000 sweeps of Q33, as A and B or as averages alone."""
    rng = np.random.default_rng(31)
    n_runs = 250
    p = np.empty(n_runs)
    for run in range(n_runs):
        if make == "buffers":
            data = buffers(rng, 2000, 2000)
        else:
            data = [Average(x, 2000, AXIS) for x in simulate_average("Q33", 2000, 2, seed=rng)]
        p[run] = tested(*data)[0].pvalue
    for alpha in (0.05, 0.2, 0.5):
        rate = stats.binomtest(int(np.sum(p <= alpha)), n_runs).proportion_ci(0.95)
        assert rate.low <= 1.2 * alpha
        assert rate.high >= 0.8 * alpha


def test_a_clear_response_is_found(tested) -> None:
    found, _ = tested(*buffers(np.random.default_rng(32), 2000, 2000, wave=WAVE))
    assert found.pvalue < 0.002
    assert found.method == "2 noise-only traces of the recordings"


def test_sweeps_are_tested_as_the_arithmetic_does(tested) -> None:
    sweeps = simulate_noise("Q33", 1000, seed=33) + WAVE / 2
    found, combined = tested(Sweeps(sweeps, AXIS))
    direct = shape_test(
        sweeps.mean(axis=0), AXIS.times_ms, WINDOWS.response_ms, sweeps, clean_ms=WINDOWS.noise_ms
    )
    # 50 blocks here, 60 there, and there the size is that of the residual noise.
    assert found.statistic == pytest.approx(direct.statistic, rel=0.05)
    assert combined.noise.method == "sweeps"
    assert "noise-only traces" in found.method


def test_replicates_of_unlike_noise_are_tested_in_what_their_weights_leave(tested) -> None:
    """A loud replicate, weighed down: the noise is that of the weighted mean, not of the counts."""
    quiet = simulate_noise("Q33", 600, seed=34) + WAVE
    loud = 5 * simulate_noise("Q33", 600, seed=35) + WAVE
    both, combined = tested(Sweeps(quiet, AXIS), Sweeps(loud, AXIS))
    alone, _ = tested(Sweeps(quiet, AXIS))
    assert combined.weighting == "inverse-variance"
    # 1/25 of weight 1/26: nothing but the quiet one is left, so z is that of it alone.
    assert both.statistic == pytest.approx(alone.statistic, rel=0.2)


def test_what_cannot_be_tested_says_why(tested) -> None:
    nothing, _ = tested(Average(simulate_average("Q33", 2000, 1, seed=36)[0], 2000, AXIS))
    assert math.isnan(nothing.pvalue)
    assert nothing.note == "no shape test: nothing tells the noise of the combined trace"
    flat, _ = tested(Buffers(WAVE, WAVE, 1000, 1000, AXIS))
    assert "nothing varies" in flat.note
    narrow = replace(WINDOWS, response_ms=(8.0, 9.0))
    short, _ = tested(*buffers(np.random.default_rng(37), 2000), windows=narrow)
    assert "no room" in short.note
    assert math.isnan(short.statistic)
