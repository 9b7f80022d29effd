"""The noise of the validation scenarios against its written definition and sampling theory.

The definition is written again here, from the words of the scenario, and integrated by
scipy.integrate; limits of estimates come from sampling theory, seeds are fixed. With a limit of
4.5 standard errors a right simulator fails a single comparison once in 150 000 seeds.
"""

import math
import re
from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, signal, stats

from waveworks.errors import DataError
from waveworks.simulate import noise
from waveworks.simulate.noise import (
    NOISE_KINDS,
    noise_autocovariance,
    noise_spectrum,
    simulate_average,
    simulate_noise,
)

SFREQ_HZ = 12_000.0
SIGMAS = 4.5
LAGS = np.arange(900)

WRITTEN = {
    "Q33": lambda f: f**-1.0 / ((1 + (33 / f) ** 4) * (1 + (f / 1500) ** 4)),
    "Q100": lambda f: f**-1.0 / ((1 + (100 / f) ** 4) * (1 + (f / 1500) ** 4)),
    "W": lambda f: f**0.0,
    "S33": lambda f: f**-2.0 / ((1 + (33 / f) ** 4) * (1 + (f / 1500) ** 4)),
}
STATIONARY = list(WRITTEN)


def integral(function, sfreq_hz=SFREQ_HZ):
    """Integrate from almost 0 to half the sampling rate, in pieces that quad can digest."""
    edges = [1e-6, 5, 20, 33, 50, 80, 100, 150, 300, 700, 1500, 3000, sfreq_hz / 2]
    edges = [edge for edge in edges if edge <= sfreq_hz / 2]
    return sum(
        integrate.quad(function, start, stop, epsrel=1e-11, epsabs=0, limit=400)[0]
        for start, stop in pairwise(edges)
    )


def exact_autocovariance(kind, lag, sfreq_hz=SFREQ_HZ):
    """Return the cosine integral of the written spectrum, scaled to 800 nV, at one lag."""
    shape, tau = WRITTEN[kind], lag / sfreq_hz
    total = integral(shape, sfreq_hz)
    edges = np.concatenate([[1e-6, 10, 33, 60, 100], np.arange(250, sfreq_hz / 2 + 1, 250)])
    wave = {"weight": "cos", "wvar": 2 * math.pi * tau}
    power = sum(
        integrate.quad(shape, start, stop, **wave, epsabs=1e-11 * total, limit=400)[0]
        for start, stop in pairwise(edges)
    )
    return 800.0**2 * power / total


def toeplitz(autocovariance):
    size = autocovariance.size
    return autocovariance[np.abs(np.subtract.outer(np.arange(size), np.arange(size)))]


def mean_square_error(autocovariance, n):
    """Return the standard error of the mean square of n successive Gaussian samples."""
    r = autocovariance[: min(n, autocovariance.size)]
    weights = 2 * (1 - np.arange(r.size) / n)
    weights[0] = 1
    return math.sqrt(2 * np.sum(weights * r**2) / n)


def joined(sweeps):
    return sweeps.reshape(-1)


# --- the definition ---------------------------------------------------------------------------


def test_every_kind_of_the_scenarios_is_defined():
    assert list(NOISE_KINDS) == ["Q33", "Q100", "W", "S33", "D", "B", "M"]
    assert [name for name, kind in NOISE_KINDS.items() if kind.stationary_gaussian] == STATIONARY


@pytest.mark.parametrize("sfreq_hz", [SFREQ_HZ, 5000.0])
@pytest.mark.parametrize("kind", STATIONARY)
def test_spectrum_is_the_written_one_scaled_to_800_nv(kind, sfreq_hz):
    frequencies = np.array([2.0, 10.0, 33.0, 50.0, 100.0, 700.0, 1500.0, 2499.0])
    expected = 800.0**2 * WRITTEN[kind](frequencies) / integral(WRITTEN[kind], sfreq_hz)
    np.testing.assert_allclose(noise_spectrum(kind, frequencies, sfreq_hz), expected, rtol=1e-8)


