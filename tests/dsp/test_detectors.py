"""Detectors at several looks: each look is the test of the first sweeps, and the rate holds."""

import numpy as np
import pytest
from scipy import stats

from waveworks.dsp.detectors import DETECTORS, detector, fmp_limits
from waveworks.dsp.fstats import f_statistic
from waveworks.dsp.group_sequential import sequential_limits
from waveworks.dsp.hotelling import epoch_blocks, hotelling_t2, time_voltage_means
from waveworks.dsp.looks import first_look, levels_from_paths, quadratic_p_paths
from waveworks.errors import DataError
from waveworks.simulate.noise import simulate_noise
from waveworks.simulate.response import response

WINDOW = slice(60, 205)
STEP_MS = 1 / 12
TIMES_MS = np.arange(300) / 12


def recording(n_sweeps, seed, amplitude_nv=0.0, kind="Q33"):
    wave = response(TIMES_MS, 8.0, amplitude_nv)
    return (simulate_noise(kind, n_sweeps, seed=seed) + wave)[:, WINDOW]


@pytest.mark.parametrize("name", DETECTORS)
def test_each_look_is_the_test_of_the_sweeps_so_far(name):
    sweeps = recording(900, 1, 150.0)
    at_looks = detector(name).looks(sweeps, [300, 600, 900], step_ms=STEP_MS)
    for look, n in enumerate((300, 600, 900)):
        alone = detector(name).looks(sweeps[:n], [n], step_ms=STEP_MS)
        assert at_looks.statistic[look] == alone.statistic[0]
        assert at_looks.pvalue[look] == alone.pvalue[0]
    assert (at_looks.pvalue > 0).all()
    assert (at_looks.pvalue <= 1).all()


def test_both_f_are_those_of_the_f_statistic():
    sweeps = recording(500, 2, 100.0)
    found = f_statistic(sweeps)
    calibrated, customary = (
        detector(name).looks(sweeps, [500]) for name in ("calibrated-f", "customary-f")
    )
    assert calibrated.statistic[0] == pytest.approx(found.statistic, rel=1e-12)
    assert calibrated.pvalue[0] == pytest.approx(found.pvalue, rel=1e-12)
    assert customary.pvalue[0] == pytest.approx(stats.f.sf(found.statistic, 5, 250), rel=1e-9)


def test_a_look_that_is_too_early_is_no_look():
    sweeps = recording(200, 3)
    found = detector("hotelling-t2").looks(sweeps, [5, 200])
    assert np.isnan(found.pvalue[0])
    assert found.pvalue[1] > 0
    with pytest.raises(DataError, match="more epochs than"):
        detector("hotelling-t2").looks(sweeps, [5, 8])


def test_levels_are_lowered_for_looks_but_not_those_of_the_customary_rule():
    sweeps = recording(1000, 4)
    looks = 200 * np.arange(1, 6)
    pocock = 2 * stats.norm.sf(sequential_limits(5, 0.05, "pocock")[0])
    for name in DETECTORS:
        assert detector(name).levels(sweeps, [1000], 0.05, step_ms=STEP_MS).tolist() == [0.05]
        levels = detector(name).levels(sweeps, looks, 0.05, step_ms=STEP_MS)
        if name == "customary-f":
            assert levels.tolist() == [0.05] * 5
        else:
            # More components lower it by up to a tenth: .01454 for ten, .01581 for one.
            assert 0.85 * pocock < levels[0] < 1.05 * pocock


def test_several_looks_find_noise_at_the_overall_rate():
    """The calibrated F, 5 %, five looks; uncorrected they would find it in more than 10 %."""
    n_runs, looks = 300, 100 * np.arange(1, 6)
    one = detector("calibrated-f")
    levels = one.levels(recording(500, 5), looks, 0.05)
    rng = np.random.default_rng(6)
    pvalues = np.array([one.looks(recording(500, rng), looks).pvalue for _ in range(n_runs)])
    rate = stats.binomtest(int(np.sum(first_look(pvalues, levels) >= 0)), n_runs)
    assert rate.proportion_ci(0.95).low <= 1.2 * 0.05
    assert rate.proportion_ci(0.95).high >= 0.025
    uncorrected = int(np.sum(first_look(pvalues, np.full(5, 0.05)) >= 0))
    assert stats.binomtest(uncorrected, n_runs).proportion_ci(0.95).high > 0.1


@pytest.mark.parametrize(
    ("looks", "words"),
    [([600], "the last look is at 600 sweeps; there are 500"), ([300, 200], "that rise")],
)
def test_impossible_looks_are_told(looks, words):
    with pytest.raises(DataError, match=words):
        detector("calibrated-f").looks(recording(500, 7), looks)


