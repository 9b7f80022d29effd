"""Experiments: rates that are known, the same result on any executor, paired recordings."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from waveworks.calibration import (
    CALIBRATION_COLUMNS,
    Cell,
    Experiment,
    SessionNoise,
    SimulatedNoise,
    calibration_table,
    not_made,
    off_nominal,
    run,
)
from waveworks.dsp import detectors
from waveworks.dsp.detectors import Detector
from waveworks.errors import DataError
from waveworks.model import TimeAxis
from waveworks.parallel import cluster, worker_pool
from waveworks.simulate.noise import simulate_noise

QUICK = ("calibrated-f", "hotelling-t2")


def small(**changes):
    plan = {
        "sources": (SimulatedNoise("W"),),
        "tests": QUICK,
        "amplitudes_nv": (0.0, 400.0),
        "alpha": 0.05,
        "looks": (60, 120),
        "n_runs": 60,
        "seed": 3,
    }
    return Experiment(**(plan | changes))


@pytest.fixture(scope="module")
def alone():
    return calibration_table(small(), run(small()))


def test_columns_counts_and_intervals(alone):
    assert tuple(alone.columns) == CALIBRATION_COLUMNS
    assert alone["test"].tolist() == [*QUICK, *QUICK]
    assert alone["amplitude_nv"].tolist() == [0.0, 0.0, 400.0, 400.0]
    for row in alone.itertuples():
        # Clopper and Pearson 1934 (from memory) as quantiles of beta distributions.
        k = row.detected
        low = stats.beta.ppf(0.025, k, 60 - k + 1) if k else 0
        high = stats.beta.ppf(0.975, k + 1, 60 - k) if k < 60 else 1
        np.testing.assert_allclose([row.rate_low, row.rate_high], [low, high], rtol=1e-6)
        assert row.rate == row.detected / 60
    assert (alone["rate"][2:] > 0.9).all()
    assert (alone["rate"][:2] < 0.2).all()
    assert set(alone["median_sweeps"][2:]) <= {60.0, 120.0}
    assert alone["median_sweeps"][:2].isna().all()


def test_two_processes_give_the_same_table(alone):
    with worker_pool(2) as executor:
        found = calibration_table(small(), run(small(), executor=executor))
    pd.testing.assert_frame_equal(found, alone)


def test_a_dask_cluster_gives_the_same_table(alone):
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0"
        ) as local,
        cluster(local.scheduler_address) as executor,
    ):
        found = calibration_table(small(), run(small(), executor=executor))
    pd.testing.assert_frame_equal(found, alone)


def test_a_test_with_a_known_p_has_the_rate_alpha(monkeypatch):
    """A p that the first sample of white noise gives, uniform: nothing else decides."""

    def coin(sweeps, _):
        return 0.0, float(stats.norm.sf(sweeps[0, 0] / 800)), ""

    monkeypatch.setitem(detectors.DETECTORS, "coin", Detector("coin", "a coin", coin, None))
    plan = small(tests=("coin",), amplitudes_nv=(0.0,), looks=(2,), n_runs=2000, alpha=0.1)
    (cell,) = run(plan)
    assert stats.kstest(cell.pvalues, "uniform").pvalue > 0.001
    assert abs(np.mean(cell.found >= 0) - 0.1) < 4 * np.sqrt(0.1 * 0.9 / 2000)


def test_every_test_and_amplitude_sees_the_same_recordings(monkeypatch):
    def first(sweeps, _):
        return 0.0, float(stats.norm.sf(sweeps[0, 0] / 800)), ""

    for name in ("one", "two"):
        monkeypatch.setitem(detectors.DETECTORS, name, Detector(name, name, first, None))
    plan = small(tests=("one", "two"), amplitudes_nv=(0.0, 1e-9), looks=(2,))
    cells = run(plan)
    for cell in cells[1:]:
        np.testing.assert_allclose(cell.pvalues, cells[0].pvalues, atol=1e-9)


def test_progress_counts_the_batches():
    seen = []
    plan = small(n_runs=51, amplitudes_nv=(0.0,), tests=("hotelling-t2",))
    run(plan, on_done=seen.append)
    assert plan.n_tasks == 3
    assert seen[-1] == 3


def test_a_row_does_not_depend_on_what_else_was_tried():
    """A row names its noise, test, amplitude and seed, so these must be enough to repeat it."""
    alone = run(small(amplitudes_nv=(0.0,), tests=("hotelling-t2",), n_runs=20))[0]
    both = (SimulatedNoise("Q33"), SimulatedNoise("W"))
    among = run(small(sources=both, amplitudes_nv=(400.0, 0.0), n_runs=20))
    assert (among[-1].noise, among[-1].test, among[-1].amplitude_nv) == ("W", "hotelling-t2", 0.0)
    np.testing.assert_array_equal(among[-1].pvalues, alone.pvalues)
    np.testing.assert_array_equal(among[-1].found, alone.found)


def cell(n_found, n_runs):
    found = np.where(np.arange(n_runs) < n_found, 0, -1)
    return Cell(
        noise="Q33",
        test="calibrated-f",
        amplitude_nv=0.0,
        levels=np.array([0.05]),
        found=found,
        pvalues=np.full(n_runs, 0.5),
    )


@pytest.mark.parametrize(
    ("n_found", "words"), [(100, "do not use it"), (20, "power is lost"), (50, None)]
)
def test_a_rate_that_is_not_held_is_told(n_found, words):
    lines = off_nominal(small(looks=(60,)), [cell(n_found, 1000)])
    assert [words in line for line in lines] == ([] if words is None else [True])


def test_impossible_plans_are_refused():
    with pytest.raises(DataError, match="noise 'X' is none of Q33, "):
        SimulatedNoise("X")
    with pytest.raises(DataError, match="n_runs is 0"):
        run(small(n_runs=0))
    with pytest.raises(DataError, match="alpha is 2"):
        run(small(alpha=2.0))
    with pytest.raises(DataError, match="at least 1 that rise"):
        run(small(looks=(200, 100)))
    with pytest.raises(DataError, match="amplitude is nan nV"):
        run(small(amplitudes_nv=(float("nan"),)))
    with pytest.raises(DataError, match=r"test .*'coin'"):
        run(small(tests=("coin",)))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"sources": ()}, "sources is empty"),
        ({"amplitudes_nv": ()}, "amplitudes_nv is empty"),
        ({"tests": ()}, "tests is empty"),
        ({"seed": -1}, "seed is -1; it must be a whole number from 0"),
        ({"seed": 1.5}, "seed is 1.5; it must be a whole number"),
        ({"n_runs": 2.5}, "n_runs is 2.5; it must be a whole number"),
        ({"kind": "z"}, "kind is 'z'; it must be one of 'constant'"),
    ],
)
@pytest.mark.parametrize("looks", [(120,), (60, 120)])
def test_an_impossible_value_is_told_in_one_line_before_any_work(monkeypatch, change, words, looks):
    def none(*_, **__):
        raise AssertionError("work was done")

    monkeypatch.setattr(SimulatedNoise, "draw", none)
    with pytest.raises(DataError, match=words) as caught:
        run(small(looks=looks, **change))
    assert "\n" not in str(caught.value)


def of_a_session(name, n_sweeps, window, seed=8):
    """Own noise, cut to a window in samples."""
    sweeps = simulate_noise("W", n_sweeps, seed=seed)[:, window]
    start_ms = window.start / 12
    axis = TimeAxis(12_000.0, start_ms, sweeps.shape[1])
    stop_ms = (window.stop - 1) / 12
    return SessionNoise(name, axis, (start_ms, stop_ms), sweeps)


def test_a_test_that_one_noise_does_not_allow_leaves_the_others_alone():
    """Ten samples do not make twelve slices: T2 cannot be made in so narrow a window."""
    sources = (
        of_a_session("good", 300, slice(60, 205)),
        of_a_session("narrow", 300, slice(60, 70)),
    )
    tests = ("customary-f", "hotelling-t2")
    plan = small(
        sources=sources, tests=tests, looks=(200, 300), n_runs=30, amplitudes_nv=(0.0, 9.0)
    )
    cells = run(plan)
    table = calibration_table(plan, cells).set_index(["noise", "test", "amplitude_nv"])
    missing = [key for key in table.index if key[:2] == ("narrow", "hotelling-t2")]
    assert len(missing) == 2
    numbers = ["rate", "rate_low", "rate_high", "median_sweeps"]
    for key in missing:
        assert table.loc[key, ["n_runs", "detected"]].tolist() == [0, 0]
        assert table.loc[key, numbers].isna().all()
    made = table.drop(index=missing)
    assert made["n_runs"].tolist() == [30] * 6
    assert made["rate"].notna().all()
    (line,) = not_made(cells)
    assert line.startswith("no test: hotelling-t2 on narrow: ")
    assert not any("narrow" in line and "hotelling" in line for line in off_nominal(plan, cells))
    alone = calibration_table(plan, run(small(**{**vars(plan), "sources": sources[:1]})))
    pd.testing.assert_frame_equal(
        table.reset_index()[list(CALIBRATION_COLUMNS)][: len(alone)], alone, check_dtype=False
    )


def test_a_noise_without_enough_sweeps_leaves_the_others_alone():
    sources = (
        of_a_session("short", 230, slice(60, 205)),
        of_a_session("long", 300, slice(60, 205)),
    )
    plan = small(sources=sources, looks=(300,), n_runs=10, amplitudes_nv=(0.0,))
    seen = []
    cells = run(plan, on_done=seen.append)
    assert seen[-1] == plan.n_tasks
    assert [(cell.noise, len(cell.found)) for cell in cells] == [
        *[("short", 0)] * 2,
        *[("long", 10)] * 2,
    ]
    assert not_made(cells) == (
        "no test: recording 'short' has 230 sweeps; the last look is at 300",
    )


def test_a_test_that_is_not_possible_is_named_before_any_work(monkeypatch):
    def none(*_, **__):
        raise AssertionError("work was handed out")

    monkeypatch.setattr("waveworks.calibration.experiment.map_tasks", none)
    with pytest.raises(DataError, match=r"^hotelling-t2 on W: "):
        run(small(tests=("hotelling-t2",), looks=(5,)))
