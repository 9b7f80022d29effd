"""The response of the validation scenarios against its formula, scipy.optimize and hand values."""

import math
import re

import numpy as np
import pytest
from scipy import optimize, signal

from waveworks.errors import DataError
from waveworks.simulate.response import response, series_response, true_sn10_ms, true_v_ms

CASES = [(7.6, 160.0), (8.35, 40.0), (10.5, 0.5)]


def written(t, latency):
    """Return the formula of the scenario before it is scaled, written out for one time."""
    v = math.exp(-((t - latency) ** 2) / (2 * 0.6**2))
    sn10 = math.exp(-((t - latency - 3.2) ** 2) / (2 * 1.5**2))
    return v - 1.1 * sn10


def slope(t, latency):
    v = math.exp(-((t - latency) ** 2) / (2 * 0.6**2)) * (latency - t) / 0.6**2
    sn10 = math.exp(-((t - latency - 3.2) ** 2) / (2 * 1.5**2)) * (latency + 3.2 - t) / 1.5**2
    return v - 1.1 * sn10


def extrema(latency):
    """Return maximum and minimum by bisection of the slope, and their heights."""
    v = optimize.brentq(slope, latency - 0.5, latency + 0.3, args=(latency,), xtol=1e-13)
    sn10 = optimize.brentq(slope, latency + 2.5, latency + 4.0, args=(latency,), xtol=1e-13)
    return v, sn10, written(v, latency), written(sn10, latency)


@pytest.mark.parametrize(("latency", "amplitude"), CASES)
def test_waveform_is_the_formula_scaled_to_the_amplitude(latency, amplitude):
    times = np.arange(300) / 12.0
    *_, top, bottom = extrema(latency)
    expected = [amplitude * written(t, latency) / (top - bottom) for t in times]
    np.testing.assert_allclose(response(times, latency, amplitude), expected, atol=1e-9)


@pytest.mark.parametrize(("latency", "amplitude"), CASES)
def test_maximum_minus_minimum_is_the_amplitude_and_v_is_positive(latency, amplitude):
    waveform = response(np.arange(0.0, 25.0, 0.001), latency, amplitude)
    # half a grid step from an extremum costs less than step^2 / 8 * |curvature| < 1e-6 of it
    assert np.ptp(waveform) == pytest.approx(amplitude, rel=1e-6)
    assert np.argmax(waveform) < np.argmin(waveform)
    assert waveform.max() > 0 > waveform.min()


@pytest.mark.parametrize("latency", [latency for latency, _ in CASES])
def test_true_latencies_are_the_extrema_of_the_noiseless_waveform(latency):
    v, sn10, *_ = extrema(latency)
    assert true_v_ms(latency) == pytest.approx(v, abs=1e-11)
    assert true_sn10_ms(latency) == pytest.approx(sn10, abs=1e-9)


def test_v_is_slightly_ahead_of_the_latency_and_sn10_where_the_formula_puts_it():
    # The scenario says 0.054 ms, cut off: the exact lead is 0.05464 ms.
    assert 7.6 - true_v_ms(7.6) == pytest.approx(0.054, abs=0.001)
    # At 3.2 ms after L wave V is down by exp(-14.2), so its pull on the trough is negligible.
    assert true_sn10_ms(7.6) == pytest.approx(10.8, abs=1e-4)


def test_hand_values_at_the_latency_and_at_the_trough():
    # At L: 1 - 1.1 exp(-(3.2/1.5)^2 / 2) = 1 - 1.1 x 0.10275 = 0.88697; at L + 3.2: -1.1 to 1e-6.
    at_l, at_trough = response([8.0, 11.2], 8.0, 100.0)
    assert at_trough / at_l == pytest.approx(-1.1 / 0.88697, rel=2e-5)


def test_amplitude_scales_and_latency_moves():
    times = np.arange(0.0, 25.0, 0.1)
    np.testing.assert_allclose(response(times, 8.0, 90.0), 3 * response(times, 8.0, 30.0))
    np.testing.assert_allclose(
        response(times + 1.3, 9.3, 90.0), response(times, 8.0, 90.0), atol=1e-11
    )


def test_early_waves_come_before_v_and_leave_v_and_sn10_alone():
    times = np.arange(0.0, 25.0, 0.01)
    plain, shown = (response(times, 7.6, 160.0, early_waves=early) for early in (False, True))
    added = shown - plain
    assert np.abs(added[times > 6.9]).max() < 1e-3 * 160.0
    assert np.argmax(shown) == np.argmax(plain)
    assert np.ptp(shown) == pytest.approx(160.0, rel=1e-4)
    peaks = times[signal.find_peaks(added, height=1.0)[0]]
    np.testing.assert_allclose(peaks, [2.6, 5.2], atol=0.011)
    assert added.max() < plain.max() / 2


def test_no_amplitude_is_no_response_whatever_the_latency():
    assert response(np.arange(5.0), math.nan, 0.0).tolist() == [0.0] * 5


def test_times_may_be_read_only_strided_and_of_any_shape():
    times = np.arange(0.0, 24.0, 0.5)
    times.setflags(write=False)
    strided = times[::-2]
    np.testing.assert_array_equal(
        response(strided.reshape(4, 6), 8.0, 50.0).reshape(-1), response(list(strided), 8.0, 50.0)
    )


def test_level_series_follows_the_scenario_by_hand():
    levels = {60: (7.6, 160.0), 50: (8.1, 320 / 3), 40: (8.6, 640 / 9), 30: (9.1, 1280 / 27)}
    for level, (latency, amplitude) in levels.items():
        found = series_response(level, top_db_nhl=60, threshold_db_nhl=30)
        assert found.latency_ms == pytest.approx(latency)
        assert found.amplitude_nv == pytest.approx(amplitude)
    between = series_response(55, top_db_nhl=60, threshold_db_nhl=30)
    assert between.latency_ms == pytest.approx(7.85)
    assert between.amplitude_nv**2 == pytest.approx(160.0 * 320 / 3)


def test_level_series_has_no_response_below_the_threshold():
    below = series_response(29, top_db_nhl=60, threshold_db_nhl=30)
    assert math.isnan(below.latency_ms)
    assert below.amplitude_nv == 0.0


BAD = [
    (lambda: response([0.0, math.nan], 8.0, 1.0), "times_ms: every time must be a finite number"),
    (lambda: response([0.0], math.nan, 1.0), "latency_ms is nan ms; it must be a finite number"),
    (
        lambda: response([0.0], 8.0, -1.0),
        "amplitude_nv is -1 nV; it must be a number of at least 0",
    ),
    (
        lambda: response([0.0], 8.0, math.inf),
        "amplitude_nv is inf nV; it must be a number of at least 0",
    ),
    (lambda: true_v_ms(math.inf), "latency_ms is inf ms; it must be a finite number"),
    (lambda: true_sn10_ms(math.nan), "latency_ms is nan ms; it must be a finite number"),
    (
        lambda: series_response(70, top_db_nhl=60, threshold_db_nhl=30),
        "level_db_nhl is 70 dB nHL; the series begins at 60 dB nHL",
    ),
    (
        lambda: series_response(50, top_db_nhl=60, threshold_db_nhl=math.nan),
        "threshold_db_nhl is nan dB nHL; it must be a finite number",
    ),
]


@pytest.mark.parametrize(("call", "message"), BAD)
def test_bad_input_is_refused_in_one_plain_line(call, message):
    with pytest.raises(DataError, match=re.escape(message)):
        call()
