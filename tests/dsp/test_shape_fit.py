"""The fit of shapes against generalised least squares, its noise against known noise."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import integrate, linalg, stats

from waveworks.dsp.fit_plan import FitPlan
from waveworks.dsp.noise_spectra import GRID
from waveworks.dsp.shape_fit import log_evidence, shape_fit
from waveworks.dsp.wave_shapes import WaveShape
from waveworks.errors import DataError
from waveworks.simulate.response import response

TIMES_MS = np.arange(300) / 12
PLAN = FitPlan(
    n_samples=300,
    start_ms=0.0,
    step_ms=1 / 12,
    v_window_ms=(6.5, 12.0),
    response_ms=(5.0, 17.0),
    clean_ms=(0.0, 25.0),
    sn10_after_ms=(1.5, 6.0),
    shape=WaveShape(),
)


def with_(**change):
    return FitPlan(**{**vars(PLAN), **change})


def test_z_is_that_of_generalised_least_squares_with_an_offset():
    """statsmodels.GLS, the covariance given, one template at a time."""
    fit = shape_fit(PLAN)
    rng = np.random.default_rng(1)
    trace = 14.0 * fit.draw(7, 1, rng)[0] + response(TIMES_MS, 9.0, 100.0)
    found = fit.measure_in(trace[np.newaxis], 7, 14.0)
    inside = (TIMES_MS > 5 - 1e-9) & (TIMES_MS < 17 + 1e-9)
    covariance = 14.0**2 * linalg.toeplitz(fit.autocorrelations[7][: inside.sum()])
    for shape, latency in ((0, 0), (4, 20), (8, 40)):
        template = fit.bank.templates(TIMES_MS[inside], fit.v_ms)[shape, latency]
        model = sm.GLS(trace[inside], sm.add_constant(template), sigma=covariance)
        amplitude = model.fit().params[1]
        se = math.sqrt(model.normalized_cov_params[1, 1])
        assert found.se_nv[0, shape, latency] == pytest.approx(se, rel=1e-8)
        assert found.z[0, shape, latency] == pytest.approx(amplitude / se, rel=1e-8, abs=1e-8)


def test_z_of_known_noise_is_standard_normal():
    fit = shape_fit(PLAN)
    z = fit.measure_in(5.0 * fit.draw(4, 3000, np.random.default_rng(2)), 4, 5.0).z[:, 4, 20]
    assert stats.kstest(z, "norm").pvalue > 0.001


def test_the_size_of_the_noise_is_learned():
    """One noise-only trace and what is left of the trace: within a third, and no bias."""
    fit = shape_fit(PLAN)
    rng = np.random.default_rng(3)
    traces, noise = (20.0 * fit.draw(7, 400, rng) for _ in range(2))
    found = fit.measure(traces + response(TIMES_MS, 9.0, 150.0), noise[:, np.newaxis], 1)
    known = fit.measure_in(traces, 7, 20.0).se_nv[0, 4, 30]
    ratio = found.se_nv[:, 4, 30] / known
    assert np.median(ratio) == pytest.approx(1.0, abs=0.07)
    assert np.mean(np.abs(ratio - 1) < 1 / 3) > 0.9


def test_z_of_learned_noise_has_mean_0_and_no_more_variance_than_students_t():
    """One noise-only trace each, about nine degrees of freedom in the band: 9 / 7 at most, here
    with four standard errors of the sample's own variance."""
    fit = shape_fit(PLAN)
    rng = np.random.default_rng(9)
    n = 1500
    traces, noise = (20.0 * fit.draw(7, n, rng) for _ in range(2))
    z = fit.measure(traces, noise[:, np.newaxis], 1).z[:, 4, 20]
    assert abs(z.mean()) < 4 / math.sqrt(n)
    slack = 4 * math.sqrt((stats.kurtosis(z) + 2) / n)
    assert 1 - slack < z.var() < 9 / 7 + slack


