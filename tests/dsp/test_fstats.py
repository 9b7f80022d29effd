"""F statistics against hand-worked arrays, scipy's analysis of variance and simulated truth.

The false-positive rates in the docstrings are printed by (about 10 minutes):

    pytest -m long -s --no-cov tests/dsp/test_fstats.py
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from waveworks.dsp.ab_ratio import ab_ratio
from waveworks.dsp.coloured_noise import centred_variance
from waveworks.dsp.fstats import FStatistic, Growth, f_statistic, growth
from waveworks.dsp.residual_noise import noise_from_buffers, noise_from_sweeps
from waveworks.errors import DataError
from waveworks.simulate.noise import simulate_average, simulate_noise
from waveworks.simulate.response import response

HAND = np.array([[1.0, 2.0, 3.0], [3.0, 2.0, 1.0], [2.0, 4.0, 6.0], [0.0, 2.0, 4.0]])
"""Four sweeps of three points, worked for the reference notes."""

WINDOW = slice(60, 205)
"""5 to 17 ms at 12 kHz."""


def random_sweeps(n_sweeps, n_samples, seed=1):
    return np.random.default_rng(seed).standard_normal((n_sweeps, n_samples))


def assert_rate(hits, n_runs, low, high, confidence=0.95):
    """The binomial interval of the rate must not lie wholly outside."""
    rate = stats.binomtest(int(hits), n_runs).proportion_ci(confidence, method="exact")
    assert rate.high >= low
    assert rate.low <= high


# --- worked by hand ------------------------------------------------------------------------------


def test_hand_example_fsp():
    found = f_statistic(HAND, point=1)
    assert found.statistic == pytest.approx(4.0, rel=1e-14)
    assert found.rn_nv == pytest.approx(0.5, rel=1e-14)
    assert found.df_den == 3


def test_hand_example_fmp():
    found = f_statistic(HAND)
    assert found.statistic == pytest.approx(12 / 7, rel=1e-14)
    assert found.rn_nv == pytest.approx(math.sqrt(7 / 12), rel=1e-14)


def test_hand_example_null_scale():
    """Covariance x 3 of the sweeps: sum of squares 5 + 3 + 13 = 21; about each sweep's mean
    deviation (sums -1.5, -1.5, 4.5, -1.5: squares 27 / 3 = 9) 12. Scale (12 / 2) / (21 / 3)."""
    assert f_statistic(HAND).null_scale == pytest.approx(6 / 7, rel=1e-12)


def test_hand_example_ab_ratio():
    """var((A + B)/2) = 1, var((A - B)/2) = 0.25, and their difference is cov(A, B) = 0.75."""
    a, b = HAND[::2].mean(axis=0), HAND[1::2].mean(axis=0)
    assert ab_ratio(a, b).ratio == pytest.approx(4, rel=1e-12)


# --- published and computed points of F ----------------------------------------------------------


@pytest.mark.parametrize(
    ("statistic", "pvalue"),
    [(2.25013, 0.05), (3.09118, 0.01), (4.24973, 0.001), (1.87045, 0.1)],
)
def test_customary_points(statistic, pvalue):
    """F(5, 250), computed for the reference notes with scipy; 2.25 and 3.1 are these, rounded."""
    found = FStatistic(statistic, 1, 9, 9, 1, 0.5, "")
    assert found.pvalue_with(5, 250) == pytest.approx(pvalue, rel=3e-5)


def test_order_of_the_degrees_of_freedom():
    """NIST/SEMATECH e-Handbook 1.3.6.7.3: F(.05; 6, 15) = 2.790, not 3.94."""
    found = FStatistic(2.7905, 1, 9, 9, 1, 0.5, "")
    assert found.pvalue_with(6, 15) == pytest.approx(0.05, abs=1e-5)
    assert found.pvalue_with(5, 100) == pytest.approx(stats.f.sf(2.7905, 5, 100), rel=1e-9)


# --- second roads --------------------------------------------------------------------------------


@pytest.mark.parametrize(("n_sweeps", "n_samples"), [(2, 2), (40, 12), (7, 50), (500, 145)])
@pytest.mark.parametrize(("scale", "offset"), [(1, 0), (800, 1e6), (1e-6, 0)])
def test_fmp_is_the_one_way_analysis_of_variance(n_sweeps, n_samples, scale, offset):
    sweeps = random_sweeps(n_sweeps, n_samples) * scale + offset
    expected = stats.f_oneway(*sweeps.T).statistic
    assert f_statistic(sweeps).statistic == pytest.approx(expected, rel=1e-10)


def test_fsp_by_its_definition():
    sweeps = random_sweeps(30, 20)
    expected = 30 * sweeps.mean(axis=0).var(ddof=1) / sweeps[:, 7].var(ddof=1)
    found = f_statistic(sweeps, point=7)
    assert found.statistic == pytest.approx(expected, rel=1e-12)
    assert found.df_den == 29
    assert found.df_num == f_statistic(sweeps).df_num
    assert found.null_scale == f_statistic(sweeps).null_scale


@given(
    arrays(
        np.int64, st.tuples(st.integers(2, 9), st.integers(2, 9)), elements=st.integers(-99, 99)
    ),
    st.booleans(),
)
def test_f_is_the_variance_over_residual_noise_squared(sweeps, multiple):
    found = f_statistic(sweeps, None if multiple else 1)
    noise = noise_from_sweeps(sweeps if multiple else sweeps[:, 1:2])
    assert found.rn_nv == noise.rn_nv
    if noise.rn_nv > 0:
        variance = sweeps.mean(axis=0).var(ddof=1)
        assert found.statistic == pytest.approx(variance / noise.rn_nv**2, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("n_sweeps", [5, 60, 145, 146, 600])
def test_moments_by_plain_matrices(n_sweeps):
    """Fewer and more sweeps than samples, against explicit M and C."""
    sweeps = simulate_noise("Q100", n_sweeps, seed=2, independent=True)[:, WINDOW]
    n_samples = sweeps.shape[1]
    covariance = np.cov(sweeps.T)
    centring = np.eye(n_samples) - 1 / n_samples
    inner = centring @ covariance
    found = f_statistic(sweeps)
    assert found.null_scale == pytest.approx(
        np.trace(inner) / (n_samples - 1) / (np.trace(covariance) / n_samples), rel=1e-9
    )
    if n_sweeps > 10:
        m = n_sweeps - 1
        trace, squares = np.trace(inner), np.trace(inner @ inner)
        square = m**2 / ((m - 1) * (m + 2)) * (squares - trace**2 / m)
        assert found.df_num == pytest.approx(trace**2 / square - 2 / m, rel=1e-9)
    assert found.df_den == pytest.approx((n_sweeps - 1) * found.df_num, rel=1e-12)


@pytest.mark.parametrize("point", [None, 3])
def test_p_of_white_noise_is_that_of_the_f_distribution(point):
    """Six points: Fmp is F(5, 5 (n - 1)), Fsp F(5, n - 1); blocks of ten leave 199 of 1999."""
    rng = np.random.default_rng(30)
    wave = 0.04 * np.arange(6)
    for _ in range(5):
        found = f_statistic(wave + rng.standard_normal((2000, 6)), point)
        expected = stats.f.sf(found.statistic, 5, 5 * 199 if point is None else 1999)
        # Eigenvalues of 200 blocks move p by some percent of its logarithm.
        assert math.log(found.pvalue) == pytest.approx(math.log(expected), rel=0.12, abs=0.05)
        assert found.method == "quadratic-form"


def test_p_is_the_share_of_noise_with_the_same_covariance():
    """Slow noise, seven components: averages drawn from the covariance of the sweeps themselves."""
    rng = np.random.default_rng(31)
    mixing = np.exp(-0.5 * np.arange(7))[:, np.newaxis] * rng.standard_normal((7, 20))
    sweeps = rng.standard_normal((30_000, 7)) @ mixing
    truth = mixing.T @ mixing / 30_000
    drawn = rng.multivariate_normal(np.zeros(20), truth, 200_000, check_valid="ignore")
    powers = np.sum((drawn - drawn.mean(axis=1, keepdims=True)) ** 2, axis=1)
    for share in (0.05, 0.01, 0.002):
        limit = np.quantile(powers, 1 - share)
        average = sweeps.mean(axis=0)
        scaled = (
            sweeps - average + average * math.sqrt(limit / np.sum((average - average.mean()) ** 2))
        )
        # 3000 blocks of two effective components know the power to 1.8 %: of the logarithm of p,
        # about -6, that is 0.11, three times.
        assert f_statistic(scaled).pvalue == pytest.approx(share, rel=0.35)


@pytest.mark.parametrize("phi", [0.5, 0.9])
def test_moments_of_a_first_order_autoregression(phi):
    rng = np.random.default_rng(3)
    lags = np.abs(np.subtract.outer(np.arange(50), np.arange(50)))
    sweeps = rng.standard_normal((3000, 50)) @ np.linalg.cholesky(phi**lags).T
    found, truth = f_statistic(sweeps), centred_variance(phi ** np.arange(50))
    assert found.df_num == pytest.approx(truth.df, rel=0.05)
    assert found.null_scale == pytest.approx(truth.bias, rel=0.02)


def test_response_makes_f_one_plus_the_snr():
    """E[F] = 1 + SNR for white noise; the SNR is that of the average over the window."""
    rng = np.random.default_rng(4)
    wave = response(np.arange(300) / 12, 8.0, 400.0)[WINDOW]
    snr = wave.var(ddof=1) / (800**2 / 200)
    f = [
        f_statistic(wave + 800 * rng.standard_normal((200, wave.size))).statistic
        for _ in range(200)
    ]
    assert np.mean(f) == pytest.approx(1 + snr, abs=4 * np.std(f) / math.sqrt(200))


# --- properties ----------------------------------------------------------------------------------


@given(
    st.integers(0, 10**6),
    st.floats(1e-3, 1e3),
    st.floats(-1e3, 1e3),
    st.randoms(use_true_random=False),
)
def test_scale_shift_sign_and_order(seed, factor, offset, random):
    sweeps = random_sweeps(12, 9, seed)
    order = random.sample(range(12), 12)
    for point in (None, 4):
        f = f_statistic(sweeps, point)
        for changed, ratio in (
            (sweeps * factor, factor),
            (-sweeps, 1),
            (sweeps + offset, 1),
            (sweeps[order], 1),
        ):
            found = f_statistic(changed, point)
            assert found.statistic == pytest.approx(f.statistic, rel=1e-6)
            assert found.pvalue == pytest.approx(f.pvalue, rel=1e-6)
            assert found.rn_nv == pytest.approx(f.rn_nv * ratio, rel=1e-6)


def test_doubled_sweeps():
    """The average stays, rn^2 falls by 2 (2n - 1) / (2 (n - 1)): F grows by (2n - 1) / (n - 1)."""
    sweeps = random_sweeps(20, 15)
    once, twice = f_statistic(sweeps), f_statistic(np.concatenate([sweeps, sweeps]))
    assert twice.statistic == pytest.approx(once.statistic * 39 / 19, rel=1e-12)


def test_read_only_and_strided_input():
    wide = random_sweeps(40, 60)
    packed = wide[::2, ::3].copy()
    packed.setflags(write=False)
    before = wide.copy()
    assert f_statistic(wide[::2, ::3], 5) == f_statistic(packed, 5)
    assert ab_ratio(wide[0, ::3], wide[2, ::3]) == ab_ratio(packed[0], packed[1])
    for field in ("n_sweeps", "rn_nv", "fmp"):
        np.testing.assert_allclose(
            getattr(growth(wide[::2, ::3], 4), field), getattr(growth(packed, 4), field), rtol=1e-12
        )
    assert np.array_equal(wide, before)


# --- nothing to divide by ------------------------------------------------------------------------


def test_identical_sweeps_have_no_f():
    sweeps = np.tile(np.linspace(0.1, 0.7, 20) / 3, (301, 1))
    for point in (None, 4):
        found = f_statistic(sweeps, point)
        assert found.rn_nv == 0
        for value in (found.statistic, found.pvalue, found.df_num, found.pvalue_with(5, 250)):
            assert math.isnan(value)
    grown = growth(sweeps, 100)
    assert (grown.rn_nv == 0).all()
    assert np.isnan(grown.fmp).all()


def test_a_point_without_variance_has_no_fsp():
    sweeps = random_sweeps(20, 8)
    sweeps[:, 3] = 0.3
    found = f_statistic(sweeps, point=3)
    assert math.isnan(found.statistic)
    assert math.isnan(found.pvalue)
    assert f_statistic(sweeps, point=2).statistic > 0


def test_sweeps_that_differ_by_offsets_have_no_p():
    """No noise about the window mean: the average's variance cannot come from noise."""
    sweeps = np.sin(np.arange(30)) + np.arange(5.0)[:, np.newaxis] / 7
    found = f_statistic(sweeps)
    assert found.statistic > 0
    assert math.isnan(found.pvalue)


