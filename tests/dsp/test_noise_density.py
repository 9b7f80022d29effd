"""The spectrum of the noise in an average: against known spectra, Parseval and scipy."""

import math

import numpy as np
import pytest
from scipy import signal

from waveworks.dsp.noise_density import density_from_noise, density_from_sweeps
from waveworks.dsp.residual_noise import noise_from_sweeps
from waveworks.errors import DataError
from waveworks.simulate.noise import noise_spectrum, simulate_noise

SFREQ_HZ = 12_000.0


def test_the_density_is_that_of_the_simulated_noise():
    """Q33 over 1000 sweeps: inside the 95 % interval at 95 % of the frequencies that are apart.

    A Hann window mixes neighbours, so the truth is the known spectrum smoothed by the window's
    own power; frequencies three lines apart are nearly independent.
    """
    n_sweeps, n_samples = 1000, 1200
    sweeps = simulate_noise("Q33", n_sweeps, n_samples=n_samples, seed=8, independent=True)
    found = density_from_sweeps(sweeps, SFREQ_HZ)
    fine = np.arange(0, SFREQ_HZ / 2, 1.0)
    power = noise_spectrum("Q33", fine) / n_sweeps
    window = np.abs(np.fft.fft(signal.windows.hann(n_samples, sym=False), int(SFREQ_HZ))) ** 2
    window = np.fft.fftshift(window / window.sum())
    both_sides = np.concatenate([power[:0:-1], power, np.zeros(1)])
    smooth = np.convolve(both_sides, window, mode="same")[fine.size - 1 :]
    lines = slice(0, 400, 3)
    truth = np.sqrt(np.interp(found.frequency_hz[lines], fine, smooth[: fine.size]))
    inside = (found.low[lines] <= truth) & (truth <= found.high[lines])
    assert inside.size > 100
    assert 0.9 <= inside.mean() < 1.0  # binomial about 0.95 with 134 lines: 0.91 to 0.99


def test_white_noise_is_flat_at_its_known_height():
    n_sweeps, n_samples = 400, 240
    sweeps = simulate_noise("W", n_sweeps, n_samples=n_samples, seed=4, independent=True)
    found = density_from_sweeps(sweeps, SFREQ_HZ)
    # 800 nV over half the sampling rate, over the root of the sweeps.
    expected = 800 / math.sqrt(SFREQ_HZ / 2) / math.sqrt(n_sweeps)
    power = float(np.mean(found.density**2))
    # The tapered squares of 399 x 240 values: relative variance 2 * 1.94 / (399 * 240), for
    # mean(w^4) / mean(w^2)^2 = 1.94; four standard errors are 2.6 %.
    assert math.isclose(power, expected**2, rel_tol=0.026)
    # Flat down to the first line: no mean over time was taken off. Four standard errors of a line.
    assert math.isclose(found.density[0], expected, rel_tol=4 / math.sqrt(2 * found.df))
    assert found.df == 2 * (n_sweeps - 1)


def test_parseval_the_power_adds_up_to_the_residual_noise():
    sweeps = simulate_noise("W", 600, n_samples=300, seed=6, independent=True)
    found = density_from_sweeps(sweeps, SFREQ_HZ)
    total = float(np.sum(found.density**2) * found.frequency_hz[0])
    rn_nv = noise_from_sweeps(sweeps).rn_nv
    # 0 Hz and half the sampling rate are left out, each half a line of 150. The taper weighs the
    # squares of 599 x 300 values: relative variance 2 * (1.94 - 1) / (599 * 300), three standard
    # errors 1 %.
    assert math.isclose(total, rn_nv**2 * (1 - 1 / 150), rel_tol=0.01)


@pytest.mark.parametrize("kind", ["Q33", "Q100"])
def test_the_expected_power_is_that_of_the_noise_in_a_short_window(kind):
    """The slow part of the noise stays in: 10 ms, where 50 Hz noise is nearly an offset."""
    sweeps = simulate_noise(kind, 20_000, n_samples=121, seed=12, independent=True)
    found = density_from_sweeps(sweeps, SFREQ_HZ)
    window = signal.windows.hann(121, sym=False)
    scale = 2 / (SFREQ_HZ * np.sum(window**2)) / len(sweeps)
    step_hz = found.frequency_hz[0]
    at_zero = float(np.mean((sweeps @ window) ** 2)) * scale / 2
    total = float(np.sum(found.density**2) * step_hz) + at_zero * step_hz
    # Every kind has 800 nV; 20 000 sweeps of at least 5 independent values: 0.45 % of the power.
    assert math.isclose(total, 800**2 / len(sweeps), rel_tol=0.018)


def test_one_noise_only_trace_is_its_periodogram():
    trace = np.random.default_rng(3).normal(2, 1, size=301)
    found = density_from_noise([trace], SFREQ_HZ)
    # A second road: the definition, written out.
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(301) / 301)
    lines = np.abs(np.fft.rfft(trace * window)) ** 2
    power = 2 * lines / (SFREQ_HZ * np.sum(window**2))
    np.testing.assert_allclose(found.density, np.sqrt(power[1:]), rtol=1e-9)
    np.testing.assert_allclose(found.frequency_hz, np.arange(1, 151) * SFREQ_HZ / 301)
    # Chi-square with two degrees of freedom is an exponential: its quantiles in closed form.
    np.testing.assert_allclose(found.low, found.density / math.sqrt(-math.log(0.025)))
    np.testing.assert_allclose(found.high, found.density / math.sqrt(-math.log(0.975)))


def test_a_response_that_repeats_leaves_no_trace():
    sweeps = simulate_noise("W", 50, n_samples=120, seed=1, independent=True)
    response = 500 * np.sin(np.arange(120) / 5)
    plain, with_response = (
        density_from_sweeps(data, SFREQ_HZ).density for data in (sweeps, sweeps + response)
    )
    np.testing.assert_allclose(with_response, plain, rtol=1e-9)


@pytest.mark.parametrize(
    ("shape", "sfreq_hz", "message"),
    [
        ((5, 3), SFREQ_HZ, "a spectrum needs at least 4 samples; 3 given"),
        ((5, 30), 0.0, "sampling rate is 0 Hz; it must be above 0"),
        ((1, 30), SFREQ_HZ, "sweeps"),
    ],
)
def test_what_cannot_give_a_spectrum_is_refused(shape, sfreq_hz, message):
    with pytest.raises(DataError, match=message):
        density_from_sweeps(np.zeros(shape), sfreq_hz)


def test_several_noise_only_traces_are_taken_together():
    """Two traces at the scale of the average: their mean power, on twice the degrees of freedom."""
    traces = np.random.default_rng(5).normal(size=(2, 64))
    one, other, both = (
        density_from_noise(data, SFREQ_HZ) for data in (traces[:1], traces[1:], traces)
    )
    np.testing.assert_allclose(both.density**2, (one.density**2 + other.density**2) / 2)
    assert (one.df, both.df) == (2, 4)
    assert (one.method, both.method) == ("one noise-only trace", "2 noise-only traces")


def test_read_only_and_strided_input_is_left_alone():
    sweeps = np.random.default_rng(6).normal(size=(40, 60))
    strided = np.repeat(sweeps, 2, axis=0)[::2]
    strided.setflags(write=False)
    found = density_from_sweeps(strided, SFREQ_HZ)
    np.testing.assert_array_equal(strided, sweeps)
    np.testing.assert_allclose(found.density, density_from_sweeps(sweeps, SFREQ_HZ).density)
    for array in (found.frequency_hz, found.density, found.low, found.high):
        assert not array.flags.writeable
