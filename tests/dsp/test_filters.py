"""The band-pass against scipy's frequency response, sine probes and its own description."""

import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from waveworks.dsp.filters import apply_bandpass, design_bandpass
from waveworks.errors import DataError

DESIGNS = [
    (100.0, 1500.0, 12_000.0, 2),
    (33.0, 3000.0, 20_000.0, 1),
    (30.0, 1500.0, 12_000.0, 4),
    (1.0, 30.0, 256.0, 2),
]

PLAIN = design_bandpass(100.0, 1500.0, 12_000.0)


def measured_gain(bandpass, probe_hz):
    """Return amplitude and phase (radian) that a long sine keeps, by projection on its middle."""
    edge = 4 * bandpass.padding_samples
    per_period = bandpass.sfreq_hz / probe_hz
    whole = round(math.ceil(4000 / per_period) * per_period)
    t = np.arange(whole + 2 * edge) / bandpass.sfreq_hz
    turned = np.exp(-2j * math.pi * probe_hz * t[edge : edge + whole])
    probe = np.sin(2 * math.pi * probe_hz * t + 0.7)
    out = apply_bandpass(bandpass, probe)
    gain = (out[edge : edge + whole] @ turned) / (probe[edge : edge + whole] @ turned)
    return abs(gain), np.angle(gain)


@pytest.mark.parametrize("design", DESIGNS)
def test_response_of_both_passes_is_the_square_of_scipys_response_of_one(design):
    bandpass = design_bandpass(*design)
    impulse = np.zeros(2 * 8 * bandpass.padding_samples + 1)
    impulse[impulse.size // 2] = 1.0
    response = np.fft.rfft(np.fft.ifftshift(apply_bandpass(bandpass, impulse)))
    low_hz, high_hz, sfreq_hz, order = design
    b, a = signal.butter(order, [low_hz, high_hz], btype="bandpass", fs=sfreq_hz)
    freqs_hz = np.fft.rfftfreq(impulse.size, 1 / sfreq_hz)
    _, one_pass = signal.freqz(b, a, worN=freqs_hz, fs=sfreq_hz)
    np.testing.assert_allclose(response, np.abs(one_pass) ** 2, atol=1e-4)


@pytest.mark.parametrize("design", DESIGNS)
def test_sines_at_the_corners_have_the_stated_level_and_no_shift(design):
    bandpass = design_bandpass(*design)
    for corner_hz in design[:2]:
        gain, phase = measured_gain(bandpass, corner_hz)
        assert 20 * math.log10(gain) == pytest.approx(bandpass.corner_level_db, abs=0.02)
        assert phase == pytest.approx(0.0, abs=1e-3)


def butterworth_gain(design, probe_hz):
    """Return the gain of two passes by the analogue formula, frequencies warped by the transform.

    Oppenheim and Schafer, Discrete-Time Signal Processing, bilinear transform (from memory).
    """
    low_hz, high_hz, sfreq_hz, order = design
    low, high, probe = (math.tan(math.pi * f / sfreq_hz) for f in (low_hz, high_hz, probe_hz))
    return 1 / (1 + ((probe**2 - low * high) / (probe * (high - low))) ** (2 * order))


@pytest.mark.parametrize("design", DESIGNS)
def test_sines_an_octave_away_and_in_the_middle_follow_the_formula(design):
    bandpass = design_bandpass(*design)
    low_hz, high_hz = design[:2]
    for probe_hz in (low_hz / 2, low_hz * 2, math.sqrt(low_hz * high_hz), high_hz / 2, high_hz * 2):
        gain, phase = measured_gain(bandpass, probe_hz)
        assert gain == pytest.approx(butterworth_gain(design, probe_hz), rel=1e-3)
        assert phase == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("order", [1, 2, 3])
def test_far_below_the_level_falls_as_the_effective_order_says(order):
    bandpass = design_bandpass(100.0, 1500.0, 12_000.0, order)
    gains = [measured_gain(bandpass, probe_hz)[0] for probe_hz in (12.5, 6.25)]
    fall_db = 20 * math.log10(gains[0] / gains[1])
    assert fall_db == pytest.approx(20 * math.log10(2) * bandpass.effective_order, rel=0.02)


@pytest.mark.parametrize("design", DESIGNS)
def test_the_description_states_what_is_measured(design):
    bandpass = design_bandpass(*design)
    line = bandpass.describe()
    assert "\n" not in line
    stated = re.fullmatch(
        r"Butterworth band-pass (\S+) to (\S+) Hz, order (\d+) at each corner, run forward and "
        r"backward: effective order (\d+), (\S+) dB at (\S+) and (\S+) Hz, zero phase; "
        r"data sampled at (\S+) Hz",
        line,
    )
    assert stated is not None
    low_hz, high_hz, order, effective, level_db, at_low, at_high, sfreq_hz = map(
        float, stated.groups()
    )
    assert (low_hz, high_hz, sfreq_hz, order) == design
    assert (at_low, at_high) == (low_hz, high_hz)
    assert effective == 2 * order
    for corner_hz in (at_low, at_high):
        measured_db = 20 * math.log10(measured_gain(bandpass, corner_hz)[0])
        assert measured_db == pytest.approx(level_db, abs=0.05)


def test_the_peak_of_a_symmetric_pulse_stays_and_the_pulse_stays_symmetric():
    n = np.arange(2001) - 1000
    pulse = np.exp(-0.5 * (n / 6) ** 2)
    out = apply_bandpass(design_bandpass(100.0, 1500.0, 12_000.0), pulse)
    assert np.argmax(out) == 1000
    np.testing.assert_allclose(out, out[::-1], atol=1e-9)


def test_a_constant_is_removed():
    bandpass = design_bandpass(100.0, 1500.0, 12_000.0)
    np.testing.assert_allclose(apply_bandpass(bandpass, np.full(300, 1e4)), 0.0, atol=1e-6)


def test_time_is_the_last_axis():
    bandpass = design_bandpass(100.0, 1500.0, 12_000.0)
    data = np.random.default_rng(1).standard_normal((2, 3, 300))
    out = apply_bandpass(bandpass, data)
    assert out.shape == data.shape
    for place in np.ndindex(2, 3):
        np.testing.assert_allclose(out[place], apply_bandpass(bandpass, data[place]), atol=1e-12)


@given(st.integers(0, 1000), st.floats(-1e3, 1e3), st.floats(-1e3, 1e3))
def test_it_is_linear(seed, c, d):
    bandpass = PLAIN
    x, y = np.random.default_rng(seed).standard_normal((2, 400))
    mixed = apply_bandpass(bandpass, c * x + d * y)
    apart = c * apply_bandpass(bandpass, x) + d * apply_bandpass(bandpass, y)
    np.testing.assert_allclose(mixed, apart, atol=1e-8)


def test_read_only_and_strided_input_works_and_stays_as_it_was():
    bandpass = design_bandpass(100.0, 1500.0, 12_000.0)
    data = np.random.default_rng(2).standard_normal((800, 2))
    data.setflags(write=False)
    before = data.copy()
    strided = apply_bandpass(bandpass, data[::2, 1])
    np.testing.assert_allclose(strided, apply_bandpass(bandpass, before[::2, 1].copy()))
    np.testing.assert_array_equal(data, before)
    with pytest.raises(ValueError, match="read-only"):
        bandpass.sos[0, 0] = 1.0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0.0, 1500.0, 12_000.0), "low_hz is 0 Hz; it must be a positive number"),
        ((-1.0, 1500.0, 12_000.0), "low_hz is -1 Hz"),
        ((math.nan, 1500.0, 12_000.0), "low_hz is nan Hz"),
        ((1500.0, 1500.0, 12_000.0), "low_hz is 1500 Hz; it must lie below high_hz, 1500 Hz"),
        ((2000.0, 1500.0, 12_000.0), "low_hz is 2000 Hz; it must lie below high_hz, 1500 Hz"),
        (
            (100.0, 6000.0, 12_000.0),
            "high_hz is 6000 Hz; it must lie below 6000 Hz, half of the sampling rate 12000 Hz",
        ),
        ((100.0, math.inf, 12_000.0), "high_hz is inf Hz"),
        ((100.0, 1500.0, 0.0), "sfreq_hz is 0 Hz"),
        ((100.0, 1500.0, 12_000.0, 0), "order is 0; it must be a whole number from 1 to 10"),
        ((100.0, 1500.0, 12_000.0, 1.5), "order is 1.5; it must be a whole number"),
        ((100.0, 1500.0, 12_000.0, 11), "order is 11; it must be a whole number from 1 to 10"),
        ((1e-6, 1000.0, 48_000.0), "cannot be computed at 48000 Hz"),
    ],
)
def test_an_impossible_filter_is_refused_and_never_becomes_another(arguments, message):
    with pytest.raises(DataError, match=message):
        design_bandpass(*arguments)


