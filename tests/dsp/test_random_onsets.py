"""Random onsets against a loop that is written out, and rates in noise that goes on and on."""

import math
import tracemalloc

import numpy as np
import pytest
from scipy import stats

from waveworks.dsp.fstats import f_statistic
from waveworks.dsp.random_onsets import random_onset_test
from waveworks.errors import DataError
from waveworks.simulate.noise import simulate_noise
from waveworks.simulate.response import response

PERIOD, WINDOW = 300, 145
"""A stimulus every 25 ms at 12 kHz, a window of 12 ms from 5 ms on."""


def onsets_of(n_onsets):
    return 60 + PERIOD * np.arange(n_onsets)


def noise(kind, n_onsets, seed, amplitude_nv=0.0):
    """A recording of noise with a response, if any, after each stimulus."""
    sweeps = simulate_noise(kind, n_onsets, seed=seed)
    if amplitude_nv:
        sweeps = sweeps + response(np.arange(PERIOD) / 12, 8.0, amplitude_nv)
    return sweeps.ravel()


def anova_f(sweeps):
    """Fmp by scipy: the one-way analysis of variance with the time points as groups."""
    return stats.f_oneway(*sweeps.T).statistic


def largest(averages):
    return averages.max(axis=1)


def cut(signal, starts, size):
    return np.array([signal[start : start + size] for start in starts])


# --- by another road -----------------------------------------------------------------------------


@pytest.mark.parametrize("offset", [0.0, 1e5])
@pytest.mark.parametrize(
    ("statistic", "of_sweeps"),
    [(None, anova_f), (largest, lambda sweeps: sweeps.mean(axis=0).max())],
)
def test_a_loop_written_out(statistic, of_sweeps, offset):
    """300 draws of 7 onsets from 10 to a window before the end, each cut and averaged alone."""
    signal = np.random.default_rng(1).standard_normal(200) + offset
    onsets = [3, 20, 31, 55, 100, 141, 196]
    draws = np.random.default_rng(2).integers(197, size=(300, 7))
    values = [of_sweeps(cut(signal, starts, 4)) for starts in draws]
    observed = of_sweeps(cut(signal, onsets, 4))
    found = random_onset_test(signal, onsets, 4, n_draws=300, seed=2, statistic=statistic)
    assert found.statistic == pytest.approx(observed, rel=1e-8)
    assert found.pvalue == (np.sum(np.array(values) >= observed) + 1) / 301
    assert found.n_draws == 300


def test_the_statistic_is_that_of_the_sweeps():
    signal, onsets = noise("Q33", 80, seed=3) + 5e4, onsets_of(80)
    found = random_onset_test(signal, onsets, WINDOW, n_draws=1, seed=1)
    expected = f_statistic(cut(signal, onsets, WINDOW)).statistic
    assert found.statistic == pytest.approx(expected, rel=1e-9)


def test_more_windows_than_are_held_at_once(monkeypatch):
    signal, onsets = noise("W", 60, seed=4), onsets_of(60)
    whole = random_onset_test(signal, onsets, WINDOW, n_draws=50, seed=1)
    monkeypatch.setattr("waveworks.dsp.random_onsets.SAMPLES_AT_ONCE", 7 * WINDOW)
    monkeypatch.setattr("waveworks.dsp.random_onsets.DRAWS_AT_ONCE", 3)
    parts = random_onset_test(signal, onsets, WINDOW, n_draws=50, seed=1)
    assert parts.statistic == pytest.approx(whole.statistic, rel=1e-12)
    assert parts.pvalue == whole.pvalue


def test_memory_does_not_grow_with_draws_times_onsets():
    """All windows of 400 draws of 1000 onsets would fill 464 MB; the recording fills 2.4 MB."""
    signal, onsets = noise("W", 1000, seed=5), onsets_of(1000)
    tracemalloc.start()
    random_onset_test(signal, onsets, WINDOW, n_draws=400, seed=1)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 30e6


# --- rate and power ------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["W", "Q33"])
def test_rate_in_continuous_noise(kind):
    """p is uniform: 800 recordings of 120 sweeps, 99.9 % binomial limits."""
    rng = np.random.default_rng(6)
    found = np.array(
        [
            random_onset_test(
                noise(kind, 120, rng), onsets_of(120), WINDOW, n_draws=99, seed=rng
            ).pvalue
            for _ in range(800)
        ]
    )
    for level in (0.5, 0.05, 0.01):
        interval = stats.binomtest(int(np.sum(found <= level)), 800).proportion_ci(0.999)
        assert interval.low <= level <= interval.high