def test_a_flat_average_is_no_response():
    sweeps = np.array([[1.0, -1.0, 2.0], [-1.0, 1.0, -2.0]])
    found = f_statistic(sweeps)
    assert (found.statistic, found.pvalue) == (0, 1)


def test_identical_buffers_have_no_ratio():
    a = np.linspace(0.1, 0.7, 20) / 3
    for b in (a, a + 1e5):
        found = ab_ratio(a, b, 100, 300)
        assert math.isnan(found.ratio)
        assert math.isnan(found.pvalue)


def test_absurdly_small_numbers_are_no_crash():
    sweeps = np.array([[0.0, 4.5e-219], [4.5e-219, 4.5e-219]])
    assert f_statistic(sweeps).df_num == 1
    assert f_statistic([[1.0, 4.5e-219], [0.0, 0.0]], point=1).statistic == math.inf
    assert ab_ratio([6e-292, 0.0], [0.0, 0.0]).ratio == pytest.approx(1)


# --- growth --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("step", "n_sweeps"), [(1, 12), (2, 12), (5, 23), (100, 350), (350, 350)])
@pytest.mark.parametrize("offset", [0, 1e6])
def test_growth_is_f_of_the_first_sweeps(step, n_sweeps, offset):
    drift = np.linspace(0, 3000, n_sweeps)[:, np.newaxis]
    sweeps = 800 * random_sweeps(n_sweeps, 25) + drift + offset
    found = growth(sweeps, step)
    assert found.n_sweeps.tolist() == list(range(step, n_sweeps + 1, step))
    for n, rn_nv, fmp in zip(found.n_sweeps, found.rn_nv, found.fmp, strict=True):
        if n == 1:
            assert math.isnan(rn_nv)
            assert math.isnan(fmp)
        else:
            expected = f_statistic(sweeps[:n])
            assert rn_nv == pytest.approx(expected.rn_nv, rel=1e-9)
            assert fmp == pytest.approx(expected.statistic, rel=1e-9)