@pytest.mark.parametrize("corner_hz", [33.0, 100.0])
def test_scale_of_pink_noise_has_a_closed_form(corner_hz):
    # With u = f^4 the integral of f^3 / ((f^4 + a^4)(1 + f^4 / b^4)) is elementary.
    a, b, u = corner_hz**4, 1500.0**4, 6000.0**4
    total = b / (4 * (b - a)) * (math.log((u + a) / a) - math.log((u + b) / b))
    expected = 800.0**2 * 0.5 / corner_hz / (1 + (corner_hz / 1500) ** 4) / total
    kind = f"Q{corner_hz:.0f}"
    assert noise_spectrum(kind, corner_hz) == pytest.approx(expected, rel=1e-9)


def test_spectrum_has_hand_values_at_the_ends():
    assert noise_spectrum("W", [0.0, 6000.0, 6000.1]).tolist() == [800.0**2 / 6000] * 2 + [0.0]
    assert noise_spectrum("Q33", [0.0, 6000.1, 1e200]).tolist() == [0.0, 0.0, 0.0]


@pytest.mark.parametrize("kind", STATIONARY)
def test_autocovariance_is_the_cosine_integral_of_the_spectrum(kind):
    lags = [0, 1, 3, 12, 60, 150, 299, 599]
    found = noise_autocovariance(kind, 600)[lags]
    expected = [exact_autocovariance(kind, lag) for lag in lags]
    np.testing.assert_allclose(found, expected, atol=1e-7 * 800.0**2)


@pytest.mark.parametrize("kind", STATIONARY)
def test_what_a_circle_adds_is_negligible_after_the_time_that_stretches_have_to_spare(kind):
    r = noise_autocovariance(kind, 12_000)
    assert np.abs(r[round(noise._GUARD_S * SFREQ_HZ) :]).max() < 2e-6 * 800.0**2


def test_autocovariance_at_another_rate_is_the_same_function_of_time():
    # Above 6 kHz Q33 has less than 1e-4 of its power, so the two rates see almost one process.
    twice = noise_autocovariance("Q33", 600, 24_000.0)[::2]
    np.testing.assert_allclose(twice, noise_autocovariance("Q33", 300), atol=1e-3 * 800.0**2)


# --- continuous sweeps ------------------------------------------------------------------------


@pytest.mark.parametrize("kind", STATIONARY)
def test_continuous_noise_has_the_expected_sd(kind):
    stretch = joined(simulate_noise(kind, 4000, seed=11))
    limit = SIGMAS * mean_square_error(noise_autocovariance(kind, 12_000), stretch.size)
    assert np.mean(stretch**2) == pytest.approx(800.0**2, abs=limit)


@pytest.mark.parametrize("kind", STATIONARY)
def test_welch_spectrum_follows_the_definition_in_every_band(kind):
    size = 12_000  # 1 Hz apart: what the Hann window smears at 33 Hz is below 0.1 %
    stretch = joined(simulate_noise(kind, 4000, seed=12))
    frequencies, found = signal.welch(stretch, SFREQ_HZ, nperseg=size, detrend=False)
    ratio = found[10:-1] / noise_spectrum(kind, frequencies[10:-1])
    # Welch 1967 (from memory): at half overlap neighbouring Hann periodograms correlate by 1/36;
    # neighbouring frequencies correlate by 4/9, the next but one by 1/36.
    n_segments = stretch.size // (size // 2) - 1
    variance = (1 + 2 / 36) / n_segments
    df = 2 / variance
    tail = 1e-6 / ratio.size
    assert stats.chi2.ppf(tail, df) / df < ratio.min()
    assert ratio.max() < stats.chi2.isf(tail, df) / df
    edges = [10, 20, 33, 50, 70, 100, 200, 400, 800, 1600, 3200, 5999]
    for start, stop in pairwise(edges):
        band = ratio[start - 10 : stop - 10]
        error = math.sqrt(variance * (1 + 2 * (4 / 9 + 1 / 36)) / band.size)
        assert band.mean() == pytest.approx(1.0, abs=SIGMAS * error), (start, stop)