def test_twice_the_same_noise_tells_no_more_than_once():
    """A pair of replicates less their mean is one trace, upside down the second time."""
    fit = shape_fit(PLAN)
    rng = np.random.default_rng(4)
    trace, noise = fit.draw(7, 1, rng), fit.draw(7, 1, rng)
    once = fit.measure(trace, noise[:, np.newaxis], 1)
    twice = fit.measure(trace, np.stack([noise, -noise], axis=1), 1)
    np.testing.assert_allclose(twice.z, once.z)
    np.testing.assert_allclose(twice.weights, once.weights)


def test_more_than_noise_in_the_trace_is_seen_and_widens_the_noise():
    fit = shape_fit(PLAN)
    rng = np.random.default_rng(5)
    clean = fit.draw(7, 200, rng)
    noise = fit.draw(7, 200 * 40, rng).reshape(200, 40, 300)
    muscle = 12.0 * np.exp(-0.5 * ((TIMES_MS - 14.5) / 0.5) ** 2)
    without = fit.measure(clean, noise, 40)
    with_muscle = fit.measure(clean + muscle, noise, 40)
    # Less than 1: the best of all shapes has taken some of the noise away.
    assert 0.6 < np.median(without.excess) < 1.1
    assert np.median(with_muscle.excess) > 2
    assert np.median(with_muscle.se_nv / without.se_nv) > 1.05


def test_filters_of_other_traces_are_those_of_the_fit():
    fit = shape_fit(PLAN)
    rng = np.random.default_rng(6)
    found = fit.measure(fit.draw(7, 2, rng), fit.draw(7, 2, rng)[:, np.newaxis], 1)
    others = fit.draw(7, 3, rng)
    again = fit.refit(others, found.row(1))
    assert again.shape == (3, *fit.shape)
    np.testing.assert_allclose(
        again.mean(axis=0), fit.refit(others.mean(axis=0)[None], found.row(1))[0]
    )


def test_nothing_outside_the_clean_part_counts():
    plan = with_(clean_ms=(1.5, 20.0))
    fit = shape_fit(plan)
    rng = np.random.default_rng(7)
    trace, noise = fit.draw(7, 1, rng), fit.draw(7, 1, rng)
    found = fit.measure(trace, noise[:, np.newaxis], 1)
    outside = (TIMES_MS < 1.5 - 1e-9) | (TIMES_MS > 20 + 1e-9)
    trace, noise = (np.where(outside, 1e4, x) for x in (trace, noise))
    np.testing.assert_allclose(fit.measure(trace, noise[:, np.newaxis], 1).z, found.z)


def test_log_evidence_is_the_integral_over_amplitudes():
    """scipy.integrate.quad over a normal prior that is cut off at zero."""
    for z, expected, spread in (
        (3.0, 0.0, 5.0),
        (-1.0, 0.0, 5.0),
        (6.0, 4.0, 2.0),
        (0.5, 9.0, 3.0),
    ):

        def integrand(a, z=z, expected=expected, spread=spread):
            prior = stats.truncnorm(-expected / spread, np.inf, expected, spread).pdf(a)
            return prior * math.exp(a * z - a**2 / 2)

        value = integrate.quad(integrand, 0, 60, limit=400, points=[max(z, 0.1)])[0]
        assert log_evidence(np.array(z), expected, spread) == pytest.approx(
            math.log(value), abs=1e-6
        )


def test_draws_have_unit_variance_and_their_spectrum():
    fit = shape_fit(PLAN)
    drawn = fit.draw(7, 4000, np.random.default_rng(8))
    covariance = drawn.T @ drawn / len(drawn)
    np.testing.assert_allclose(
        covariance[100, 100:160], GRID[7].autocorrelation(60, 1 / 12 / 0.6), atol=0.08
    )


@pytest.mark.parametrize(
    "change",
    [
        {"response_ms": (5.0, 7.0)},
        {"clean_ms": (11.9, 25.0)},
        {"v_window_ms": (6.5, 6.55)},
        {"response_ms": (16.9, 17.0)},
    ],
)
def test_no_room_for_a_shape_is_told(change):
    with pytest.raises(DataError, match="leaves no room for wave V and SN10"):
        shape_fit(with_(**change))