def test_an_unknown_test_is_told_with_those_that_there_are():
    with pytest.raises(DataError, match="'f-test'; it must be one of 'calibrated-f'"):
        detector("f-test")
    with pytest.raises(DataError, match="alpha is 2"):
        detector("calibrated-f").levels(recording(500, 8), [500], 2.0)


@pytest.mark.parametrize(("kind", "told"), [("B", True), ("D", False), ("Q33", False)])
@pytest.mark.parametrize("name", ["hotelling-t2", "calibrated-f"])
def test_where_bursts_make_a_test_too_careful_it_says_so(name, kind, told):
    for seed in range(53, 63):
        sweeps = simulate_noise(kind, 300, seed=seed)[:, 60:205]
        note = detector(name).looks(sweeps, [300]).note
        assert (f"do not use {name} here" in note) is told


def test_a_tiny_alpha_is_refused_where_levels_are_counted():
    sweeps = simulate_noise("W", 100, seed=54)[:, 60:205]
    with pytest.raises(DataError, match=r"alpha is 1e-06; with several looks .* 0\.0005"):
        detector("calibrated-f").levels(sweeps, [50, 100], 1e-6)
    assert detector("calibrated-f").levels(sweeps, [100], 1e-6) == pytest.approx([1e-6])


@pytest.mark.parametrize("name", DETECTORS)
@pytest.mark.parametrize("offset_nv", [0.0, 5000.0])
def test_identical_sweeps_are_no_evidence(name, offset_nv):
    wave = 100 * np.sin(np.arange(145) / 9)
    sweeps = np.tile(wave, (300, 1)) + offset_nv * np.arange(300)[:, np.newaxis] / 7
    with pytest.raises(DataError, match="the 300 sweeps are identical, but for an offset each"):
        detector(name).looks(sweeps, [100, 300], step_ms=1 / 12)


@pytest.mark.parametrize("name", DETECTORS)
def test_a_first_look_at_identical_sweeps_has_no_p(name):
    """The same sweep a hundred times, as a stuck buffer gives it, and then real ones."""
    sweeps = simulate_noise("W", 400, seed=55)[:, 60:205]
    sweeps[:100] = sweeps[0]
    found = detector(name).looks(sweeps, [100, 400], step_ms=1 / 12)
    assert np.isnan(found.pvalue[0]) or found.pvalue[0] > 0.05
    assert np.isfinite(found.pvalue[1])


def test_one_sample_is_refused_by_every_test():
    sweeps = simulate_noise("W", 400, seed=56)[:, :1]
    for name in DETECTORS:
        with pytest.raises(DataError):
            detector(name).looks(sweeps, [400], step_ms=1 / 12)


@pytest.mark.parametrize("kind", ["constant", "obrien-fleming"])
def test_fmp_meets_its_limit_where_p_meets_its_level(kind):
    wave = response(np.arange(300) / 12, 8.0, 120.0)
    sweeps = (simulate_noise("Q33", 2000, seed=57) + wave)[:, 60:205]
    looks = 200 * np.arange(1, 11)
    test = detector("calibrated-f")
    levels = test.levels(sweeps, looks, 0.01, kind)
    limits = fmp_limits(sweeps, looks, levels)
    found = test.looks(sweeps, looks)
    met = found.statistic >= limits
    assert list(met) == list(found.pvalue <= levels)
    assert met.any()
    assert not met.all()


def test_fmp_limits_without_a_level_or_without_noise():
    sweeps = simulate_noise("W", 300, seed=58)[:, 60:205]
    sweeps[:100] = sweeps[0]
    limits = fmp_limits(sweeps, [100, 200, 300], [0.01, 0.0, 0.01])
    assert np.isnan(limits[0])
    assert limits[1] == np.inf
    assert 1 < limits[2] < np.inf
    for looks, levels in (([100, 400], [0.01, 0.01]), ([100, 200], [0.01]), ([100], [1.0])):
        with pytest.raises(DataError):
            fmp_limits(sweeps, looks, levels)


def test_the_bins_of_t2_are_a_setting():
    sweeps = simulate_noise("Q33", 400, seed=59)[:, 60:205]
    six = detector("hotelling-t2", n_bins=6)
    means = time_voltage_means(epoch_blocks(sweeps, 10), 6)
    assert six.looks(sweeps, [400]).pvalue[0] == pytest.approx(hotelling_t2(means).pvalue)
    assert "6 time-voltage means" in six.words
    # Fewer components: their looks depend on each other as those of five, not of eleven.
    looks = [100, 200, 300, 400]
    paths = quadratic_p_paths(np.ones(5), looks, 20_000, seed=4711)
    level = levels_from_paths(paths, looks, 0.05)
    assert list(six.levels(sweeps, looks, 0.05)) == list(level)
    assert list(detector("hotelling-t2").levels(sweeps, looks, 0.05)) != list(level)
    with pytest.raises(DataError, match="n_bins is 1"):
        detector("hotelling-t2", n_bins=1)
