"""How often detection tests find noise, and how soon they find a response.

The validation scenarios: successive sweeps of 25 ms at 12 kHz, response window 5 to 17 ms. Every
test sees the same recordings. A rate is judged by its exact 95 % binomial interval: a target is
missed when the whole interval lies outside. The full runs print their rates; on one core the rates
of noise take 80 minutes, the looks at noise 35, each other row of looks 5. Small versions are in
`tests/dsp/test_detection_rates_small.py` and `test_detectors.py`:

    pytest -m long -s --no-cov tests/validation/test_detection_rates.py
"""

import itertools

import numpy as np
import pytest
from scipy import stats

from waveworks.dsp.detectors import DETECTORS
from waveworks.dsp.fstats import f_statistic
from waveworks.dsp.looks import first_look
from waveworks.simulate.noise import simulate_noise
from waveworks.simulate.response import response

TIMES_MS = np.arange(300) / 12
WINDOW = slice(60, 205)
STEP_MS = 1 / 12
KNOWN_TO_MISS = {("hotelling-t2", "B"), ("calibrated-f", "B")}
"""Sweeps with bursts are not Gaussian, both are too careful there. Docs and output say so."""

N_RECORDINGS = 20_000
LOOKS = 200 * np.arange(1, 21)
AT_LOOKS = [name for name in DETECTORS if name != "sign-flip"]


def interval(count, n_runs):
    return stats.binomtest(int(count), int(n_runs)).proportion_ci(0.95, method="exact")


def told(count, n_runs):
    rate = interval(count, n_runs)
    return f"{count / n_runs:.4f} ({rate.low:.4f} to {rate.high:.4f})"


@pytest.mark.long
@pytest.mark.parametrize("kind", ["W", "Q33", "Q100", "D", "B", "M", "S33"])
def test_long_rates_of_noise(kind):
    n_runs, n_sweeps = N_RECORDINGS, 500
    rng = np.random.default_rng(4101)
    pvalues = {name: np.empty(n_runs) for name in DETECTORS}
    for run in range(n_runs):
        sweeps = simulate_noise(kind, n_sweeps, seed=rng)[:, WINDOW]
        for name, detector in DETECTORS.items():
            pvalues[name][run] = detector.looks(sweeps, [n_sweeps], step_ms=STEP_MS).pvalue[0]
    missed = []
    for name, p in pvalues.items():
        hits = {alpha: int(np.sum(p <= alpha)) for alpha in (0.05, 0.01)}
        print(
            f"\n{kind} {name}: " + "; ".join(f"{a:g}: {told(k, n_runs)}" for a, k in hits.items())
        )
        for alpha, count in hits.items():
            rate = interval(count, n_runs)
            if not (rate.low <= 1.2 * alpha and rate.high >= 0.8 * alpha):
                missed.append((name, kind))
    # The customary rule is shown beside, and slow drift is no target.
    missed = [one for one in missed if one[0] != "customary-f" and one[1] != "S33"]
    assert set(missed) <= KNOWN_TO_MISS


@pytest.mark.long
@pytest.mark.parametrize("kind", ["W", "Q33", "Q100", "D", "B", "M"])
def test_long_rates_of_fsp(kind):
    """The single point in the middle of the window; too careful where there are bursts."""
    n_runs = 4000
    rng = np.random.default_rng(4107)
    p = np.empty(n_runs)
    for run in range(n_runs):
        p[run] = f_statistic(simulate_noise(kind, 500, seed=rng)[:, WINDOW], point=72).pvalue
    hits = {alpha: int(np.sum(p <= alpha)) for alpha in (0.05, 0.01)}
    print(f"\n{kind} Fsp: " + "; ".join(f"{a:g}: {told(k, n_runs)}" for a, k in hits.items()))
    for alpha, count in hits.items():
        assert interval(count, n_runs).low <= 1.2 * alpha
        assert interval(count, n_runs).high >= 0.8 * alpha or kind == "B"


@pytest.mark.long
def test_long_looks_at_noise():
    """1 and 5 % overall with 5, 10 and 20 looks within 4000 sweeps of Q33."""
    n_runs = 4000
    rng = np.random.default_rng(4106)
    planned = simulate_noise("Q33", int(LOOKS[-1]), seed=4103)[:, WINDOW]
    pvalues = {name: np.empty((n_runs, len(LOOKS))) for name in AT_LOOKS}
    for run in range(n_runs):
        sweeps = simulate_noise("Q33", int(LOOKS[-1]), seed=rng)[:, WINDOW]
        for name in AT_LOOKS:
            pvalues[name][run] = DETECTORS[name].looks(sweeps, LOOKS, step_ms=STEP_MS).pvalue
    missed = []
    for n_looks in (5, 10, 20):
        at = np.arange(len(LOOKS) // n_looks, len(LOOKS) + 1, len(LOOKS) // n_looks) - 1
        for alpha, (name, p) in itertools.product((0.01, 0.05), pvalues.items()):
            levels = DETECTORS[name].levels(planned, LOOKS[at], alpha, step_ms=STEP_MS)
            hits = int(np.sum(first_look(p[:, at], levels) >= 0))
            print(f"\n{n_looks} looks, {alpha:g} overall, {name}: {told(hits, n_runs)}")
            if name != "customary-f" and interval(hits, n_runs).low > 1.2 * alpha:
                missed.append((n_looks, alpha, name))
    assert not missed


@pytest.mark.long
@pytest.mark.parametrize(
    ("kind", "amplitude_nv"), [("Q33", 0.0), ("Q33", 60.0), ("Q33", 100.0), ("S33", 0.0)]
)
def test_long_looks(kind, amplitude_nv):
    """1 % overall, 20 looks of 200 sweeps, R(8.0, a); the customary rule is Fmp above 3.1."""
    n_runs = 1000
    wave = response(TIMES_MS, 8.0, amplitude_nv)
    rng = np.random.default_rng(4102)
    planned = simulate_noise(kind, int(LOOKS[-1]), seed=4103)[:, WINDOW]
    levels = {
        name: DETECTORS[name].levels(planned, LOOKS, 0.01, step_ms=STEP_MS) for name in AT_LOOKS
    }
    levels["customary-f"] = np.full(len(LOOKS), stats.f.sf(3.1, 5, 250))
    found = {name: np.empty(n_runs, dtype=int) for name in AT_LOOKS}
    for run in range(n_runs):
        sweeps = (simulate_noise(kind, int(LOOKS[-1]), seed=rng) + wave)[:, WINDOW]
        for name in AT_LOOKS:
            p = DETECTORS[name].looks(sweeps, LOOKS, step_ms=STEP_MS).pvalue
            found[name][run] = first_look(p, levels[name])
    for name, looks in found.items():
        hits = int(np.sum(looks >= 0))
        sweeps_needed = np.where(looks >= 0, LOOKS[looks], np.inf)
        print(
            f"\n{kind}, {amplitude_nv:g} nV, {name}: found {told(hits, n_runs)}, "
            f"median {np.median(sweeps_needed):g} sweeps, level {levels[name][0]:.5f}"
        )
        if amplitude_nv == 0 and kind == "Q33":
            assert interval(hits, n_runs).low <= 1.2 * 0.01
    if amplitude_nv and "shape" in found:
        shape, customary = found["shape"], found["customary-f"]
        if amplitude_nv == 100:
            medians = [np.median(np.where(x >= 0, LOOKS[x], np.inf)) for x in (shape, customary)]
            assert medians[0] <= 0.65 * medians[1]
        else:
            assert np.sum(shape >= 0) >= 2.2 * np.sum(customary >= 0)