def test_growth_of_tiny_noise_on_a_large_offset():
    """The offset is 10^7 standard deviations; sums of raw squares would lose every digit."""
    sweeps = random_sweeps(60, 10) + 1e7 * np.cos(np.arange(10))
    found = growth(sweeps, 20)
    assert found.rn_nv[-1] == pytest.approx(f_statistic(sweeps).rn_nv, rel=1e-6)


def test_growth_is_write_protected():
    grown = growth(random_sweeps(10, 5), 5)
    for array in (grown.n_sweeps, grown.rn_nv, grown.fmp):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0


# --- A/B ratio -----------------------------------------------------------------------------------


@given(
    arrays(
        np.int64, st.tuples(st.just(2), st.integers(2, 30)), elements=st.integers(-(10**6), 10**6)
    )
)
def test_variances_of_sum_and_difference_differ_by_the_covariance(buffers):
    """var((A+B)/2) - var((A-B)/2) = cov(A, B), through the ratio."""
    a, b = buffers
    minus = ((a - b) / 2).var(ddof=1)
    ratio = ab_ratio(a, b).ratio
    if minus > 0:
        covariance = np.cov(a, b)[0, 1]
        assert (ratio - 1) * minus == pytest.approx(covariance, rel=1e-9, abs=1e-9 * minus)


