"""Spectra of the grid against numerical integrals and draws, the weights against known noise."""

import numpy as np
import pytest
from scipy import integrate, linalg

from waveworks.dsp.noise_spectra import GRID, LOWPASS, Spectrum, Whittle, weigh

STEP = 1 / 12 / 0.6
N = 145


def covariances():
    return np.array([spectrum.autocorrelation(N, STEP) for spectrum in GRID])


def draws(correlation, n, seed):
    root = linalg.cholesky(linalg.toeplitz(correlation), lower=True)
    return np.random.default_rng(seed).standard_normal((n, len(correlation))) @ root.T


@pytest.mark.parametrize("spectrum", [Spectrum(0.5, 0.03), Spectrum(1.0, 0.066)])
def test_autocorrelation_is_the_cosine_transform_of_the_density(spectrum):
    """By adaptive quadrature (scipy), up to half the sampling rate, the white share left out."""

    def density(frequency):
        return frequency**-spectrum.slope / (
            (1 + (spectrum.highpass / frequency) ** 4) * (1 + (frequency / LOWPASS) ** 4)
        )

    def at(lag):
        return integrate.quad(
            lambda f: density(f) * np.cos(2 * np.pi * f * lag * STEP), 1e-6, 0.5 / STEP, limit=500
        )[0]

    lags = [0, 1, 3, 10, 40]
    expected = np.array([at(lag) for lag in lags])
    found = spectrum.autocorrelation(50, STEP)[lags]
    np.testing.assert_allclose(found, expected / expected[0], atol=3e-4)


def test_power_of_a_spectrums_own_noise_is_one_a_line():
    correlations = covariances()
    whittle = Whittle(correlations, STEP)
    for index in (0, 7, 14):
        power = whittle.power(draws(correlations[index], 4000, index))[:, index] / whittle.n_lines
        assert power.mean() == pytest.approx(1.0, abs=4 * power.std() / np.sqrt(4000))


def test_many_traces_find_their_spectrum_and_their_size():
    correlations = covariances()
    whittle = Whittle(correlations, STEP)
    for index in range(len(GRID)):
        noise = 7.0 * draws(correlations[index], 300, 20 + index)
        power = whittle.power(noise).sum(axis=0, keepdims=True)
        weights, sd = weigh(power, 300 * whittle.n_lines, 300 * whittle.log_sum)
        assert weights[0].argmax() == index
        assert weights[0, index] > 0.5
        assert sd[0, index] == pytest.approx(7.0, rel=0.02)


def test_weights_sum_to_one_and_ignore_the_size():
    correlations = covariances()
    whittle = Whittle(correlations, STEP)
    power = whittle.power(draws(correlations[7], 50, 3))
    weights, sd = weigh(power, whittle.n_lines, whittle.log_sum)
    larger, larger_sd = weigh(9 * power, whittle.n_lines, whittle.log_sum)
    np.testing.assert_allclose(weights.sum(axis=-1), 1)
    np.testing.assert_allclose(larger, weights, atol=1e-12)
    np.testing.assert_allclose(larger_sd, 3 * sd)
    assert set(weights[weights > 0] >= 0.03) == {True}


def test_a_known_size_is_kept():
    correlations = covariances()
    whittle = Whittle(correlations, STEP)
    power = whittle.power(draws(correlations[4], 20, 5))
    weights, sd = weigh(power, whittle.n_lines, whittle.log_sum, 1.0)
    assert set(np.unique(sd)) == {1.0}
    np.testing.assert_allclose(weights.sum(axis=-1), 1)
