"""Suggested marks against hand-worked values, noiseless truth and properties."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from waveworks.dsp.peaks import WaveShape, parabola_peak, suggest_marks, suggest_series
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
    "v_sn10_corrected_se_nv",
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
    """A sample is 0.083 ms, a latency of the fit 0.1 ms."""
    found = marks(wave(latency_ms))
    assert found.v_ms == pytest.approx(true_v_ms(latency_ms), abs=0.02)
    assert found.sn10_ms == pytest.approx(true_sn10_ms(latency_ms), abs=0.08)


@pytest.mark.parametrize("factor", [0.8, 1.15])
def test_latency_of_a_shape_between_those_of_the_bank(factor):
    """Widths and lag as no shape of the bank has them: V within 0.05 ms, SN10 within 0.3 ms."""
    fine_ms = np.arange(0, 25, 0.001)

    def drawn(times_ms):
        v = np.exp(-0.5 * ((times_ms - 9.0) / (0.6 * factor)) ** 2)
        sn10 = np.exp(-0.5 * ((times_ms - 9.0 - 3.2 * factor) / (1.5 * factor)) ** 2)
        return 120 * (v - 1.1 * sn10)

    found = marks(drawn(TIMES_MS))
    fine = drawn(fine_ms)
    assert found.v_ms == pytest.approx(fine_ms[fine.argmax()], abs=0.05)
    assert found.sn10_ms == pytest.approx(fine_ms[fine.argmin()], abs=0.3)
    assert found.v_sn10_corrected_nv == pytest.approx(np.ptp(fine), rel=0.05)


def test_amplitude_is_that_of_the_trace_as_given():
    """Straight lines between samples lose at most step^2 / 8 times the curvature, 0.2 nV."""
    assert marks(wave(9.03)).v_sn10_nv == pytest.approx(100.0, abs=0.5)


def test_little_noise_means_a_small_picking_bias_and_high_confidence():
    found = marks(wave(9.0), rn_nv=0.5)
    assert found.v_sn10_corrected_nv == pytest.approx(found.v_sn10_nv, abs=0.5)
    assert found.confidence > 0.99
    assert found.pvalue < 0.001


# --- properties ----------------------------------------------------------------------------------


@pytest.mark.parametrize("shift_ms", [-3.0, 0.37, 12.0])
def test_times_and_windows_shifted_together_shift_the_latencies_only(shift_ms):
    pair = noisy_pair()
    here = marks(pair.mean(axis=0), math.nan, replicates=pair)
    window_ms = (WINDOW_MS[0] + shift_ms, WINDOW_MS[1] + shift_ms)
    there = marks(pair.mean(axis=0), math.nan, window_ms, TIMES_MS + shift_ms, replicates=pair)
    assert there.v_ms - here.v_ms == pytest.approx(shift_ms)
    assert there.sn10_ms - here.sn10_ms == pytest.approx(shift_ms)
    for name in NUMBERS:
        if name not in ("v_ms", "sn10_ms"):
            assert getattr(there, name) == pytest.approx(getattr(here, name), rel=1e-4)


def test_everything_scaled_scales_amplitudes_only():
    pair = noisy_pair()
    once = marks(pair.mean(axis=0), 15.0, replicates=pair)
    thrice = marks(3 * pair.mean(axis=0), 45.0, replicates=3 * pair)
    for name in NUMBERS:
        factor = 3 if name.endswith("_nv") else 1
        assert getattr(thrice, name) == pytest.approx(factor * getattr(once, name))


def test_slower_waves_on_a_slower_clock_are_the_same():
    pair = noisy_pair()
    once = marks(pair.mean(axis=0), math.nan, replicates=pair)
    slow = marks(
        pair.mean(axis=0),
        math.nan,
        (65.0, 120.0),
        10 * TIMES_MS,
        replicates=pair,
        shape=WaveShape(6.0, 15.0, 32.0),
        sn10_after_ms=(15.0, 60.0),
    )
    for name in NUMBERS:
        factor = 10 if name.endswith("_ms") else 1
        assert getattr(slow, name) == pytest.approx(factor * getattr(once, name), rel=1e-4)


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


def test_what_lies_outside_the_clean_part_changes_nothing():
    """A stimulus artefact before it, a muscle response after it."""
    pair = noisy_pair()
    dirty = pair + np.where((TIMES_MS < 1.4) | (TIMES_MS > 19.1), 5000.0, 0.0)
    here, there = (
        marks(x.mean(axis=0), math.nan, replicates=x, clean_ms=(1.5, 19.0)) for x in (pair, dirty)
    )
    for name in NUMBERS:
        assert getattr(there, name) == pytest.approx(getattr(here, name))


def test_nothing_outside_the_expected_latencies_is_marked():
    pair = noisy_pair()
    free = marks(pair.mean(axis=0), math.nan, replicates=pair)
    near = marks(pair.mean(axis=0), math.nan, replicates=pair, expected_ms=(8.0, 10.0))
    assert near.v_ms == pytest.approx(free.v_ms, abs=0.05)
    far = marks(pair.mean(axis=0), math.nan, replicates=pair, expected_ms=(10.5, 12.0))
    assert_none(far)
    assert all(10.5 <= one.v_ms <= 12.0 for one in far.others)


def test_fine_sampling_is_thinned_and_finds_the_same():
    fine_ms = np.arange(1200) / 48
    coarse, fine = (
        marks(response(times_ms, 9.03, 120.0), 5.0, times_ms=times_ms)
        for times_ms in (TIMES_MS, fine_ms)
    )
    assert fine.v_ms == pytest.approx(coarse.v_ms, abs=0.02)
    assert fine.v_sn10_corrected_nv == pytest.approx(coarse.v_sn10_corrected_nv, rel=0.01)


# --- standard errors -----------------------------------------------------------------------------


def test_the_error_of_a_clear_latency_is_the_cramer_rao_bound():
    """White noise, the shape known: sd over the root of the summed squares of the slope, offset and
    amplitude taken off. The bank does not know the shape, so its error is somewhat larger."""
    sd_nv, a_nv = 8.0, 150.0
    noise = sd_nv * np.random.default_rng(4).standard_normal((400, 300))
    found = marks(wave(9.0, a_nv), sd_nv, noise=noise, bootstrap=False)
    inside = (TIMES_MS > 5 - 1e-9) & (TIMES_MS < 17 + 1e-9)
    slope = (response(TIMES_MS, 9.01, a_nv) - response(TIMES_MS, 8.99, a_nv))[inside] / 0.02
    nuisance = np.column_stack([wave(9.0)[inside], np.ones(inside.sum())])
    left = slope - nuisance @ np.linalg.lstsq(nuisance, slope, rcond=None)[0]
    bound_ms = sd_nv / np.sqrt(np.sum(left**2))
    assert bound_ms <= found.v_se_ms <= 1.5 * bound_ms


def test_a_second_peak_of_nearly_the_same_size_is_part_of_the_error():
    """A coin tossed between two responses 2.4 ms apart; no curvature shows it."""
    both = wave(7.6, 60.0) + wave(10.0, 60.0)
    found = marks(both, 25.0, noise_rate=0.5)
    assert len(found.others) >= 2
    assert found.others[1].share > 0.1
    assert found.v_se_ms > 0.6
    assert found.confidence < 0.8


# --- no mark -------------------------------------------------------------------------------------


def test_flat_trace():
    assert_none(marks(np.full(300, 7.0)), "flat")


def test_weak_evidence_leaves_the_candidate():
    found = marks(wave(9.0, 20.0), rn_nv=20.0)
    assert_none(found, "noise")
    assert found.others[0].v_ms == pytest.approx(true_v_ms(9.0), abs=0.2)
    assert found.others[0].lost == found.note
    assert found.pvalue > 0.05


def test_a_response_in_one_replicate_only_is_no_response():
    noise = simulate_average("Q33", 40_000, 2, seed=5)
    pair = noise + np.array([wave(9.0, 200.0), np.zeros(300)])
    found = marks(pair.mean(axis=0), 3.0, replicates=pair)
    assert_none(found, "replicate 2")
    assert found.others[0].v_ms == pytest.approx(true_v_ms(9.0), abs=0.1)
    both = noise + wave(9.0, 100.0)
    assert marks(both.mean(axis=0), 3.0, replicates=both).marked


@pytest.mark.parametrize("latency_ms", [7.6, 8.0, 8.5, 9.0, 9.5, 10.0, 10.5])
@pytest.mark.parametrize("stop_ms", [12.0, 14.0])
def test_an_upside_down_response_is_not_marked(latency_ms, stop_ms):
    """Whether SN10, now a hill, lies in the V window or not."""
    found = marks(-wave(latency_ms), 5.0, (6.5, stop_ms))
    assert_none(found, "polarity")


@pytest.mark.parametrize("latency_ms", [5.9, 12.6])
def test_a_wave_beyond_the_window_is_not_marked_at_its_edge(latency_ms):
    assert_none(marks(wave(latency_ms), 3.0, response_window_ms=(3.0, 20.0)), "edge")


def test_a_muscle_response_leads_to_silence_and_a_word():
    muscle = 300 * (
        np.exp(-0.5 * ((TIMES_MS - 13.5) / 0.9) ** 2)
        - 0.8 * np.exp(-0.5 * ((TIMES_MS - 16.5) / 1.2) ** 2)
    )
    pair = simulate_average("Q33", 1500, 2, seed=6) + muscle
    found = marks(
        pair.mean(axis=0),
        math.nan,
        replicates=pair,
        response_window_ms=(5, 17),
        expected_ms=(6.5, 11.5),
    )
    assert_none(found, "muscle response or an artefact")


# --- without an idea of the noise ----------------------------------------------------------------


@pytest.mark.parametrize("rn_nv", [math.nan, 0.0])
def test_without_any_noise_estimate_there_are_plain_maxima_only(rn_nv):
    twice = np.array([wave(9.0)] * 2)
    for found in (marks(wave(9.0), rn_nv), marks(wave(9.0), rn_nv, replicates=twice)):
        assert_none(found, "no noise estimate")
        assert found.method.startswith("plain maximum")
        assert found.others[0].v_ms == pytest.approx(true_v_ms(9.0), abs=0.02)
        assert found.others[0].v_sn10_nv == pytest.approx(100.0, rel=0.06)  # smoothed


def test_plain_maxima_are_listed_the_largest_drop_first():
    trace = wave(8.0) + 40 * np.exp(-0.5 * ((TIMES_MS - 10.0) / 0.3) ** 2)
    found = marks(trace, math.nan)
    heights = [candidate.v_sn10_nv for candidate in found.others]
    assert heights == sorted(heights, reverse=True)
    assert any(abs(one.v_ms - 10.0) < 0.2 and "smaller" in one.lost for one in found.others)


def test_a_trace_that_only_falls_has_no_peak():
    assert_none(marks(-10.0 * TIMES_MS, math.nan), "no positive peak")
    upside_down = marks(np.abs(TIMES_MS - 9.3), math.nan, sn10_after_ms=(1.5, 2.0))
    assert_none(upside_down, "no positive peak", "polarity")


# --- where the noise comes from ------------------------------------------------------------------


def test_candidates_are_listed_by_their_share_with_why_they_lost():
    pair = noisy_pair(seed=11, amplitude_nv=0.0)
    found = marks(pair.mean(axis=0), math.nan, replicates=pair)
    shares = [one.share for one in found.others]
    assert len(shares) > 1
    assert shares == sorted(shares, reverse=True)
    assert all("times as likely as the best one" in one.lost for one in found.others[1:])


def test_the_method_names_the_noise():
    pair = noisy_pair()
    trace, half = pair.mean(axis=0), (pair[0] - pair[1]) / 2
    assert "of the stated size" in marks(trace, 15.0).method
    assert "replicates" in marks(trace, 15.0, replicates=pair).method
    assert "noise given" in marks(trace, 15.0, replicates=pair, noise=[half]).method


def test_a_size_of_nothing_is_not_known():
    """The noise given, or the replicates, have a size of their own."""
    pair = noisy_pair()
    half = (pair[0] - pair[1]) / 2
    for options in ({"replicates": pair}, {"noise": [half]}):
        zero, unknown = (marks(pair.mean(axis=0), rn_nv, **options) for rn_nv in (0.0, math.nan))
        assert zero == unknown
        assert zero.marked


@pytest.mark.parametrize("offset_nv", [0.0, 3.0, -40.0])
def test_one_trace_exported_twice_is_no_pair_of_replicates(offset_nv):
    """An offset between two copies is no noise, however small or large it makes rn_nv."""
    trace = wave(9.0, 200.0) + simulate_average("Q33", 1500, 1, seed=5)[0]
    copies = np.array([trace, trace + offset_nv])
    found = marks(copies.mean(axis=0), abs(offset_nv) / 2, replicates=copies)
    assert not found.marked
    assert "one trace, apart from an offset" in found.note


@pytest.mark.parametrize("digit_nv", [0.1, 1.0, 5.0, 10.0])
def test_one_trace_exported_twice_with_fewer_digits_is_no_pair_either(digit_nv):
    """Noise alone, once as it is and once rounded: their difference is rounding."""
    for trace in simulate_average("Q33", 1500, 40, seed=55):
        copies = np.array([np.round(trace / digit_nv) * digit_nv, trace])
        found = marks(copies.mean(axis=0), math.nan, replicates=copies)
        assert not found.marked
        assert "the noise cannot be so small" in found.note


def test_what_lies_far_from_the_response_window_changes_nothing():
    """A long trace is cut to 24 ms about the response window, 5 to 17 ms."""
    long_ms = np.arange(-600, 1800) / 12
    pair = simulate_average("Q33", 1500, 2, n_samples=2400, seed=12)
    pair += np.pad(wave(9.0, 200.0), (600, 1500))
    near = (long_ms >= 5 - 24) & (long_ms <= 17 + 24)
    window_ms = (5.0, 17.0)
    whole, part = (
        suggest_marks(
            p.mean(axis=0), t, math.nan, WINDOW_MS, replicates=p, response_window_ms=window_ms
        )
        for p, t in ((pair, long_ms), (pair[:, near], long_ms[near]))
    )
    for name in NUMBERS:
        assert getattr(whole, name) == pytest.approx(getattr(part, name), rel=1e-9)


def test_the_evidence_is_the_suggestions_own():
    """Whoever uses the array of the trace again does not change what a series makes of it."""
    pair = noisy_pair()
    trace = pair.mean(axis=0)
    found = [marks(trace, math.nan, replicates=pair), marks(1.0 * trace, math.nan, replicates=pair)]
    before = suggest_series(found, [60.0, 50.0])
    trace[:] = 0
    pair[:] = 0
    assert suggest_series(found, [60.0, 50.0]) == before


def test_noise_that_is_only_an_offset_leaves_the_size():
    rn_nv = 17.0
    trace = wave(9.0, 200.0) + simulate_average("Q33", 3000, 1, seed=5)[0]
    assert marks(trace, rn_nv, noise=np.full((1, 300), 5.0)) == marks(trace, rn_nv)


@pytest.mark.parametrize("rn_nv", [15.0, math.nan])
def test_noise_that_is_zero_where_the_trace_is_clean_tells_nothing(rn_nv):
    """Two buffers, or two replicates, that are equal there and not elsewhere."""
    pair = noisy_pair()
    clean_ms = (1.5, 19.0)
    outside = (TIMES_MS < 1.5) | (TIMES_MS > 19)
    noise = np.where(outside, 30.0, 0.0)
    alike = np.where(outside, pair, pair[0])
    without = marks(pair[0], rn_nv, clean_ms=clean_ms)
    assert marks(pair[0], rn_nv, clean_ms=clean_ms, noise=[noise]).v_ms == pytest.approx(
        without.v_ms, nan_ok=True
    )
    found = marks(pair[0], rn_nv, clean_ms=clean_ms, replicates=alike)
    assert not found.marked
    assert "one trace" in found.note


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
    reference = marks(wave(9.0, 900.0), math.nan, noise=known, bootstrap=False).v_sn10_se_nv
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
        ({"response_window_ms": (5.0, 8.0)}, "leaves no room"),
        ({"clean_ms": (11.5, 25.0)}, r"leave 0\.5 ms for wave V"),
        ({"expected_ms": (13.0, 15.0)}, "expected latencies 13 to"),
        ({"clean_ms": (math.nan, 20.0)}, "clean part nan to 20 ms"),
        ({"clean_ms": (20.0, 1.5)}, "clean part 20 to 1.5 ms"),
        ({"response_window_ms": (500.0, 600.0)}, "500 to 600 ms is nowhere near the trace, 0 to"),
        ({"response_window_ms": (5.0, math.nan)}, "response window 5 to nan ms"),
        ({"expected_ms": (math.nan, 10.0)}, "expected latencies nan to 10 ms"),
        ({"sn10_after_ms": (7.0, 9.0)}, "SN10 of the shapes follows"),
        ({"replicates": [np.zeros(300), np.zeros(299)]}, "replicates"),
        ({"sn10_after_ms": (6.0, 1.5)}, "sn10_after_ms"),
        ({"sn10_after_ms": (0.0, 1.5)}, "sn10_after_ms"),
        ({"rn_nv": -1.0}, "-1 nV"),
        ({"rn_nv": math.inf}, "inf nV"),
        ({"noise_rate": 0.0}, "noise_rate"),
        ({"noise_rate": 1.0}, "noise_rate"),
        ({"noise_rate": 0.0009}, "at least 1 / 1001"),
        ({"clean_ms": (30.0, 40.0)}, "clean part 30 to 40 ms holds no sample of the trace, 0 to"),
        ({"noise_rate": math.nan}, "noise_rate"),
        ({"noise": np.empty((0, 300))}, "empty"),
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