def test_ab_ratio_of_unequal_counts():
    a, b = random_sweeps(2, 50)
    average = (3 * a + b) / 4
    difference = (a - b) * math.sqrt(3) / 4
    found = ab_ratio(a, b, 3000, 1000)
    assert found.ratio == pytest.approx(average.var() / difference.var(), rel=1e-12)
    no_offset = noise_from_buffers(a - a.mean(), b - b.mean(), 3000, 1000).rn_nv
    assert found.ratio == pytest.approx(average.var() / no_offset**2, rel=1e-12)


def test_ab_ratio_p_is_that_of_f():
    a, b = simulate_average("Q33", 1000, 2, seed=5)
    found = ab_ratio(a[WINDOW], b[WINDOW])
    assert found.df_num == found.df_den
    assert found.pvalue == pytest.approx(stats.f.sf(found.ratio, found.df_num, found.df_den))
    assert ab_ratio(b[WINDOW], a[WINDOW]).ratio == pytest.approx(found.ratio, rel=1e-12)


def test_ab_ratio_of_two_samples_has_one_degree_of_freedom():
    assert ab_ratio([1.0, 2.0], [5.0, 3.0]).df_num == 1


def test_ab_ratio_has_at_most_one_degree_of_freedom_fewer_than_samples():
    impulse = np.zeros(300)
    impulse[150] = 1  # its spectrum is flatter than that of any noise
    assert ab_ratio(impulse, -impulse).df_num == 299