@pytest.mark.parametrize("kind", STATIONARY)
def test_continuous_noise_has_the_exact_autocovariance(kind):
    stretch = joined(simulate_noise(kind, 4000, seed=13))
    lags = np.array([0, 1, 2, 7, 30, 100, 200, 299, 300, 450, 599])
    found = np.array([stretch[: stretch.size - k] @ stretch[k:] / (stretch.size - k) for k in lags])
    wide = noise_autocovariance(kind, 12_000)
    both = np.concatenate([wide[:0:-1], wide])  # lags -11999 to 11999
    m = np.arange(-5000, 5001)
    at = 11_999
    # Bartlett 1946 (from memory): n var(c_k) = sum over m of r_m^2 + r_(m+k) r_(m-k)
    error = np.sqrt(
        [np.sum(both[at + m] ** 2 + both[at + m + k] * both[at + m - k]) for k in lags]
    ) / math.sqrt(stretch.size)
    expected = [exact_autocovariance(kind, k) for k in lags]
    assert (np.abs(found - expected) < SIGMAS * error).all()


def test_successive_continuous_sweeps_depend_on_each_other_as_the_autocovariance_says():
    sweeps = simulate_noise("Q33", 4000, seed=14)
    r = np.array([exact_autocovariance("Q33", lag) for lag in (0, 1)])
    seam = np.corrcoef(sweeps[:-1, -1], sweeps[1:, 0])[0, 1]
    error = (1 - (r[1] / r[0]) ** 2) / math.sqrt(3999)  # Fisher
    assert seam == pytest.approx(r[1] / r[0], abs=SIGMAS * error)


def test_independent_sweeps_do_not_depend_on_each_other():
    sweeps = simulate_noise("Q33", 4000, seed=14, independent=True)
    between = sweeps[:-1].T @ sweeps[1:] / 3999 / 800.0**2
    # 90 000 products, each with standard error 1 / sqrt(3999)
    assert np.abs(between).max() * math.sqrt(3999) < stats.norm.isf(1e-6 / 180_000)


def test_ends_of_a_stretch_do_not_know_each_other():
    rng = np.random.default_rng(15)
    ends = np.array([joined(simulate_noise("Q33", 3, seed=rng))[[0, -1]] for _ in range(2500)])
    assert abs(np.corrcoef(ends.T)[0, 1]) < SIGMAS / math.sqrt(2500)


# --- independent sweeps and averages ----------------------------------------------------------


def assert_covariance(traces, covariance):
    """Compare the covariance of independent Gaussian traces of mean 0, entry by entry."""
    n = len(traces)
    found = traces.T @ traces / n
    variances = np.diag(covariance)
    error = np.sqrt((np.outer(variances, variances) + covariance**2) / n)  # Isserlis
    limit = stats.norm.isf(1e-6 / covariance.size)
    assert np.abs((found - covariance) / error).max() < limit
    whitened = np.linalg.solve(np.linalg.cholesky(covariance), traces.T)
    assert np.mean(whitened**2) == pytest.approx(1.0, abs=SIGMAS * math.sqrt(2 / whitened.size))


@pytest.mark.parametrize("kind", STATIONARY)
def test_independent_sweeps_have_the_exact_covariance(kind):
    r = np.array([exact_autocovariance(kind, lag) for lag in range(0, 60, 1)])
    sweeps = simulate_noise(kind, 20_000, n_samples=60, seed=16, independent=True)
    assert_covariance(sweeps, toeplitz(r))


@pytest.mark.parametrize("kind", ["Q33", "S33"])
def test_independent_whole_sweeps_have_the_exact_covariance(kind):
    r = np.array([exact_autocovariance(kind, lag) for lag in range(0, 300, 15)])
    sweeps = simulate_noise(kind, 20_000, seed=17, independent=True)
    assert_covariance(sweeps[:, ::15], toeplitz(r))


