"""Suggested marks against hand-worked values, noiseless truth and properties."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from waveworks.dsp.peaks import SMOOTHING_MS, parabola_peak, suggest_marks
from waveworks.errors import DataError
from waveworks.simulate.noise import simulate_average
from waveworks.simulate.response import response, true_sn10_ms, true_v_ms

TIMES_MS = np.arange(300) / 12
WINDOW_MS = (6.5, 12.0)
NUMBERS = (
    "v_ms",
    "v_se_ms",
    "sn10_ms",
    "sn10_se_ms",
    "v_sn10_nv",
    "v_sn10_se_nv",
    "v_sn10_corrected_nv",
    "confidence",
)


def wave(latency_ms, amplitude_nv=100.0):
    return response(TIMES_MS, latency_ms, amplitude_nv)


def marks(trace, rn_nv=5.0, window_ms=WINDOW_MS, times_ms=TIMES_MS, **options):
    return suggest_marks(trace, times_ms, rn_nv, window_ms, **options)


def noisy_pair(seed=1, amplitude_nv=150.0):
    """Return two replicates of 1500 sweeps."""
    return simulate_average("Q33", 1500, 2, seed=seed) + wave(9.0, amplitude_nv)


def assert_none(found, *words):
    assert [name for name in NUMBERS if not math.isnan(getattr(found, name))] == []
    for word in words:
        assert word in found.note


# --- parabola ------------------------------------------------------------------------------------


def test_parabola_worked_by_hand():
    peak = parabola_peak(0.2, 0.5, 0.4)
    assert peak.offset_samples == pytest.approx(0.25)
    assert peak.height == pytest.approx(0.5125)


@given(st.floats(-0.49, 0.49), st.floats(-100, 100), st.floats(0.1, 10))
def test_parabola_is_exact_for_a_parabola_either_way_up(vertex, height, bend):
    for sign in (1, -1):
        values = [height - sign * bend * (x - vertex) ** 2 for x in (-1, 0, 1)]
        peak = parabola_peak(*values)
        assert peak.offset_samples == pytest.approx(vertex, abs=1e-9)
        assert peak.height == pytest.approx(height, abs=1e-9)


# --- without noise: the truth is known -----------------------------------------------------------


@pytest.mark.parametrize("latency_ms", [7.6, 8.0, 8.37, 9.03, 10.0, 10.5, 11.21])
def test_latency_of_a_noiseless_response_is_found_between_the_samples(latency_ms):
    """A sample is 0.083 ms. Smoothing moves the lopsided peak by 0.016 ms, the parabola by less."""
    found = marks(wave(latency_ms))
    assert found.v_ms == pytest.approx(true_v_ms(latency_ms), abs=0.02)
    assert found.sn10_ms == pytest.approx(true_sn10_ms(latency_ms), abs=0.02)


def test_shift_of_v_is_what_smoothing_a_lopsided_peak_does():
    """On a fine grid, smoothed by a fourth-order Gaussian written out here."""
    fine_ms = np.arange(0, 25, 0.001)
    u = np.arange(-2.5, 2.5005, 0.001) / SMOOTHING_MS
    kernel = (3 - u**2) * np.exp(-0.5 * u**2)
    smooth = np.convolve(response(fine_ms, 9.0, 100.0), kernel / kernel.sum(), mode="same")
    expected_ms = fine_ms[smooth[7000:11000].argmax() + 7000]
    assert marks(wave(9.0)).v_ms == pytest.approx(expected_ms, abs=0.003)
    assert 0.005 < true_v_ms(9.0) - expected_ms < 0.02


def test_amplitude_is_that_of_the_trace_as_given():
    """Straight lines between samples lose at most step^2 / 8 times the curvature, 0.2 nV."""
    assert marks(wave(9.03)).v_sn10_nv == pytest.approx(100.0, abs=0.3)


def test_little_noise_means_a_small_picking_bias_and_high_confidence():
    found = marks(wave(9.0), rn_nv=0.5)
    assert found.v_sn10_corrected_nv == pytest.approx(found.v_sn10_nv, abs=0.5)
    assert found.confidence > 0.99


# --- properties ----------------------------------------------------------------------------------


@pytest.mark.parametrize("shift_ms", [-3.0, 0.37, 12.0])
def test_times_and_window_shifted_together_shift_the_latencies_only(shift_ms):
    pair = noisy_pair()
    here = marks(pair.mean(axis=0), math.nan, replicates=pair)
    window_ms = (WINDOW_MS[0] + shift_ms, WINDOW_MS[1] + shift_ms)
    there = marks(pair.mean(axis=0), math.nan, window_ms, TIMES_MS + shift_ms, replicates=pair)
    assert there.v_ms - here.v_ms == pytest.approx(shift_ms)
    assert there.sn10_ms - here.sn10_ms == pytest.approx(shift_ms)
    for name in NUMBERS:
        if name not in ("v_ms", "sn10_ms"):
            assert getattr(there, name) == pytest.approx(getattr(here, name), rel=1e-6)


def test_everything_scaled_scales_amplitudes_only():
    pair = noisy_pair()
    once = marks(pair.mean(axis=0), 15.0, replicates=pair)
    thrice = marks(3 * pair.mean(axis=0), 45.0, replicates=3 * pair)
    for name in NUMBERS:
        factor = 3 if name.endswith("_nv") else 1
        assert getattr(thrice, name) == pytest.approx(factor * getattr(once, name))


def test_an_offset_changes_nothing():
    pair = noisy_pair()
    here = marks(pair.mean(axis=0), 15.0, replicates=pair)
    there = marks(pair.mean(axis=0) + 500, 15.0, replicates=pair + 500)
    for name in NUMBERS:
        assert getattr(there, name) == pytest.approx(getattr(here, name))


def test_the_same_input_gives_the_same_answer_and_is_left_alone():
    pair = noisy_pair()
    trace = pair.mean(axis=0)
    strided = np.repeat(trace, 2)[::2]
    for array in (pair, trace, strided):
        array.setflags(write=False)
    before = trace.copy()
    assert marks(trace, 15.0, replicates=pair) == marks(strided, 15.0, replicates=pair)
    assert_array_equal(trace, before)


# --- standard errors, by an independent road -----------------------------------------------------


def test_standard_errors_in_white_noise_are_those_of_the_formula():
    """So strong that noise moves the peaks and never chooses between them: then the errors of
    picking again are the slope's SD over the curvature, both known by hand for white noise.
    """
    large_nv = 2000.0
    sd_nv, step_ms = 8.0, 1 / 12
    noise = sd_nv * np.random.default_rng(4).standard_normal((400, 300))
    found = marks(wave(9.0, large_nv), sd_nv, noise=noise)
    lags_ms = np.arange(-30, 31) * step_ms
    kernel = (3 - (lags_ms / SMOOTHING_MS) ** 2) * np.exp(-0.5 * (lags_ms / SMOOTHING_MS) ** 2)
    kernel /= kernel.sum()
    slope_sd = sd_nv * np.sqrt(np.sum((kernel[2:] - kernel[:-2]) ** 2)) / (2 * step_ms)
    fine_ms = np.arange(-600, 601) * 0.01
    weights = (3 - (fine_ms / SMOOTHING_MS) ** 2) * np.exp(-0.5 * (fine_ms / SMOOTHING_MS) ** 2)
    weights /= weights.sum()
    for name, at_ms in (("v_se_ms", found.v_ms), ("sn10_se_ms", found.sn10_ms)):
        low, middle, high = (
            float(np.sum(weights * response(at_ms + d - fine_ms, 9.0, large_nv)))
            for d in (-0.05, 0, 0.05)
        )
        curvature = abs(low - 2 * middle + high) / 0.05**2
        # The SD of 400 independent pairs of draws has a standard error of 3.5 %.
        assert getattr(found, name) == pytest.approx(slope_sd / curvature, rel=0.105)
    # Straight lines between samples average a little: between sqrt(1) and sqrt(2) samples apart.
    assert sd_nv <= found.v_sn10_se_nv <= 1.105 * sd_nv * math.sqrt(2)


def test_latency_error_falls_with_the_amplitude():
    """In proportion, while noise is small enough for the peak to be a parabola."""
    weak, strong = (marks(wave(9.0, a), 0.5) for a in (100.0, 200.0))
    assert weak.v_se_ms / strong.v_se_ms == pytest.approx(2, rel=0.01)


def test_a_second_peak_of_nearly_the_same_size_is_part_of_the_error():
    """A coin tossed between hills 1.8 ms apart has an SD of 0.9 ms; no curvature shows it."""
    hills, trough = (
        sum(np.exp(-0.5 * ((TIMES_MS - at_ms) / sd_ms) ** 2) for at_ms in places)
        for sd_ms, places in ((0.4, (8.0, 9.8)), (1.0, (12.8,)))
    )
    found = marks(100 * (hills - trough), 8.0)
    assert len(found.others) == 2
    assert found.v_se_ms == pytest.approx(0.9, rel=0.05)


# --- no mark -------------------------------------------------------------------------------------


def test_flat_trace():
    assert_none(marks(np.full(300, 7.0)), "flat")


def test_weak_evidence_leaves_the_candidate():
    found = marks(wave(9.0, 20.0), rn_nv=20.0)
    assert_none(found, "noise")
    assert found.others[0].v_ms == pytest.approx(true_v_ms(9.0), abs=0.02)
    assert found.others[0].v_sn10_nv == pytest.approx(20.0, rel=0.06)  # smoothed


def test_a_response_in_one_replicate_only_is_no_response():
    noise = simulate_average("Q33", 40_000, 2, seed=5)
    pair = noise + np.array([wave(9.0, 200.0), np.zeros(300)])
    found = marks(pair.mean(axis=0), 3.0, replicates=pair)
    assert_none(found, "replicate 2")
    assert found.others[0].v_ms == pytest.approx(true_v_ms(9.0), abs=0.1)
    both = noise + wave(9.0, 100.0)
    assert not math.isnan(marks(both.mean(axis=0), 3.0, replicates=both).v_ms)


@pytest.mark.parametrize("latency_ms", [7.6, 8.0, 8.5, 9.0, 9.5, 10.0, 10.5])
@pytest.mark.parametrize("stop_ms", [12.0, 14.0])
def test_an_upside_down_response_is_not_marked(latency_ms, stop_ms):
    """Whether SN10, now a hill, lies in the V window or not."""
    found = marks(-wave(latency_ms), 5.0, (6.5, stop_ms))
    assert_none(found, "polarity")


def test_a_trace_that_only_falls_has_no_peak():
    assert_none(marks(-10.0 * TIMES_MS), "no positive peak")


def test_without_any_noise_estimate():
    assert_none(marks(wave(9.0), math.nan), "no noise estimate")
    assert_none(marks(wave(9.0), 0.0), "no noise estimate")
    twice = np.array([wave(9.0)] * 2)
    assert_none(marks(wave(9.0), math.nan, replicates=twice), "no noise estimate")


def test_weaker_peaks_are_listed_best_first():
    trace = wave(8.0) + 40 * np.exp(-0.5 * ((TIMES_MS - 10.0) / 0.3) ** 2)
    found = marks(trace, 3.0)
    heights = [candidate.v_sn10_nv for candidate in found.others]
    assert heights == sorted(heights, reverse=True)
    assert any(abs(candidate.v_ms - 10.0) < 0.2 and candidate.lost for candidate in found.others)
    assert found.v_ms == pytest.approx(true_v_ms(8.0), abs=0.03)


def test_sn10_that_is_no_turning_point_has_no_error():
    found = marks(wave(9.0), 5.0, sn10_after_ms=(1.5, 2.0))
    assert found.v_ms == pytest.approx(true_v_ms(9.0), abs=0.02)
    assert math.isnan(found.sn10_se_ms)
    assert "turning point" in found.note


# --- where the noise comes from ------------------------------------------------------------------


def test_the_method_names_the_noise():
    pair = noisy_pair()
    trace, half = pair.mean(axis=0), (pair[0] - pair[1]) / 2
    assert "1/f" in marks(trace, 15.0).method
    assert "replicates" in marks(trace, 15.0, replicates=pair).method
    assert "noise given" in marks(trace, 15.0, replicates=pair, noise=[half]).method


def test_half_difference_and_its_replicates_are_one_noise():
    pair = noisy_pair()
    half = (pair[0] - pair[1]) / 2
    by_pair = marks(pair.mean(axis=0), math.nan, replicates=pair)
    by_noise = marks(pair.mean(axis=0), math.nan, replicates=pair, noise=[half])
    for name in NUMBERS:
        assert getattr(by_noise, name) == pytest.approx(getattr(by_pair, name))


@pytest.mark.parametrize("n_replicates", [2, 3, 5])
def test_replicates_give_the_noise_of_their_mean(n_replicates):
    """White noise: the amplitude's error follows the SD of the mean, 60 / sqrt(n) nV."""
    rng = np.random.default_rng(8)
    errors = []
    for _ in range(20):
        traces = 60 * rng.standard_normal((n_replicates, 300)) + wave(9.0, 900.0)
        errors.append(marks(traces.mean(axis=0), math.nan, replicates=traces).v_sn10_se_nv)
    known = 60 * rng.standard_normal((300, 300)) / math.sqrt(n_replicates)
    reference = marks(wave(9.0, 900.0), math.nan, noise=known).v_sn10_se_nv
    assert np.median(errors) == pytest.approx(reference, rel=0.15)