# --- rates without a response --------------------------------------------------------------------


def test_white_noise_fires_at_the_nominal_rate():
    """Six points, 100 sweeps: Fmp is F(5, 594), Fsp F(5, 99) exactly. The reference notes' own runs
    gave 0.0489 and 0.0102 for Fmp. Three rates known exactly, each at 99.9 % confidence."""
    rng = np.random.default_rng(6)
    fmp, fsp = np.transpose(
        [
            (f_statistic(x).statistic, f_statistic(x, point=2).statistic)
            for x in rng.standard_normal((4000, 100, 6))
        ]
    )
    assert_rate(np.sum(fmp > stats.f.ppf(0.95, 5, 594)), 4000, 0.05, 0.05, confidence=0.999)
    assert_rate(np.sum(fmp > stats.f.ppf(0.99, 5, 594)), 4000, 0.01, 0.01, confidence=0.999)
    assert_rate(np.sum(fsp > stats.f.ppf(0.95, 5, 99)), 4000, 0.05, 0.05, confidence=0.999)


def test_calibrated_p_beats_the_customary_degrees_of_freedom():
    """Q33, 5 to 17 ms: the customary test at 5 % is far too careful, as AR(1) in the notes."""
    rng = np.random.default_rng(7)
    p = [
        [f.pvalue, f_statistic(x, 72).pvalue, f.pvalue_with(5, 250)]
        for x in (
            simulate_noise("Q33", 100, seed=rng, independent=True)[:, WINDOW] for _ in range(1000)
        )
        for f in [f_statistic(x)]
    ]
    fmp, fsp, customary = (np.array(p) < 0.05).sum(axis=0)
    assert_rate(fmp, 1000, 0.04, 0.06)
    assert_rate(fsp, 1000, 0.04, 0.07)
    assert_rate(customary, 1000, 0, 0.02)


@pytest.mark.parametrize("n_sweeps", [2, 3, 8, 12])
@pytest.mark.parametrize("kind", ["Q33", "Q100"])
def test_few_blocks_fire_near_the_nominal_rate(kind, n_sweeps):
    rng = np.random.default_rng(8)
    p = [
        f_statistic(simulate_average(kind, 100, n_sweeps, seed=rng)[:, WINDOW]).pvalue
        for _ in range(1000)
    ]
    assert_rate(np.sum(np.array(p) < 0.05), 1000, 0.02, 0.07)


@pytest.mark.parametrize("kind", ["Q33", "Q100", "W"])
def test_ab_ratio_fires_near_the_nominal_rate(kind):
    p = [
        ab_ratio(a, b).pvalue
        for a, b in simulate_average(kind, 1000, 4000, seed=9)[:, WINDOW].reshape(2000, 2, -1)
    ]
    assert_rate(np.sum(np.array(p) < 0.05), 2000, 0.02, 0.06)
    assert_rate(np.sum(np.array(p) < 0.01), 2000, 0.002, 0.02)


