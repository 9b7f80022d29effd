"""How long suggestions take. Target: 10,000 traces of 300 samples in 60 s on two cores.

    pytest tests/benchmarks/test_marks_benchmark.py --no-cov

The cost is in proportion to the number of traces after the first few, whose plan and draws of noise
are made once for each window, sampling and kind of evidence; to the samples of the response window
for each of the spectra that are likely; and, with a bootstrap, to its draws. A level under a marked
one takes ten times as long, because its null distribution depends on the level above.
"""

import math

import numpy as np

from waveworks.dsp.peaks import suggest_marks, suggest_series
from waveworks.simulate.noise import simulate_average
from waveworks.simulate.response import response

TIMES_MS = np.arange(300) / 12


def pairs(n):
    """Half with a response, half without."""
    drawn = simulate_average("Q33", 1500, 2 * n, seed=1).reshape(n, 2, 300)
    drawn[::2] += response(TIMES_MS, 9.0, 90.0)
    return drawn


def suggest(traces, **options):
    return [
        suggest_marks(
            pair.mean(axis=0), TIMES_MS, math.nan, (6.5, 12.0), replicates=pair, **options
        )
        for pair in traces
    ]


def test_ten_thousand_traces(benchmark):
    traces = pairs(10_000)
    found = benchmark.pedantic(suggest, (traces,), {"bootstrap": False}, rounds=1)
    assert len(found) == 10_000


def test_series_of_five_levels(benchmark):
    alone = suggest(pairs(100), bootstrap=False)
    levels = 60.0 - 10 * np.arange(5)

    def together():
        return [suggest_series(alone[i : i + 5], levels, bootstrap=False) for i in range(0, 100, 5)]

    assert len(benchmark.pedantic(together, rounds=1)) == 20
