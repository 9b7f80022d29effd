"""How often each test finds noise: a small version of the validation scenarios, always on.

All six kinds of noise, successive sweeps that depend on each other, 5 to 17 ms, every test on the
same recordings. The long version, with 20,000 recordings of 500 sweeps each, is in
`tests/validation/test_detection_rates.py`.

Fifty-six rates are judged, so with 95 % intervals each the seed would have to be chosen. The exact
interval is therefore the family-wise one (Bonferroni): tests within 0.8 to 1.2 of their level fail
in less than 5 % of all seeds. On one noise that lets pass counted rates of 1 to 11 % at 5 %, and
9.3 to 32.3 % at 20 %; on all together 2.6 to 7.9 %, and 13.2 to 27.4 %. That faults are seen is
checked on two rules that are known to be wrong, and on each test with its p doubled and halved.
"""

import numpy as np
import pytest
from scipy import stats

from waveworks.dsp import detectors
from waveworks.dsp.detectors import DETECTORS
from waveworks.simulate.noise import simulate_noise

KINDS = ("W", "Q33", "Q100", "D", "B", "M")
TESTS = ("calibrated-f", "sign-flip", "hotelling-t2", "shape")
LEVELS = (0.05, 0.2)
N_RECORDINGS, N_SWEEPS, SEED = 300, 300, 4201
WINDOW = slice(60, 205)
STEP_MS = 1 / 12

TOO_CAREFUL = ("hotelling-t2", "B")
"""Rare large sweeps: T2 finds less than it says there, as docs and output tell."""

N_JUDGED = len(LEVELS) * len(TESTS) * (len(KINDS) + 1)


def textbook_f(fmp):
    """The one-way analysis of variance with time points as groups, right for white noise only."""
    n_samples = WINDOW.stop - WINDOW.start
    return float(stats.f.sf(fmp, n_samples - 1, n_samples * (N_SWEEPS - 1)))


@pytest.fixture(scope="module")
def pvalues():
    """p of each test on each noise, shape (n_recordings,)."""
    found = {}
    with pytest.MonkeyPatch.context() as patch:
        # 999 flips hold the rate as 9999 do: the rank of the sweeps as they are is uniform.
        patch.setattr(detectors, "N_FLIPS", 999)
        for kind, seed in zip(KINDS, np.random.SeedSequence(SEED).spawn(len(KINDS)), strict=True):
            rng = np.random.default_rng(seed)
            p = {name: np.empty(N_RECORDINGS) for name in (*TESTS, "customary-f", "textbook-f")}
            for run in range(N_RECORDINGS):
                sweeps = simulate_noise(kind, N_SWEEPS, seed=rng)[:, WINDOW]
                for name in (*TESTS, "customary-f"):
                    looks = DETECTORS[name].looks(sweeps, [N_SWEEPS], step_ms=STEP_MS)
                    p[name][run] = looks.pvalue[0]
                p["textbook-f"][run] = textbook_f(looks.statistic[0])
            found |= {(name, kind): values for name, values in p.items()}
    return found


def faults(pvalues, name, kinds):
    """Say at which levels the whole interval lies outside 0.8 to 1.2 of the level."""
    p = np.concatenate([pvalues[name, kind] for kind in kinds])
    found = []
    for level in LEVELS:
        hits = int(np.sum(p <= level))
        share = stats.binomtest(hits, p.size).proportion_ci(1 - 0.05 / N_JUDGED, method="exact")
        if share.low > 1.2 * level:
            found.append(f"too often at {level:g}: {hits} of {p.size}")
        if share.high < 0.8 * level:
            found.append(f"too seldom at {level:g}: {hits} of {p.size}")
    return found


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", TESTS)
def test_noise_is_found_at_the_nominal_rate(pvalues, name, kind):
    found = faults(pvalues, name, [kind])
    if (name, kind) == TOO_CAREFUL:
        found = [line for line in found if "too often" in line]
    assert not found


@pytest.mark.parametrize("name", TESTS)
def test_noise_of_all_kinds_together_is_found_at_the_nominal_rate(pvalues, name):
    assert not faults(pvalues, name, [kind for kind in KINDS if (name, kind) != TOO_CAREFUL])


@pytest.mark.parametrize("kind", KINDS)
def test_a_rule_that_finds_too_little_is_seen(pvalues, kind):
    """F(5, 250), whose 20 % point is far above that of each of these noises."""
    assert any("too seldom" in line for line in faults(pvalues, "customary-f", [kind]))


def test_a_rule_that_finds_too_much_is_seen(pvalues):
    """Samples of coloured noise are not independent; of white noise they are."""
    assert not faults(pvalues, "textbook-f", ["W"])
    for kind in KINDS[1:]:
        assert any("too often" in line for line in faults(pvalues, "textbook-f", [kind])), kind


@pytest.mark.parametrize("name", TESTS)
def test_rates_of_twice_and_of_half_the_level_are_seen(pvalues, name):
    """The same tests, wrong by a factor of two in p."""
    kinds = [kind for kind in KINDS if (name, kind) != TOO_CAREFUL]
    for factor, words in ((0.5, "too often"), (2.0, "too seldom")):
        found = faults({(name, kind): factor * pvalues[name, kind] for kind in kinds}, name, kinds)
        assert found
        assert all(words in line for line in found)
