"""What looking often does to a limit: growth curves and correlation over lags, in noise alone.

Noise Q33, window 5 to 17 ms at 12 kHz. The small versions always run; the full ones print the rates
that the explanation page states:

    pytest -m long -s --no-cov tests/validation/test_repeated_looks.py
"""

import numpy as np
import pytest
from scipy import stats

from waveworks.dsp.agreement import agreement, cross_correlation
from waveworks.dsp.fstats import growth
from waveworks.simulate.noise import simulate_noise

TIMES_MS = np.arange(300) / 12.0
WINDOW = (TIMES_MS >= 5) & (TIMES_MS <= 17)
MOST_LAG = 24  # 2 ms


def fmp_in_noise(n_runs, n_sweeps):
    """Return Fmp after every hundred sweeps, a row a run."""
    return np.array(
        [
            growth(simulate_noise("Q33", n_sweeps, seed=seed, independent=True)[:, WINDOW], 100).fmp
            for seed in range(10_000, 10_000 + n_runs)
        ]
    )


def passed_over_lags(n_pairs):
    """Return how often the 5 % limit of r is passed at lag 0, and at the best lag within 2 ms."""
    traces = simulate_noise("Q33", 2 * n_pairs, seed=77, independent=True)[:, WINDOW]
    at_zero = at_best = 0
    for x, y in zip(traces[::2], traces[1::2], strict=True):
        limit = agreement(x, y).critical_r(0.05)
        r = cross_correlation(x, y, MOST_LAG).r
        at_zero += r[MOST_LAG] >= limit
        at_best += r.max() >= limit
    return int(at_zero), int(at_best)


def interval(count, n):
    return stats.binomtest(count, n).proportion_ci(0.95)


def test_a_limit_that_is_right_for_one_look_is_passed_more_often_by_many():
    fmp = fmp_in_noise(300, 1000)
    limit = np.quantile(fmp[:, -1], 0.95)  # by construction 15 of 300 pass at the end
    once, often = (int(np.sum(x)) for x in (fmp[:, -1] >= limit, (fmp >= limit).any(axis=1)))
    assert once == 15
    assert interval(often, 300).low > 0.08


def test_the_limit_of_r_holds_at_lag_0_and_not_over_lags():
    at_zero, at_best = passed_over_lags(600)
    assert interval(at_zero, 600).low <= 0.065
    assert interval(at_zero, 600).high >= 0.05
    assert interval(at_best, 600).low > 0.3


@pytest.mark.long
def test_the_rates_of_the_explanation_page(capsys):
    n_runs = 4000
    fmp = fmp_in_noise(n_runs, 2000)
    limit = float(np.quantile(fmp[:, -1], 0.95))
    counts = {
        "2.2 at the end": int(np.sum(fmp[:, -1] >= 2.2)),
        "2.2 at any of 20 looks": int(np.sum((fmp >= 2.2).any(axis=1))),
        f"own 5 % limit {limit:.3f} at any look": int(np.sum((fmp >= limit).any(axis=1))),
    }
    counts["r at lag 0"], counts["r at the best lag"] = passed_over_lags(n_runs)
    with capsys.disabled():
        for name, count in counts.items():
            low, high = interval(count, n_runs)
            print(f"\n{name}: {count / n_runs:.4f} ({low:.4f} to {high:.4f})", end="")
        print()
    stated = dict(zip(counts, (0.005, 0.028, 0.26, 0.0575, 0.45), strict=True))
    for name, rate in stated.items():
        low, high = interval(counts[name], n_runs)
        assert low - 0.005 <= rate <= high + 0.005, name  # the page rounds
