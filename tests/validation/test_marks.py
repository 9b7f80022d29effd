"""How often noise gets a mark, and how well wave V of 100 nV is found.

Two replicates of 1500 sweeps, V window 6.5 to 12 ms, latencies uniform in 7.5 to 10.5 ms. A rate is
judged by its exact 95 % binomial interval. A small version always runs; the full one takes about
ten minutes and prints the rates:

    pytest -m long -s --no-cov tests/validation/test_marks.py
"""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from waveworks.dsp.peaks import suggest_marks
from waveworks.simulate.noise import simulate_average
from waveworks.simulate.response import response, true_sn10_ms, true_v_ms

TIMES_MS = np.arange(300) / 12
WINDOW_MS = (6.5, 12.0)
TRUE_RN_NV = 800 / math.sqrt(3000)
BOUND_MS = 0.130
"""Cramer-Rao bound of V latency at 100 nV in Q33 (computed apart from this project's code)."""


def interval(count, n_runs):
    return stats.binomtest(count, n_runs).proportion_ci(0.95, method="exact")


def marked_in_noise(kind, n_runs, *, seed, rn_nv):
    """Return how many averages of pure noise get a mark."""
    rng = np.random.default_rng(seed)
    count = 0
    for _ in range(n_runs):
        pair = simulate_average(kind, 1500, 2, seed=rng)
        found = suggest_marks(pair.mean(axis=0), TIMES_MS, rn_nv, WINDOW_MS, replicates=pair)
        count += not math.isnan(found.v_ms)
    return count


def marked_alone(kind, n_runs, *, seed):
    """Return how many averages of pure noise get a mark that come without replicates."""
    rng = np.random.default_rng(seed)
    traces = simulate_average(kind, 3000, n_runs, seed=rng)
    found = [suggest_marks(trace, TIMES_MS, TRUE_RN_NV, WINDOW_MS) for trace in traces]
    return sum(not math.isnan(marks.v_ms) for marks in found)


def recovery(kind, n_runs, *, seed, amplitude_nv=100.0):
    """Return what is found of a response, and how far the plain maximum is off."""
    rng = np.random.default_rng(seed)
    start_ms, stop_ms = WINDOW_MS
    in_window = np.flatnonzero((start_ms <= TIMES_MS) & (stop_ms >= TIMES_MS))
    rows, plain = [], []
    for _ in range(n_runs):
        latency_ms = rng.uniform(7.5, 10.5)
        pair = simulate_average(kind, 1500, 2, seed=rng)
        pair += response(TIMES_MS, latency_ms, amplitude_nv)
        trace = pair.mean(axis=0)
        found = suggest_marks(trace, TIMES_MS, math.nan, WINDOW_MS, replicates=pair)
        truth_ms = true_v_ms(latency_ms)
        plain.append(TIMES_MS[in_window[trace[in_window].argmax()]] - truth_ms)
        rows.append(
            (
                found.v_ms - truth_ms,
                found.v_se_ms,
                found.sn10_ms - true_sn10_ms(latency_ms),
                found.sn10_se_ms,
                found.v_sn10_nv,
                found.v_sn10_corrected_nv,
                found.v_sn10_se_nv,
            )
        )
    error, se, sn10_error, sn10_se, amplitude, corrected, amplitude_se = np.array(rows).T
    marked = ~np.isnan(error)
    return SimpleNamespace(
        n_marked=int(marked.sum()),
        within=int(np.sum(np.abs(error[marked]) <= 0.3)),
        plain_within=int(np.sum(np.abs(plain) <= 0.3)),
        rms_ms=float(np.sqrt(np.mean(error[marked] ** 2))),
        median_se_ms=float(np.median(se[marked])),
        covered=int(np.sum(np.abs(error[marked]) <= 1.96 * se[marked])),
        sn10_covered=int(np.sum(np.abs(sn10_error[marked]) <= 1.96 * sn10_se[marked])),
        mean_nv=float(amplitude[marked].mean()),
        corrected_nv=float(corrected[marked].mean()),
        amplitude_covered=int(
            np.sum(np.abs(corrected[marked] - amplitude_nv) <= 1.96 * amplitude_se[marked])
        ),
    )


