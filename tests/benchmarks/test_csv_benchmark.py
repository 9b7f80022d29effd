"""Reading our own CSV form, both ways round, against pandas.read_csv of the same bytes.

The aim is a cost within twice that of pandas; compare the two rows of each group of

    pytest --no-cov -p no:cacheprovider tests/benchmarks/test_csv_benchmark.py

Times are read by people: nothing is asserted about them.
"""

import io

import numpy as np
import pandas as pd
import pytest

from waveworks.loaders.csv_data import read_csv

N_SWEEPS, N_SAMPLES = 4000, 300


@pytest.fixture(scope="module")
def sweeps():
    return np.random.default_rng(1).normal(0, 5, (N_SWEEPS, N_SAMPLES)).round(4)


def _text(corner, names, labels, values):
    lines = [",".join([corner, *names])]
    lines += [
        ",".join([label, *map(repr, row)])
        for label, row in zip(labels, values.tolist(), strict=True)
    ]
    return ("\n".join(lines) + "\n").encode()


@pytest.fixture(scope="module", params=["samples in rows", "sweeps in rows"])
def data(request, sweeps):
    times = [f"{0.05 * n:.2f}" for n in range(N_SAMPLES)]
    names = [f"s{n}" for n in range(N_SWEEPS)]
    if request.param == "samples in rows":
        return _text("time_ms", names, times, sweeps.T)
    return _text("sweep", times, names, sweeps)


@pytest.mark.benchmark(group="csv")
def test_pandas(benchmark, data):
    frame = benchmark(lambda: pd.read_csv(io.BytesIO(data)))
    assert frame.size in ((N_SWEEPS + 1) * N_SAMPLES, N_SWEEPS * (N_SAMPLES + 1))


@pytest.mark.benchmark(group="csv")
def test_read_csv(benchmark, data, sweeps):
    signals = benchmark(read_csv, data, name="x.csv", unit="nV")
    np.testing.assert_array_equal(signals.values_nv, sweeps)
