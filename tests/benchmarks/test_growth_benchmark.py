"""Growth at every 100 of 4000 sweeps of 300 samples, against the plain mean of the same array.

The aim is a cost within four times that of the mean; compare the two rows of

    pytest --no-cov -p no:cacheprovider tests/benchmarks/test_growth_benchmark.py

Times are read by people: nothing is asserted about them.
"""

import numpy as np
import pytest

from waveworks.dsp.fstats import f_statistic, growth


@pytest.fixture(scope="module")
def sweeps():
    return 800 * np.random.default_rng(1).standard_normal((4000, 300))


@pytest.mark.benchmark(group="growth")
def test_mean(benchmark, sweeps):
    average = benchmark(sweeps.mean, axis=0)
    assert average.shape == (300,)


@pytest.mark.benchmark(group="growth")
def test_growth(benchmark, sweeps):
    grown = benchmark(growth, sweeps, 100)
    assert grown.fmp[-1] == pytest.approx(f_statistic(sweeps).statistic, rel=1e-9)