# --- bad input -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"trace": np.full(300, np.nan)}, "nan"),
        ({"trace": np.zeros((2, 300))}, "dimensions"),
        ({"trace": np.zeros(299)}, "299"),
        ({"trace": np.zeros(5), "times_ms": np.arange(5.0)}, "5 samples"),
        ({"times_ms": TIMES_MS**2}, "evenly"),
        ({"times_ms": TIMES_MS[::-1]}, "evenly"),
        ({"v_window_ms": (12.0, 6.5)}, "start"),
        ({"v_window_ms": (6.5, math.nan)}, "nan"),
        ({"v_window_ms": (-2.0, 6.5)}, "inside"),
        ({"v_window_ms": (6.5, 26.0)}, "inside"),
        ({"v_window_ms": (24.0, 24.9)}, "SN10"),
        ({"sn10_after_ms": (6.0, 1.5)}, "sn10_after_ms"),
        ({"sn10_after_ms": (0.0, 1.5)}, "sn10_after_ms"),
        ({"rn_nv": -1.0}, "-1 nV"),
        ({"rn_nv": math.inf}, "inf nV"),
        ({"noise_rate": 0.0}, "noise_rate"),
        ({"noise_rate": 1.0}, "noise_rate"),
        ({"replicates": np.zeros((2, 299))}, "299"),
        ({"noise": np.zeros((1, 301))}, "301"),
        ({"noise": np.full((1, 300), np.inf)}, "inf"),
    ],
)
def test_bad_input_is_told_in_one_line(change, words):
    arguments = {
        "trace": wave(9.0),
        "times_ms": TIMES_MS,
        "rn_nv": 5.0,
        "v_window_ms": WINDOW_MS,
    } | change
    with pytest.raises(DataError, match=words) as caught:
        suggest_marks(**arguments)
    assert "\n" not in str(caught.value)
