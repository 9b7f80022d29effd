"""Tails of weighted chi-square sums against scipy, closed forms, a table and another integral."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from waveworks.dsp.quadratic_forms import ratio_upper_tail, upper_tail
from waveworks.errors import DataError


@pytest.mark.parametrize("df", [1, 2, 5, 21, 144])
def test_equal_weights_are_chi_square(df):
    for value in (1e-3, 0.5 * df, df, 2 * df, 6 * df, 300.0):
        expected = stats.chi2.sf(value, df)
        assert upper_tail(value, np.ones(df)) == pytest.approx(expected, rel=1e-9)
        assert upper_tail(3 * value, [3.0], df) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("df_num", [1, 3, 19, 21, 144])
@pytest.mark.parametrize("df_den", [1, 5, 50, 1999, 1e5, 1e7])
def test_a_ratio_of_equal_weights_is_f(df_num, df_den):
    for ratio in (0.05, 0.9, 1.0, 1.1, 2.25, 3.1, 9.0):
        found = ratio_upper_tail(ratio, np.full(df_num, 1 / df_num), [1 / df_den], df_den)
        assert found == pytest.approx(stats.f.sf(ratio, df_num, df_den), rel=1e-7, abs=1e-200)


def test_the_table_of_imhof():
    """0.6, 0.3 and 0.1 times chi-square (Imhof 1961, Biometrika 48:419-426; digits from memory)."""
    for value, expected in ((0.1, 0.9458), (0.7, 0.5064), (2.0, 0.1240)):
        assert upper_tail(value, [0.6, 0.3, 0.1]) == pytest.approx(expected, abs=5e-5)


def test_two_exponentials_in_closed_form():
    """Two degrees of freedom are an exponential: sums and differences have short formulas."""
    a, b = 2.0, 0.5
    for value in (0.1, 3.0, 40.0, 400.0):
        total = (a * math.exp(-value / 2 / a) - b * math.exp(-value / 2 / b)) / (a - b)
        assert upper_tail(value, [a, b], [2, 2]) == pytest.approx(total, rel=1e-10)
        apart = a / (a + b) * math.exp(-value / 2 / a)
        assert upper_tail(value, [a, -b], [2, 2]) == pytest.approx(apart, rel=1e-10)
        below = b / (a + b) * math.exp(-value / 2 / b)
        assert upper_tail(-value, [a, -b], [2, 2]) == pytest.approx(1 - below, rel=1e-10)


@pytest.mark.parametrize("seed", range(6))
def test_the_integral_of_imhof_gives_the_same(seed):
    """1/2 + 1/pi int sin(theta) / (u rho): along the real frequency, by scipy's quad."""
    rng = np.random.default_rng(seed)
    weights, df = (
        rng.uniform(0.2, 2, 6) * np.where(rng.random(6) < 0.3, -1, 1),
        rng.integers(1, 4, 6),
    )
    value = float(weights @ df + 2 * math.sqrt(2 * weights**2 @ df) * rng.uniform(-0.7, 1))

    def integrand(u):
        theta = 0.5 * np.sum(df * np.arctan(weights * u)) - 0.5 * value * u
        rho = np.prod((1 + (weights * u) ** 2) ** (df / 4))
        return math.sin(theta) / (u * rho)

    by_quad = 0.5 + integrate.quad(integrand, 0, np.inf, limit=500)[0] / math.pi
    assert upper_tail(value, weights, df) == pytest.approx(by_quad, abs=1e-7)


@given(
    st.lists(st.floats(-3, 3).filter(lambda x: abs(x) > 1e-3), min_size=1, max_size=8),
    st.floats(-20, 20).filter(lambda x: x == 0 or abs(x) > 1e-6),
)
def test_both_tails_add_up_to_one(weights, value):
    above, below = upper_tail(value, weights), upper_tail(-value, [-w for w in weights])
    assert above + below == pytest.approx(1, abs=1e-9)
    assert 0 <= above <= 1


def test_weights_of_zero_and_of_one_sign_are_nothing_special():
    assert upper_tail(1.0, [1.0, 0.0]) == upper_tail(1.0, [1.0])
    assert upper_tail(1.0, [-1.0, -2.0]) == 0
    assert upper_tail(-1.0, [-1.0]) == pytest.approx(stats.chi2.cdf(1, 1))
    assert ratio_upper_tail(0.0, [1.0, 2.0], [1.0], 5) == 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((math.nan, [1.0]), "value is nan"),
        ((1.0, [0.0, 0.0]), "weights: all are 0"),
        ((1.0, [math.inf]), "weights"),
        ((1.0, []), "weights: empty"),
        ((1.0, [1.0], [0.0]), "df"),
        ((1.0, [1.0], [1.0, 2.0]), "df: 2 values given, 1 needed"),
    ],
)
def test_bad_input_is_told_in_one_line(arguments, words):
    with pytest.raises(DataError, match=words) as caught:
        upper_tail(*arguments)
    assert "\n" not in str(caught.value)
