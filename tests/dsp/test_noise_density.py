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
    lines = slice(4, 400, 3)  # 50 Hz on: the removed mean takes from the lowest lines
    truth = np.sqrt(np.interp(found.frequency_hz[lines], fine, smooth[: fine.size]))
    inside = (found.low[lines] <= truth) & (truth <= found.high[lines])
    assert inside.size > 100
    assert 0.9 <= inside.mean() <= 1.0  # binomial about 0.95 with 132 lines: 0.91 to 0.99


def test_white_noise_is_flat_at_its_known_height():
    n_sweeps, n_samples = 400, 240
    sweeps = simulate_noise("W", n_sweeps, n_samples=n_samples, seed=4, independent=True)
    found = density_from_sweeps(sweeps, SFREQ_HZ)
    # 800 nV over half the sampling rate, over the root of the sweeps.
    expected = 800 / math.sqrt(SFREQ_HZ / 2) / math.sqrt(n_sweeps)
    power = float(np.mean(found.density[2:] ** 2))
    # 117 lines of 798 degrees of freedom, neighbours mixed: about 0.8 % of the power.
    assert math.isclose(power, expected**2, rel_tol=0.03)
    assert found.df == 2 * (n_sweeps - 1)


def test_parseval_the_power_adds_up_to_the_residual_noise():
    sweeps = simulate_noise("W", 600, n_samples=300, seed=6, independent=True)
    found = density_from_sweeps(sweeps, SFREQ_HZ)
    step_hz = found.frequency_hz[1] - found.frequency_hz[0]
    total = float(np.sum(found.density**2) * step_hz)
    rn_nv = noise_from_sweeps(sweeps).rn_nv
    # 0 Hz and half the sampling rate are left out: 1.5 of 150 lines.
    assert math.isclose(total, rn_nv**2 * (1 - 1.5 / 150), rel_tol=0.01)


def test_one_noise_only_trace_is_its_periodogram():
    trace = np.random.default_rng(3).normal(size=301)
    found = density_from_noise([trace], SFREQ_HZ)
    # A second road: the definition, written out.
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(301) / 301)
    lines = np.abs(np.fft.rfft((trace - trace.mean()) * window)) ** 2
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