@pytest.mark.parametrize("kind", STATIONARY)
def test_noise_of_averages_is_that_of_sweeps_over_the_root_of_their_number(kind):
    r = np.array([exact_autocovariance(kind, lag) for lag in range(0, 300, 15)])
    traces = simulate_average(kind, 1600, 20_000, seed=18)
    assert_covariance(traces[:, ::15], toeplitz(r) / 1600)


def test_average_of_independent_sweeps_has_the_same_noise():
    r = np.array([exact_autocovariance("Q33", lag) for lag in range(0, 300, 15)])
    rng = np.random.default_rng(19)
    averages = [
        simulate_noise("Q33", 25, seed=rng, independent=True).mean(axis=0) for _ in range(2000)
    ]
    assert_covariance(np.array(averages)[:, ::15], toeplitz(r) / 25)


# --- drift, bursts and mains ------------------------------------------------------------------


@pytest.mark.parametrize("independent", [False, True])
def test_d_grows_linearly_from_500_to_1600_nv(independent):
    sweeps = simulate_noise("D", 4000, seed=21, independent=independent)
    expected = 500 + 1100 * np.arange(4000) / 3999
    levelled = (sweeps / expected[:, np.newaxis]).reshape(8, -1)
    r = noise_autocovariance("Q33", 12_000) / 800.0**2
    if independent:
        r = r[:300]
        error = mean_square_error(r, 300) / math.sqrt(500)
    else:
        error = mean_square_error(r, levelled.shape[1])
    np.testing.assert_allclose(np.mean(levelled**2, axis=1), 1.0, atol=SIGMAS * error)


def test_b_has_bursts_ten_times_larger_in_two_sweeps_of_a_hundred():
    n, n_samples = 60_000, 50
    sweeps = simulate_noise("B", n, n_samples=n_samples, seed=22)
    r = noise_autocovariance("Q33", 12_000)
    # Steps from sample to sample have many degrees of freedom a sweep, so that they tell bursts
    # from quiet sweeps without fail; the threshold is halfway between 1 and 10 in dB.
    steps = np.sqrt(np.mean(np.diff(sweeps) ** 2, axis=1) / (2 * (r[0] - r[1])))
    burst = steps > math.sqrt(10)
    assert steps[~burst].max() < 2 < 5 < steps[burst].min()
    low, high = stats.binom.interval(1 - 1e-5, n, 0.02)
    assert low <= burst.sum() <= high
    # Bursts come one by one: the sweeps from one to the next are geometric, with kurtosis 9.
    waits = np.diff(np.flatnonzero(burst))
    expected = math.sqrt(0.98) / 0.02
    error = expected * math.sqrt((9 - 1) / 4 / waits.size)
    assert waits.std() == pytest.approx(expected, abs=SIGMAS * error)
    apart = 8000.0**2 * mean_square_error(r / r[0], n_samples) / math.sqrt(burst.sum())
    assert np.mean(sweeps[burst] ** 2) == pytest.approx(8000.0**2, abs=SIGMAS * apart)
    together = 800.0**2 * mean_square_error(r / r[0], n_samples * int((~burst).sum()))
    assert np.mean(sweeps[~burst] ** 2) == pytest.approx(800.0**2, abs=SIGMAS * together)


def overlap_onsets(sweeps):
    """Return where each sweep begins in the stretch, found from the samples that they share."""
    onsets = [0]
    for one, next_one in pairwise(sweeps):
        steps = [k for k in range(1, one.size) if np.array_equal(one[k:], next_one[: one.size - k])]
        onsets.append(onsets[-1] + steps[0])
    return np.array(onsets)