def test_a_clear_response_is_found_and_only_where_it_is():
    signal, onsets = noise("Q33", 800, seed=7, amplitude_nv=400.0), onsets_of(800)
    found = random_onset_test(signal, onsets, WINDOW, n_draws=199, seed=1)
    assert found.pvalue == pytest.approx(1 / 200)
    anywhere = np.cumsum(np.random.default_rng(8).integers(WINDOW, PERIOD, 800))
    assert random_onset_test(signal, anywhere, WINDOW, n_draws=199, seed=1).pvalue > 0.01


def test_the_seed_decides():
    signal, onsets = noise("Q33", 60, seed=9), onsets_of(60)
    first = random_onset_test(signal, onsets, WINDOW, n_draws=99, seed=5)
    assert random_onset_test(signal, onsets, WINDOW, n_draws=99, seed=5) == first
    moved = np.random.default_rng(5)
    again = [random_onset_test(signal, onsets, WINDOW, n_draws=99, seed=moved) for _ in range(9)]
    assert again[0] == first
    assert len({found.pvalue for found in again}) > 1
    assert (
        random_onset_test(signal, onsets[::-1], WINDOW, n_draws=99, seed=5).pvalue == first.pvalue
    )


def test_read_only_and_strided_input():
    signal, onsets = noise("W", 60, seed=10), onsets_of(60)
    wide = np.repeat(signal, 2)
    wide.setflags(write=False)
    expected = random_onset_test(signal, onsets, WINDOW, n_draws=20, seed=1)
    assert random_onset_test(wide[::2], onsets, WINDOW, n_draws=20, seed=1) == expected


# --- what is refused -----------------------------------------------------------------------------


def test_a_recording_that_is_too_short():
    signal = np.random.default_rng(1).standard_normal(499)
    with pytest.raises(
        DataError,
        match=r"499 samples hold 49 windows of 10 samples; .* at least 50 windows, 500 samples",
    ):
        random_onset_test(signal, [0, 20], 10)
    assert random_onset_test(np.append(signal, 0.0), [0, 490], 10, n_draws=9, seed=1).n_draws == 9


@pytest.mark.parametrize(
    ("onsets", "message"),
    [
        ([5], "onsets: 1 given, at least 2 needed"),
        ([5, 991], "window at sample 991 does not lie inside the recording; .* from 0 to 990 do"),
        ([-1, 5], "window at sample -1 does not lie inside"),
        ([5, 1e300], "does not lie inside"),
        ([5, 20.5], "20.5 is no sample"),
        ([5, 50, 5], "sample 5 is given twice"),
        ([5, 50, math.nan], "not a finite number"),
        ([[5, 50]], "2 dimensions given, 1 needed"),
        ([5, 13], r"2 windows of 10 samples overlap by 10% of their length on average, at most 5%"),
    ],
)
def test_onsets_that_cannot_be(onsets, message):
    with pytest.raises(DataError, match=message):
        random_onset_test(np.random.default_rng(1).standard_normal(1000), onsets, 10)


def test_few_windows_may_overlap_a_little():
    signal = np.random.default_rng(1).standard_normal(1000)
    assert random_onset_test(signal, [5, 14, 50], 10, n_draws=9, seed=1).n_draws == 9


@pytest.mark.parametrize("statistic", [None, largest])
def test_identical_windows(statistic):
    wave = np.tile(np.sin(np.arange(20)), 40) + 0.1
    with pytest.raises(DataError, match="the 3 windows at the onsets are identical"):
        random_onset_test(wave, [20, 60, 100], 10, statistic=statistic)


def test_numbers_that_cannot_be():
    signal = np.random.default_rng(1).standard_normal(1000)
    with pytest.raises(DataError, match="n_draws is 0; it must be a whole number from 1"):
        random_onset_test(signal, [5, 50], 10, n_draws=0)
    with pytest.raises(DataError, match="n_samples is 1; it must be a whole number from 2"):
        random_onset_test(signal, [5, 50], 1)
    with pytest.raises(DataError, match="signal: value at index"):
        random_onset_test(np.append(signal, math.inf), [5, 50], 10)
    with pytest.raises(DataError, match="one value each, shape"):
        random_onset_test(signal, [5, 50], 10, statistic=lambda averages: averages)
    with pytest.raises(DataError, match="seed is 'x'"):
        random_onset_test(signal, [5, 50], 10, seed="x")


def test_a_draw_without_noise_counts_as_large():
    """Where most of the recording is flat many draws have no scatter at all."""
    signal = np.zeros(1000)
    signal[:40] = np.random.default_rng(1).standard_normal(40)
    assert random_onset_test(signal, [0, 20], 10, n_draws=99, seed=1).pvalue > 0.5
