"""Degrees of freedom of coloured noise against published rows, naive sums and simulated truth."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import linalg

from waveworks.dsp.coloured_noise import centred_df, centred_variance, spectral_df
from waveworks.errors import DataError


def ar1(phi, n, n_samples, seed, n_groups=1):
    """Return (n_groups, n, n_samples) stationary first-order autoregressions of variance 1."""
    factor = np.linalg.cholesky(linalg.toeplitz(phi ** np.arange(n_samples)))
    rng = np.random.default_rng(seed)
    return rng.standard_normal((n_groups, n, n_samples)) @ factor.T


def power_df(phi, n_samples):
    """Return tr(R)^2 / tr(R^2) of a first-order autoregression."""
    return n_samples**2 / np.sum(linalg.toeplitz(phi ** np.arange(n_samples)) ** 2)


# --- known autocorrelation -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("phi", "n_samples", "df", "bias"),
    [
        (0.0, 50, 49.0, 1.0),
        (0.5, 50, 30.02, 0.961),
        (0.8, 50, 11.78, 0.853),
        (0.9, 50, 6.52, 0.706),
        (0.9, 200, 21.68, 0.914),
        (0.95, 50, 4.30, 0.511),
    ],
)
def test_first_order_autoregressions(phi, n_samples, df, bias):
    """Values computed for the reference notes (idea: Box 1954, Satterthwaite; from memory)."""
    found = centred_variance(phi ** np.arange(n_samples))
    assert found.df == pytest.approx(df, abs=0.006)
    assert found.bias == pytest.approx(bias, abs=6e-4)


def test_centred_variance_is_that_of_simulated_series():
    series = ar1(0.9, 20_000, 50, seed=1)[0]
    variances = series.var(axis=1, ddof=1)
    found = centred_variance(0.9 ** np.arange(50))
    # standard errors of the two moments over 20 000 series are about 0.4 % and 2 %
    assert variances.mean() == pytest.approx(found.bias, rel=0.02)
    assert 2 * variances.mean() ** 2 / variances.var() == pytest.approx(found.df, rel=0.08)


def test_a_constant_series_has_no_variance_about_its_mean():
    found = centred_variance(np.ones(10))
    assert found.bias == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(
    ("autocorrelation", "message"),
    [
        ([1.0], "at least 2 needed"),
        ([0.9, 0.5], "lag 0 must be 1"),
        ([1.0, math.nan], "not a finite number"),
    ],
)
def test_bad_autocorrelation(autocorrelation, message):
    with pytest.raises(DataError, match=message):
        centred_variance(autocorrelation)


# --- from the spectrum of few deviations ---------------------------------------------------------


@given(st.integers(1, 6), st.integers(2, 40), st.integers(0, 10**6))
def test_spectral_df_by_plain_sums_over_lags(n_independent, n_samples, seed):
    deviations = np.random.default_rng(seed).standard_normal((n_independent, n_samples)) * 1e-3
    covariance = sum(np.correlate(row, row, "full") for row in deviations)
    u = n_samples * covariance.max() ** 2 / np.sum(covariance**2)
    m = n_independent
    expected = (m + 1) * u * math.exp(-1.7 * math.sqrt(8 / 3) / ((m + 1) * math.sqrt(u)))
    found = spectral_df(deviations, m, caution=1.7)
    assert found == pytest.approx(min(max(expected, 1), m * n_samples), rel=1e-9)


def flat_band(share, n, n_samples, seed, n_groups):
    """Return noise whose spectrum is flat up to a share of half the sampling rate, then nothing."""
    rng = np.random.default_rng(seed)
    spectra = np.fft.rfft(rng.standard_normal((n_groups, n, 8 * n_samples)))
    spectra[..., int(share * spectra.shape[-1]) :] = 0
    return np.fft.irfft(spectra)[..., :n_samples]


@pytest.mark.parametrize("share", [0.1, 0.4])
@pytest.mark.parametrize("m", [1, 2, 6])
def test_spectral_df_of_flat_noise_and_its_standard_error(share, m):
    """Without caution it scatters about m * share * n_samples with the stated standard error."""
    n_samples = 500
    true_df = m * share * n_samples
    groups = flat_band(share, m, n_samples, seed=3, n_groups=400)
    found = np.array([spectral_df(group, m, caution=0) for group in groups])
    stated = math.sqrt(8 / 3) / ((m + 1) * math.sqrt(true_df / (m + 1)))
    off = np.log(found / true_df)
    # The edges of the window widen the band by about one line in share * n_samples / 2.
    assert off.mean() == pytest.approx(0, abs=0.25 * stated + 2 / (share * n_samples))
    assert off.std() == pytest.approx(stated, rel=0.25)


@pytest.mark.parametrize("phi", [0.5, 0.9])
def test_spectral_df_of_many_deviations_approaches_the_truth(phi):
    found = [spectral_df(group, 30, caution=0) for group in ar1(phi, 30, 400, 3, 40)]
    assert np.mean(found) == pytest.approx(30 * power_df(phi, 400), rel=0.05)


def test_spectral_df_stays_within_its_limits():
    assert spectral_df(np.ones((1, 50)), 1, caution=2) == 1
    white = np.random.default_rng(4).standard_normal((5, 30))
    assert spectral_df(white, 5, caution=-9) == 150
    assert math.isnan(spectral_df(np.zeros((2, 9)), 1, caution=2))


# --- from the covariance of many deviations ------------------------------------------------------


@pytest.mark.parametrize("n", [12, 49, 50, 51, 300])
def test_centred_df_of_known_noise(n):
    """Fewer and more sweeps than samples; the mean of 1/df is nearly free of bias."""
    inverse = []
    for sweeps in ar1(0.8, n, 50, seed=5, n_groups=150):
        deviations = sweeps - sweeps.mean(axis=0)
        inverse.append(1 / centred_df(deviations - deviations.mean(axis=1, keepdims=True), n - 1))
    error = np.std(inverse) / math.sqrt(len(inverse))
    assert np.mean(inverse) == pytest.approx(1 / 11.775, abs=4 * error + 0.01 / 11.775)


def test_centred_df_by_the_sample_covariance():
    sweeps = ar1(0.7, 40, 20, seed=6)[0]
    centred = sweeps - sweeps.mean(axis=1, keepdims=True)
    covariance = np.cov(centred.T)
    m = 39
    squares = np.trace(covariance @ covariance)
    trace = np.trace(covariance)
    square = m**2 / ((m - 1) * (m + 2)) * (squares - trace**2 / m)
    expected = (trace**2 - 2 / m * square) / square
    assert centred_df(centred - centred.mean(axis=0), m) == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("n", [2, 3, 9, 30])
def test_centred_df_stays_within_its_limits(n):
    white = np.random.default_rng(7).standard_normal((n, 8))
    centred = white - white.mean(axis=1, keepdims=True)
    assert 1 <= centred_df(centred - centred.mean(axis=0), n - 1) <= 7
    assert math.isnan(centred_df(np.zeros((n, 8)), n - 1))
    ramp = np.outer(np.linspace(-1, 1, n), np.linspace(-1, 1, 8))
    assert 1 <= centred_df(ramp, n - 1) <= 2.2


@pytest.mark.parametrize("n", [4, 30])
def test_two_samples_have_one_degree_of_freedom_about_their_mean(n):
    white = np.random.default_rng(8).standard_normal((n, 2))
    centred = white - white.mean(axis=1, keepdims=True)
    assert centred_df(centred - centred.mean(axis=0), n - 1) == 1


def test_white_noise_is_worth_at_most_one_value_fewer_than_samples():
    """The estimate scatters about n_samples - 1 and is cut off there."""
    draws = np.random.default_rng(9).standard_normal((100, 30, 8))
    draws -= draws.mean(axis=2, keepdims=True)
    assert max(centred_df(draw - draw.mean(axis=0), 29) for draw in draws) == 7