@pytest.mark.long
@pytest.mark.parametrize("kind", ["Q33", "Q100", "W", "S33"])
def test_false_positive_rates(kind, capsys):
    """Printed for the docstrings; 20 000 runs of 500 independent sweeps, 5 to 17 ms."""
    rng = np.random.default_rng(10)
    p = []
    for _ in range(20_000):
        x = simulate_noise(kind, 500, n_samples=145, seed=rng, independent=True)
        fmp, fsp = f_statistic(x), f_statistic(x, point=72)
        p.append([fmp.pvalue, fsp.pvalue, fmp.pvalue_with(5, 250)])
    pairs = simulate_average(kind, 1000, 40_000, n_samples=145, seed=rng).reshape(20_000, 2, 145)
    ratio_p = [ab_ratio(a, b).pvalue for a, b in pairs]
    table = np.column_stack([p, ratio_p])
    with capsys.disabled():
        for level in (0.05, 0.01, 0.001):
            rates = np.mean(table < level, axis=0)
            print(
                f"\n{kind:4} at {level}: Fmp {rates[0]:.4f}, Fsp {rates[1]:.4f}, "
                f"customary {rates[2]:.4f}, A/B ratio {rates[3]:.4f}",
                end="",
            )
        print()
    at_5_percent = np.mean(table[:, 0] < 0.05)
    assert 0.04 < at_5_percent < 0.06


# --- bad input -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: f_statistic(HAND[:1]), "sweeps: 1 given, at least 2 needed"),
        (lambda: f_statistic(HAND[:, :1]), "sweeps: 1 sample in the window"),
        (lambda: f_statistic(HAND, 3), "point is 3; it must be a whole number from 0 to 2"),
        (lambda: f_statistic(HAND, -1), "point is -1; it must be a whole number from 0 to 2"),
        (lambda: f_statistic(HAND, 1.0), r"point is 1\.0; it must be a whole number"),
        (lambda: f_statistic([[1.0, math.nan]] * 2), "not a finite number"),
        (lambda: f_statistic(HAND[0]), "sweeps: 1 dimensions given, 2 needed"),
        (lambda: f_statistic(HAND).pvalue_with(0, 250), "both must be positive"),
        (lambda: f_statistic(HAND).pvalue_with(5, math.nan), "both must be positive"),
        (lambda: growth(HAND, 0), "step is 0; it must be a whole number from 1 to 4"),
        (lambda: growth(HAND, 5), "step is 5; it must be a whole number from 1 to 4"),
        (lambda: growth(HAND, 2.5), r"step is 2\.5; it must be a whole number"),
        (lambda: growth(HAND[:, :1], 2), "sweeps: 1 sample in the window"),
        (lambda: growth(HAND[:1], 1), "sweeps: 1 given, at least 2 needed"),
        (lambda: growth([[1.0, math.nan], [2.0, 3.0]], 1), r"index \(0, 1\) is nan"),
        (lambda: growth([[1, math.inf], [2, -math.inf]], 2), r"index \(0, 1\) is inf"),
        (lambda: growth("sweeps", 2), "not an array of numbers"),
        (lambda: ab_ratio([1.0], [2.0]), "a and b: 1 sample in the window"),
        (lambda: ab_ratio([1.0, 2.0], [2.0]), "a has 2 samples, b 1"),
        (lambda: ab_ratio([1.0, 2.0], [2.0, 3.0], 0, 1), "n_a and n_b: every count"),
    ],
)
def test_bad_input(call, message):
    with pytest.raises(DataError, match=message):
        call()


def test_the_count_at_which_a_limit_was_first_met():
    grown = Growth(
        n_sweeps=np.array([100, 200, 300, 400]),
        rn_nv=np.array([40.0, 30.0, 31.0, 20.0]),
        fmp=np.array([math.nan, 2.0, 3.0, 1.0]),
    )
    assert grown.sweeps_to_rn(30.0) == 200
    assert grown.sweeps_to_rn(20.0) == 400
    assert grown.sweeps_to_rn(19.9) is None
    assert grown.sweeps_to_fmp(2.5) == 300
    assert grown.sweeps_to_fmp(3.0) == 300
    assert grown.sweeps_to_fmp(3.1) is None


def test_fsp_of_bursts_is_not_found_too_often():
    """Few degrees of freedom where a few sweeps hold most of the variance; was 14 % at 5 %."""
    rng = np.random.default_rng(61)
    n_runs = 400
    p = [
        f_statistic(simulate_noise("B", 300, seed=rng)[:, 60:205], point=60).pvalue
        for _ in range(n_runs)
    ]
    assert np.mean(np.array(p) <= 0.05) < 0.06
    assert np.mean(np.array(p) <= 0.2) > 0.12