def test_too_short_data_are_refused_and_the_stated_length_suffices():
    bandpass = design_bandpass(33.0, 1500.0, 12_000.0)
    with pytest.raises(DataError, match=r"x has 100 samples; .* needs at least \d+") as refused:
        apply_bandpass(bandpass, np.ones(100))
    needed = int(re.search(r"at least (\d+) \(", str(refused.value)).group(1))
    assert apply_bandpass(bandpass, np.ones(needed)).shape == (needed,)
    with pytest.raises(DataError, match=f"x has {needed - 1} samples"):
        apply_bandpass(bandpass, np.ones(needed - 1))


def test_the_padding_lasts_until_the_filter_has_settled():
    # The slowest pole decays as its radius to the power of the time; 1 % is the stated share.
    _, poles, _ = signal.butter(2, [33.0, 1500.0], btype="bandpass", fs=12_000.0, output="zpk")
    padding = design_bandpass(33.0, 1500.0, 12_000.0).padding_samples
    assert np.abs(poles).max() ** padding <= 0.01 < np.abs(poles).max() ** (padding - 1)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_data_that_are_not_finite_are_refused(bad):
    data = np.ones((2, 300))
    data[1, 7] = bad
    with pytest.raises(DataError, match=r"x: value at index \(1, 7\)"):
        apply_bandpass(design_bandpass(100.0, 1500.0, 12_000.0), data)


def test_a_single_number_is_refused():
    with pytest.raises(DataError, match="x: 0 dimensions given, 1 needed"):
        apply_bandpass(design_bandpass(100.0, 1500.0, 12_000.0), 3.0)