def test_m_reads_overlapping_sweeps_at_45_1_a_second_from_one_stretch():
    onsets = overlap_onsets(simulate_noise("M", 400, seed=23))
    stimuli = np.arange(400) * 12_000 / 45.1
    assert np.abs(onsets - stimuli).max() <= 0.5


def stretch_of_m(n_sweeps, seed):
    """Return the stretch that the sweeps were read from, put together again."""
    sweeps = simulate_noise("M", n_sweeps, seed=seed)
    onsets = np.rint(np.arange(n_sweeps) * 12_000 / 45.1).astype(int)
    stretch = np.full(onsets[-1] + 300, np.nan)
    for onset, sweep in zip(onsets, sweeps, strict=True):
        stretch[onset : onset + 300] = sweep
    return stretch


def line(stretch, frequency_hz):
    """Return the complex amplitude of a sine: its modulus is the peak."""
    turns = frequency_hz * np.arange(stretch.size) / SFREQ_HZ
    return 2 * np.mean(stretch * np.exp(-2j * math.pi * turns))


def test_m_holds_a_50_hz_line_of_200_nv_on_the_noise_of_q33():
    stretch = stretch_of_m(4000, seed=24)
    duration_s = stretch.size / SFREQ_HZ
    # A line estimated over T has standard error sqrt(2 S / T) in amplitude, S one-sided.
    error = math.sqrt(2 * noise_spectrum("Q33", 50.0) / duration_s)
    assert abs(line(stretch, 50.0)) == pytest.approx(200.0, abs=SIGMAS * error)
    for elsewhere in (49.0, 51.0, 100.0):
        assert abs(line(stretch, elsewhere)) < SIGMAS * error
    turns = 50.0 * np.arange(stretch.size) / SFREQ_HZ
    rest = stretch - (line(stretch, 50.0) * np.exp(2j * math.pi * turns)).real
    limit = SIGMAS * mean_square_error(noise_autocovariance("Q33", 12_000), stretch.size)
    assert np.mean(rest**2) == pytest.approx(800.0**2, abs=limit)


def test_m_begins_at_a_random_phase():
    phases = np.array([np.angle(line(stretch_of_m(200, seed), 50.0)) for seed in range(40)])
    # Rayleigh test: for random phases exp(-n R^2) is the chance of a larger R.
    assert abs(np.mean(np.exp(1j * phases))) < math.sqrt(-math.log(1e-5) / 40)


def test_m_gives_independent_sweeps_a_phase_each():
    sweeps = simulate_noise("M", 20_000, n_samples=240, seed=25, independent=True)
    lines = 2 * sweeps @ np.exp(-2j * math.pi * 50.0 * np.arange(240) / SFREQ_HZ) / 240
    r = noise_autocovariance("Q33", 240)
    wave = np.exp(-2j * math.pi * 50.0 * np.arange(240) / SFREQ_HZ)
    power = 4 * (wave.conj() @ toeplitz(r) @ wave).real / 240**2 + 200.0**2
    assert abs(lines.mean()) < SIGMAS * math.sqrt(power / 20_000)
    follow = np.mean(lines[1:] * lines[:-1].conj())  # a common phase would make it 200^2
    assert abs(follow) < SIGMAS * power / math.sqrt(20_000)
    # |z|^2 of nearly circular Gaussian lines has a standard error of about its own mean
    assert np.mean(np.abs(lines) ** 2) == pytest.approx(
        power, abs=SIGMAS * math.sqrt(2) * power / math.sqrt(20_000)
    )


# --- seeds and bad input ----------------------------------------------------------------------


@pytest.mark.parametrize("independent", [False, True])
@pytest.mark.parametrize("kind", NOISE_KINDS)
def test_same_seed_same_bytes_and_no_hidden_state(kind, independent):
    before = np.random.get_state()[1].tobytes()  # noqa: NPY002 - the state that must not move
    first = simulate_noise(kind, 20, seed=5, independent=independent)
    again = simulate_noise(kind, 20, seed=np.random.default_rng(5), independent=independent)
    other = simulate_noise(kind, 20, seed=6, independent=independent)
    assert first.shape == (20, 300)
    assert first.dtype == np.float64
    assert first.tobytes() == again.tobytes()
    assert not np.isclose(first, other).any(axis=1).all()
    assert np.random.get_state()[1].tobytes() == before  # noqa: NPY002