@pytest.mark.parametrize("kind", ["Q33", "Q100", "W"])
def test_noise_is_marked_at_about_the_stated_rate(kind):
    """Scale and spectrum both from the replicates. At most 5 %; far fewer would be deafness."""
    rate = interval(marked_in_noise(kind, 300, seed=21, rn_nv=math.nan), 300)
    assert rate.low <= 0.05
    assert rate.high >= 0.025


@pytest.mark.parametrize("kind", ["Q33", "Q100", "W"])
def test_noise_is_not_marked_more_often_where_its_scale_is_known(kind):
    """Less often than stated is lost power: the spectrum is as uncertain as before."""
    rate = interval(marked_in_noise(kind, 200, seed=22, rn_nv=TRUE_RN_NV), 200)
    assert rate.low <= 0.05


@pytest.mark.parametrize("kind", ["Q33", "Q100", "W"])
def test_noise_is_not_marked_more_often_against_the_stated_spectrum(kind):
    """One average, its noise known by its size only."""
    rate = interval(marked_alone(kind, 300, seed=24), 300)
    assert rate.low <= 0.05


def test_a_response_in_one_of_two_replicates_is_rarely_marked():
    """240 nV in one of them. Of 160 nV 7 % are marked, of 80 nV 15 % (1000 runs, seed 900)."""
    rng = np.random.default_rng(25)
    count, n_runs = 0, 200
    for _ in range(n_runs):
        pair = simulate_average("Q33", 1500, 2, seed=rng)
        pair[0] += response(TIMES_MS, rng.uniform(7.5, 10.5), 240.0)
        found = suggest_marks(pair.mean(axis=0), TIMES_MS, math.nan, WINDOW_MS, replicates=pair)
        count += not math.isnan(found.v_ms)
    assert interval(count, n_runs).low <= 0.05


def test_a_response_of_100_nv_is_found():
    n_runs = 200
    found = recovery("Q33", n_runs, seed=23)
    assert interval(found.n_marked, n_runs).high >= 0.95
    assert found.within > found.plain_within  # better than the plain maximum of the same traces
    assert found.rms_ms < 3.1 * BOUND_MS  # the plain maximum's, in the prototypes
    for covered in (found.covered, found.sn10_covered):
        held = interval(covered, found.n_marked)
        assert held.low <= 0.98
        assert held.high >= 0.92
    # most of the picking bias is taken off
    assert abs(found.corrected_nv - 100) < 0.5 * abs(found.mean_nv - 100)


@pytest.mark.long
@pytest.mark.parametrize("kind", ["Q33", "Q100", "W", "S33"])
@pytest.mark.parametrize("rn_nv", [math.nan, TRUE_RN_NV], ids=["scale learned", "scale known"])
def test_long_noise(kind, rn_nv):
    n_runs = 3000
    count = marked_in_noise(kind, n_runs, seed=31, rn_nv=rn_nv)
    rate = interval(count, n_runs)
    print(f"\n{kind}: {count / n_runs:.4f} marked, {rate.low:.4f} to {rate.high:.4f}")
    if kind != "S33":  # slow drift is reported beside, never a target
        assert rate.low <= 0.05


@pytest.mark.long
@pytest.mark.parametrize("kind", ["Q33", "Q100", "W"])
@pytest.mark.parametrize("amplitude_nv", [60.0, 100.0, 150.0])
def test_long_recovery(kind, amplitude_nv):
    n_runs = 2000
    found = recovery(kind, n_runs, seed=32, amplitude_nv=amplitude_nv)
    n = found.n_marked
    print(
        f"\n{kind} {amplitude_nv:g} nV: marked {n / n_runs:.3f}, "
        f"within 0.3 ms {found.within / n:.3f} (plain maximum {found.plain_within / n_runs:.3f}), "
        f"RMS {found.rms_ms:.3f} ms, median SE {found.median_se_ms:.3f} ms, "
        f"95 % interval holds V {found.covered / n:.3f}, SN10 {found.sn10_covered / n:.3f}; "
        f"amplitude {found.mean_nv:.1f} nV, corrected {found.corrected_nv:.1f} nV, "
        f"its interval holds {found.amplitude_covered / n:.3f}"
    )
    assert found.within / n > found.plain_within / n_runs
