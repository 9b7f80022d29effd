"""Sequential limits against tables and a worked example.

Where each number comes from:

- published, digits read in public source files, the paper itself was not: the 5 % row of Pocock
  1977, Biometrika 64:191-199;
- published, read in the documentation: SAS/STAT SEQDESIGN, example 3
  (support.sas.com/documentation/cdl/en/statug/66103, statug_seqdesign_examples03);
- computed by another program, a recursive integration of its own: all rows called COMPUTED;
- from memory: what says so.
"""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from waveworks.dsp.first_crossing import crossing_probabilities
from waveworks.dsp.group_sequential import (
    sequential_limits,
    spending_limits,
    spent,
    uncorrected_rate,
)

# What rounding may change, and the accuracy that is asked of an integration: the rate of 50 looks
# is 0.3204500039 (also by Simpson's rule on 4001 points), so close to a tie that it matters.
FOUR_DECIMALS = 0.5e-4 + 1e-6
THREE_DECIMALS = 0.5e-3 + 1e-6

PUBLISHED_POCOCK = [1.960, 2.178, 2.289, 2.361, 2.413, 2.453, 2.485, 2.512, 2.535, 2.555]

# looks: Pocock at 5, 1, 10 %; O'Brien-Fleming's last limit at 5, 1, 10 %; two-sided.
COMPUTED_LIMITS = {
    1: (1.9600, 2.5758, 1.6449, 1.9600, 2.5758, 1.6449),
    2: (2.1783, 2.7718, 1.8754, 1.9774, 2.5796, 1.6780),
    3: (2.2895, 2.8730, 1.9922, 2.0040, 2.5949, 1.7096),
    4: (2.3613, 2.9387, 2.0674, 2.0243, 2.6091, 1.7331),
    5: (2.4132, 2.9863, 2.1217, 2.0401, 2.6212, 1.7509),
    6: (2.4532, 3.0231, 2.1635, 2.0528, 2.6314, 1.7649),
    8: (2.5123, 3.0775, 2.2253, 2.0722, 2.6476, 1.7859),
    10: (2.5550, 3.1169, 2.2699, 2.0865, 2.6599, 1.8012),
}

# looks: one-sided Pocock at 5 and 1 %.
COMPUTED_ONE_SIDED = {
    2: (1.8754, 2.5311),
    3: (1.9922, 2.6362),
    4: (2.0674, 2.7043),
    5: (2.1217, 2.7536),
    10: (2.2700, 2.8885),
}

# looks: overall rate at nominal 5 and 1 %. The first column to three decimals up to 20 looks is
# that of Armitage, McPherson & Rowe 1969, from memory.
COMPUTED_UNCORRECTED = {
    2: (0.0831, 0.0177),
    3: (0.1073, 0.0237),
    4: (0.1262, 0.0286),
    5: (0.1417, 0.0327),
    10: (0.1934, 0.0474),
    20: (0.2479, 0.0640),
    50: (0.3204, 0.0880),
}

FIFTHS = [0.2, 0.4, 0.6, 0.8, 1.0]


@pytest.mark.parametrize(("n_looks", "limit"), list(enumerate(PUBLISHED_POCOCK, start=1)))
def test_published_pocock_limits(n_looks, limit):
    found = sequential_limits(n_looks, 0.05, "pocock")
    assert found == pytest.approx(np.full(n_looks, limit), abs=THREE_DECIMALS)


@pytest.mark.parametrize("n_looks", COMPUTED_LIMITS)
def test_computed_two_sided_limits(n_looks):
    found = [
        sequential_limits(n_looks, alpha, kind)[-1]
        for kind in ("pocock", "obrien-fleming")
        for alpha in (0.05, 0.01, 0.1)
    ]
    assert found == pytest.approx(COMPUTED_LIMITS[n_looks], abs=FOUR_DECIMALS)


def test_computed_obrien_fleming_limits_at_every_look():
    found = sequential_limits(4, 0.05, "obrien-fleming")
    assert found == pytest.approx([4.0486, 2.8628, 2.3375, 2.0243], abs=FOUR_DECIMALS)