def test_a_generator_moves_on():
    rng = np.random.default_rng(5)
    first, second = (simulate_average("Q33", 100, seed=rng) for _ in range(2))
    assert first.tobytes() == simulate_average("Q33", 100, seed=5).tobytes()
    assert first.tobytes() != second.tobytes()


def test_results_may_be_changed_without_changing_the_next_draw():
    first = simulate_noise("Q33", 3, seed=1, independent=True)
    kept = first.copy()
    first *= 0
    assert simulate_noise("Q33", 3, seed=1, independent=True).tobytes() == kept.tobytes()


BAD = [
    (
        lambda: simulate_noise("Q50", 10, seed=1),
        "kind is 'Q50'; it must be one of Q33, Q100, W, S33, D, B, M",
    ),
    (lambda: simulate_noise("W", 0, seed=1), "n_sweeps is 0; at least 1 is needed"),
    (lambda: simulate_noise("W", 2.5, seed=1), "n_sweeps is 2.5; it must be a whole number"),
    (
        lambda: simulate_noise("W", 2, n_samples=-3, seed=1),
        "n_samples is -3; at least 1 is needed",
    ),
    (
        lambda: simulate_noise("Q33", 2, sfreq_hz=3000.0, seed=1),
        "sfreq_hz is 3000 Hz; noise Q33 reaches 1500 Hz and needs more than 3000 Hz",
    ),
    (
        lambda: simulate_noise("W", 2, sfreq_hz=math.nan, seed=1),
        "sfreq_hz is nan Hz; it must be a positive number",
    ),
    (
        lambda: simulate_noise("S33", 2, sfreq_hz=1e6, seed=1, independent=True),
        "sfreq_hz is 1e+06 Hz; noise S33 has too little power near half of that to draw "
        "independent sweeps",
    ),
    (
        lambda: simulate_noise("W", 2, seed=None),
        "seed is None; give a whole number of at least 0 or a numpy Generator",
    ),
    (
        lambda: simulate_noise("W", 2, seed=-1),
        "seed is -1; give a whole number of at least 0 or a numpy Generator",
    ),
    (
        lambda: simulate_average("D", 10, seed=1),
        "kind is 'D' (Q33 whose SD grows linearly from 500 to 1600 nV over the sweeps), which one "
        "spectrum does not describe; it must be one of Q33, Q100, W, S33",
    ),
    (lambda: simulate_average("B", 10, seed=1), "kind is 'B' (Q33, each sweep ten times larger"),
    (lambda: noise_spectrum("M", 50.0), "kind is 'M' (Q33 and a 50 Hz sine of 200 nV peak"),
    (lambda: noise_autocovariance("M", 5), "kind is 'M' (Q33 and a 50 Hz sine of 200 nV peak"),
    (lambda: simulate_average("W", 0, seed=1), "n_sweeps is 0; at least 1 is needed"),
    (lambda: simulate_average("W", 10, 0, seed=1), "n_averages is 0; at least 1 is needed"),
    (lambda: noise_autocovariance("W", 0), "n_lags is 0; at least 1 is needed"),
    (
        lambda: noise_spectrum("W", [1.0, -1.0]),
        "frequency_hz: every frequency must be a finite number of at least 0 Hz",
    ),
    (
        lambda: noise_spectrum("W", math.nan),
        "frequency_hz: every frequency must be a finite number of at least 0 Hz",
    ),
]


@pytest.mark.parametrize(("call", "message"), BAD)
def test_bad_input_is_refused_in_one_plain_line(call, message):
    with pytest.raises(DataError, match=re.escape(message)) as caught:
        call()
    assert "\n" not in str(caught.value)
