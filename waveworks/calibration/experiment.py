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
from waveworks.dsp.detectors import DETECTORS, detector
from waveworks.dsp.looks import checked_looks, first_look
from waveworks.errors import DataError
from waveworks.parallel import map_tasks, task_seeds
from waveworks.simulate.response import response

FloatArray = NDArray[np.float64]

BATCH = 25
"""Recordings a task: about a second of work."""

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
        Nominal level at each look.
    found : ndarray of int, shape (n_runs,)
        Index of the look at which each recording was found; -1 for never.
    pvalues : ndarray, shape (n_runs,)
        At the last look.
    """

    noise: str
    test: str
    amplitude_nv: float
    levels: FloatArray
    found: NDArray[np.int64]
    pvalues: FloatArray


@dataclass(frozen=True, eq=False)
class _Batch:
    source: NoiseSource
    amplitude_nv: float
    n_runs: int
    seed: np.random.SeedSequence
    looks: tuple[int, ...]
    levels: dict[str, FloatArray]


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
        One a noise, amplitude and test, in that order.

    Raises
    ------
    DataError
        If the plan is impossible on a source.
    WaveworksError
        If the executor died.
    """
    _check(experiment)
    groups = [(s, a) for s in experiment.sources for a in experiment.amplitudes_nv]
    levels = {id(source): _levels(experiment, source) for source in experiment.sources}
    tasks = list(_batches(experiment, groups, levels))
    results = map_tasks(_run_batch, tasks, executor=executor, on_done=on_done)
    per_group = len(tasks) // len(groups)
    cells: list[Cell] = []
    for source, amplitude_nv in groups:
        parts = [next(results) for _ in range(per_group)]
        for name in experiment.tests:
            cells.append(
                Cell(
                    noise=source.name,
                    test=name,
                    amplitude_nv=amplitude_nv,
                    levels=levels[id(source)][name],
                    found=np.concatenate([part[name][0] for part in parts]),
                    pvalues=np.concatenate([part[name][1] for part in parts]),
                )
            )
    return tuple(cells)


def _check(experiment: Experiment) -> None:
    if experiment.n_runs < 1:
        raise DataError(f"n_runs is {experiment.n_runs}; at least 1 is needed")
    if not 0 < experiment.alpha < 1:
        raise DataError(f"alpha is {experiment.alpha:g}; it must be between 0 and 1")
    checked_looks(experiment.looks)
    for name in experiment.tests:
        detector(name)
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


def _levels(experiment: Experiment, source: NoiseSource) -> dict[str, FloatArray]:
    """Plan the levels on a recording of the same noise that is not used again."""
    looks = np.array(experiment.looks) // source.per_epoch
    rng = np.random.default_rng(np.random.SeedSequence([experiment.seed, 1]))
    sweeps = source.draw(experiment.looks[-1], rng)[:, _window(source)]
    step_ms = source.axis.step_ms
    levels = {}
    for name in experiment.tests:
        test = DETECTORS[name]
        try:
            # A test that is not possible on this noise says so before any work is handed out.
            test.looks(sweeps, looks[-1:], step_ms=step_ms)
            levels[name] = test.levels(
                sweeps, looks, experiment.alpha, experiment.kind, step_ms=step_ms
            )
        except DataError as fault:
            raise DataError(f"{name} on {source.name}: {fault}") from None
    return levels


def _batches(
    experiment: Experiment,
    groups: list[tuple[NoiseSource, float]],
    levels: dict[int, dict[str, FloatArray]],
) -> Iterator[_Batch]:
    sizes = [min(BATCH, experiment.n_runs - start) for start in range(0, experiment.n_runs, BATCH)]
    # The same seeds for every amplitude of a noise: the same recordings, with more added.
    seeds = task_seeds(experiment.seed, len(sizes))
    for source, amplitude_nv in groups:
        for size, seed in zip(sizes, seeds, strict=True):
            yield _Batch(source, amplitude_nv, size, seed, experiment.looks, levels[id(source)])


def _window(source: NoiseSource) -> slice:
    return source.axis.window(*source.response_ms, name="response window")


def _run_batch(batch: _Batch) -> dict[str, tuple[NDArray[np.int64], FloatArray]]:
    rng = np.random.default_rng(batch.seed)
    looks = np.array(batch.looks) // batch.source.per_epoch
    window, axis = _window(batch.source), batch.source.axis
    wave = response(axis.times_ms, latency_ms(batch.source), batch.amplitude_nv)
    pvalues = {name: np.empty((batch.n_runs, len(looks))) for name in batch.levels}
    for run_number in range(batch.n_runs):
        sweeps = (batch.source.draw(batch.looks[-1], rng) + wave)[:, window]
        for name, found in pvalues.items():
            found[run_number] = DETECTORS[name].looks(sweeps, looks, step_ms=axis.step_ms).pvalue
    return {name: (first_look(p, batch.levels[name]), p[:, -1]) for name, p in pvalues.items()}