@pytest.mark.parametrize("n_looks", COMPUTED_ONE_SIDED)
def test_computed_one_sided_limits(n_looks):
    found = [sequential_limits(n_looks, alpha, "pocock", sides=1)[0] for alpha in (0.05, 0.01)]
    assert found == pytest.approx(COMPUTED_ONE_SIDED[n_looks], abs=FOUR_DECIMALS)


@pytest.mark.parametrize("n_looks", COMPUTED_UNCORRECTED)
def test_computed_rates_of_uncorrected_looks(n_looks):
    found = [uncorrected_rate(n_looks, alpha) for alpha in (0.05, 0.01)]
    assert found == pytest.approx(COMPUTED_UNCORRECTED[n_looks], abs=FOUR_DECIMALS)


@pytest.mark.parametrize(
    ("spending", "amounts"),
    [
        ("obrien-fleming", [0.000012, 0.001942, 0.011396, 0.028430, 0.05]),
        ("pocock", [0.014770, 0.026157, 0.035426, 0.043242, 0.05]),
    ],
)
def test_computed_spending(spending, amounts):
    assert spent(FIFTHS, 0.05, spending) == pytest.approx(amounts, abs=0.5e-6 + 1e-9)


@pytest.mark.parametrize(
    ("spending", "limits"),
    [
        ("obrien-fleming", [4.8769, 3.3569, 2.6803, 2.2898, 2.0310]),
        ("pocock", [2.4380, 2.4268, 2.4101, 2.3966, 2.3859]),
    ],
)
def test_spending_limits_known_from_memory(spending, limits):
    """From memory: tables of one-sided 2.5 %, by a coarse integration; the last digit may be 1 off.

    So the tolerance is one and a half units of the last digit.
    """
    found = spending_limits(FIFTHS, 0.025, spending, sides=1)
    assert found == pytest.approx(limits, abs=1.5e-4)


def test_published_design_of_four_looks():
    """SAS/STAT SEQDESIGN, example 3: Pocock, 5 %, power 90 % for an effect of 0.4.

    Its printed figures agree with each other to 3e-6 only (77.69844 * 0.4^2 / 1.183143 is
    10.50739, and the fixed test needs 10.50742), which is the tolerance here.
    """
    limits = sequential_limits(4, 0.05, "pocock")
    shares = np.arange(1, 5) / 4
    fixed = (stats.norm.isf(0.025) + stats.norm.isf(0.1)) ** 2
    drift = optimize.brentq(
        lambda drift: crossing_probabilities(limits, shares, drift).power - 0.9, 3, 4
    )
    scale = 100 * drift**2 / fixed  # of the largest information, in % of the fixed test's
    without = crossing_probabilities(limits, shares)
    with_effect = crossing_probabilities(limits, shares, drift)
    found = [
        scale * without.maximum_information,
        scale * without.expected_information,
        scale * with_effect.expected_information,
        drift**2 / 0.4**2,
    ]
    assert found == pytest.approx([118.3143, 115.6074, 69.74805, 77.69844], rel=3e-6)


def test_computed_design_that_counts_both_directions_needs_less():
    """COMPUTED: 118.3067 % where crossings on the wrong side count as power too."""
    limits = sequential_limits(4, 0.05, "pocock")
    fixed = stats.norm.isf(0.025) + stats.norm.isf(0.1)
    drift = optimize.brentq(
        lambda drift: crossing_probabilities(limits, np.arange(1, 5) / 4, drift).overall - 0.9, 3, 4
    )
    assert 100 * (drift / fixed) ** 2 == pytest.approx(118.3067, abs=FOUR_DECIMALS)


def test_nominal_p_of_pocock():
    """COMPUTED nominal p, two-sided 5 %."""
    found = [math.erfc(sequential_limits(n, 0.05, "pocock")[0] / math.sqrt(2)) for n in (2, 5, 10)]
    assert found == pytest.approx([0.02939, 0.01581, 0.01062], abs=0.5e-5 + 1e-9)
