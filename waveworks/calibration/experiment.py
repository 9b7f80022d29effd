"""One experiment: every test on the same recordings, at the same looks, with and without response.

The work is cut into batches of recordings, each with a seed of its own, so results depend neither
on the number of workers nor on the executor.
"""

import math
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from waveworks.calibration.sources import NoiseSource
from waveworks.dsp._validate import one_of, whole_number
from waveworks.dsp.detectors import DETECTORS, N_BINS, detector
from waveworks.dsp.looks import KINDS, checked_looks, first_look
from waveworks.errors import DataError
from waveworks.parallel import map_tasks, task_seeds
from waveworks.simulate.response import response

FloatArray = NDArray[np.float64]

BATCH = 25
"""Recordings a task: about a second of work."""

_MOST_RUNS, _MOST_SEED = 10_000_000, 2**128
"""More runs would not end; larger seeds are a slip."""

LATENCY_AFTER_MS = 3.0
"""Between the start of the response window and the latency of the response that is added: R(8.0, a)
in 5 to 17 ms, as in the validation scenarios, and as far inside any other window."""


@dataclass(frozen=True, kw_only=True)
class Experiment:
    """What is tried.

    Parameters
    ----------
    sources : tuple of NoiseSource
        Noise to test on.
    tests : tuple of str
        Names of detectors.
    amplitudes_nv : tuple of float
        Of the response that is added; 0 counts false positives.
    alpha : float
        Overall rate of false positives that each test is held at.
    looks : tuple of int
        Sweeps at each look, rising.
    kind : str
        Of the boundary.
    n_runs : int
        Recordings for each noise and amplitude.
    n_bins : int
        Time-voltage means of T2.
    seed : int
        Decides everything. Every noise starts from the same random numbers, so that a row of the
        table does not depend on what else was tried; rows of two noises are not independent.
    """

    sources: tuple[NoiseSource, ...]
    tests: tuple[str, ...] = tuple(DETECTORS)
    amplitudes_nv: tuple[float, ...] = (0.0,)
    alpha: float = 0.05
    looks: tuple[int, ...] = (500,)
    kind: str = "constant"
    n_runs: int = 500
    n_bins: int = N_BINS
    seed: int = 1

    @property
    def n_tasks(self) -> int:
        """How many batches there are."""
        return len(self.sources) * len(self.amplitudes_nv) * -(-self.n_runs // BATCH)


@dataclass(frozen=True, eq=False, kw_only=True)
class Cell:
    """What one test found on one noise at one amplitude.

    Parameters
    ----------
    noise, test : str
        Names.
    amplitude_nv : float
        Of the response that was added.
    levels : ndarray, shape (n_looks,)
        Nominal level at each look; NaN where the test could not be made.
    found : ndarray of int, shape (n_runs,)
        Index of the look at which each recording was found; -1 for never. Empty where the test
        could not be made.
    pvalues : ndarray, shape (n_runs,)
        At the last look.
    fault : str
        Why the test could not be made on this noise; empty where it was.
    """

    noise: str
    test: str
    amplitude_nv: float
    levels: FloatArray
    found: NDArray[np.int64]
    pvalues: FloatArray
    fault: str = ""


@dataclass(frozen=True, eq=False)
class _Plan:
    """Levels of the tests that can be made on a noise, and why the others cannot."""

    levels: dict[str, FloatArray]
    faults: dict[str, str]


@dataclass(frozen=True, eq=False)
class _Batch:
    source: NoiseSource
    amplitude_nv: float
    n_runs: int
    seed: np.random.SeedSequence
    looks: tuple[int, ...]
    levels: dict[str, FloatArray]
    n_bins: int


def run(
    experiment: Experiment,
    *,
    executor: Executor | None = None,
    on_done: Callable[[int], object] | None = None,
) -> tuple[Cell, ...]:
    """Carry out an experiment.

    Parameters
    ----------
    experiment : Experiment
        What is tried.
    executor : concurrent.futures.Executor, optional
        Where to work; this process by default.
    on_done : callable, optional
        Called with the number of finished batches, of `Experiment.n_tasks`.

    Returns
    -------
    tuple of Cell
        One a noise, amplitude and test, in that order. A test that cannot be made on a noise has
        no recordings there, and says why.

    Raises
    ------
    DataError
        If a value of the plan is impossible, or no test can be made on any noise.
    WaveworksError
        If the executor died.
    """
    _check(experiment)
    groups = [(s, a) for s in experiment.sources for a in experiment.amplitudes_nv]
    plans = {id(source): _plan(experiment, source) for source in experiment.sources}
    if not any(plan.levels for plan in plans.values()):
        raise DataError("\n".join(why for plan in plans.values() for why in plan.faults.values()))
    tasks = list(_batches(experiment, groups, plans))
    results = map_tasks(_run_batch, tasks, executor=executor, on_done=on_done)
    per_group = len(tasks) // len(groups)
    cells: list[Cell] = []
    for source, amplitude_nv in groups:
        parts = [next(results) for _ in range(per_group)]
        plan = plans[id(source)]
        nothing = np.full(len(experiment.looks), np.nan)
        for name in experiment.tests:
            made = [part[name] for part in parts if name in part]
            cells.append(
                Cell(
                    noise=source.name,
                    test=name,
                    amplitude_nv=amplitude_nv,
                    levels=plan.levels.get(name, nothing),
                    found=np.concatenate([np.array([], np.int64), *(found for found, _ in made)]),
                    pvalues=np.concatenate([np.array([]), *(p for _, p in made)]),
                    fault=plan.faults.get(name, ""),
                )
            )
    return tuple(cells)


def _check(experiment: Experiment) -> None:
    for name in ("sources", "tests", "amplitudes_nv"):
        if not getattr(experiment, name):
            raise DataError(f"{name} is empty; at least one is needed")
    whole_number(experiment.n_runs, name="n_runs", least=1, most=_MOST_RUNS)
    whole_number(experiment.seed, name="seed", least=0, most=_MOST_SEED)
    one_of(experiment.kind, KINDS, name="kind")
    if not 0 < experiment.alpha < 1:
        raise DataError(f"alpha is {experiment.alpha:g}; it must be between 0 and 1")
    checked_looks(experiment.looks)
    for name in experiment.tests:
        detector(name, n_bins=experiment.n_bins)
    for amplitude_nv in experiment.amplitudes_nv:
        if not (math.isfinite(amplitude_nv) and amplitude_nv >= 0):
            raise DataError(f"amplitude is {amplitude_nv:g} nV; it must be a number of at least 0")


def latency_ms(source: NoiseSource) -> float:
    """Return the latency of the response that is added to a noise.

    Parameters
    ----------
    source : NoiseSource
        Whose response window counts.

    Returns
    -------
    float
        L of R(L, a) in ms.
    """
    return source.response_ms[0] + LATENCY_AFTER_MS


def _plan(experiment: Experiment, source: NoiseSource) -> _Plan:
    """Plan the levels on a recording of the same noise that is not used again."""
    looks = np.array(experiment.looks) // source.per_epoch
    rng = np.random.default_rng(np.random.SeedSequence([experiment.seed, 1]))
    plan = _Plan({}, {})
    try:
        sweeps = source.draw(experiment.looks[-1], rng)[:, _window(source)]
    except DataError as fault:
        plan.faults.update(dict.fromkeys(experiment.tests, str(fault)))
        return plan
    step_ms = source.axis.step_ms
    for name in experiment.tests:
        test = detector(name, n_bins=experiment.n_bins)
        try:
            # A test that is not possible on this noise says so before any work is handed out.
            test.looks(sweeps, looks[-1:], step_ms=step_ms)
            plan.levels[name] = test.levels(
                sweeps, looks, experiment.alpha, experiment.kind, step_ms=step_ms
            )
        except DataError as fault:
            plan.faults[name] = f"{name} on {source.name}: {fault}"
    return plan


def _batches(
    experiment: Experiment,
    groups: list[tuple[NoiseSource, float]],
    plans: dict[int, _Plan],
) -> Iterator[_Batch]:
    sizes = [min(BATCH, experiment.n_runs - start) for start in range(0, experiment.n_runs, BATCH)]
    # The same seeds for every amplitude of a noise: the same recordings, with more added.
    seeds = task_seeds(experiment.seed, len(sizes))
    for source, amplitude_nv in groups:
        for size, seed in zip(sizes, seeds, strict=True):
            levels = plans[id(source)].levels
            yield _Batch(
                source, amplitude_nv, size, seed, experiment.looks, levels, experiment.n_bins
            )


def _window(source: NoiseSource) -> slice:
    return source.axis.window(*source.response_ms, name="response window")


def _run_batch(batch: _Batch) -> dict[str, tuple[NDArray[np.int64], FloatArray]]:
    if not batch.levels:  # no test can be made on this noise
        return {}
    rng = np.random.default_rng(batch.seed)
    looks = np.array(batch.looks) // batch.source.per_epoch
    window, axis = _window(batch.source), batch.source.axis
    wave = response(axis.times_ms, latency_ms(batch.source), batch.amplitude_nv)
    pvalues = {name: np.empty((batch.n_runs, len(looks))) for name in batch.levels}
    for run_number in range(batch.n_runs):
        sweeps = (batch.source.draw(batch.looks[-1], rng) + wave)[:, window]
        for name, found in pvalues.items():
            test = detector(name, n_bins=batch.n_bins)
            found[run_number] = test.looks(sweeps, looks, step_ms=axis.step_ms).pvalue
    return {name: (first_look(p, batch.levels[name]), p[:, -1]) for name, p in pvalues.items()}
