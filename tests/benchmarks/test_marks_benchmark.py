"""How long suggestions take. Target: 10,000 traces of 300 samples in 60 s on two cores.

    pytest tests/benchmarks/test_marks_benchmark.py --no-cov -s

One process, so one core, is enough: 38 s, with some other work on the machine. Where others use it
too, `--benchmark-timer time.process_time` counts the time of this process alone.

The cost is in proportion to the number of traces after the first few, whose plan and draws of noise
are made once for each window, sampling and kind of evidence; to the samples of the response window
for each of the spectra that are likely; and, with a bootstrap, to its draws. A level under a marked
one takes ten times as long, because its null distribution depends on the level above. Memory is
mostly the results that are kept, 31 KB each (measured), and the draws, 2 MB for each spectrum and
plan of this window (1000 draws of 9 shapes at 56 latencies, four bytes each).
"""

import math
import resource

import numpy as np
import pytest

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


def peak_memory_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000


@pytest.mark.parametrize("n", [1, 100, 1000, 10_000])
def test_traces(benchmark, n):
    """The first rows also make the draws of noise that the later ones find made."""
    traces = pairs(n)
    before_mb = peak_memory_mb()
    found = benchmark.pedantic(suggest, (traces,), {"bootstrap": False}, rounds=1)
    benchmark.extra_info["peak_memory_mb"] = round(peak_memory_mb())
    print(f"\n{n} traces: peak memory {peak_memory_mb():.0f} MB, {before_mb:.0f} MB before")
    assert len(found) == n


def test_a_hundred_traces_with_bootstrap(benchmark):
    rng = np.random.default_rng(2)
    blocks = simulate_average("Q33", 50, 6000, seed=rng).reshape(100, 60, 300)

    def run():
        return [
            suggest_marks(
                parts.mean(axis=0),
                TIMES_MS,
                math.nan,
                (6.5, 12.0),
                noise=(parts - parts.mean(axis=0)) / math.sqrt(59),
            )
            for parts in blocks
        ]

    assert len(benchmark.pedantic(run, rounds=1)) == 100


def test_series_of_five_levels(benchmark):
    alone = suggest(pairs(100), bootstrap=False)
    levels = 60.0 - 10 * np.arange(5)

    def together():
        return [suggest_series(alone[i : i + 5], levels, bootstrap=False) for i in range(0, 100, 5)]

    assert len(benchmark.pedantic(together, rounds=1)) == 20
