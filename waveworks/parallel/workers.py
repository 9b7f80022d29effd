"""Worker processes on this machine, and a seed for each task."""

import os
import signal
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from typing import TYPE_CHECKING

from waveworks.parallel._whole import whole

if TYPE_CHECKING:
    import numpy as np


@contextmanager
def worker_pool(workers: int | None = None) -> Iterator[Executor | None]:
    """Start worker processes for `map_tasks`.

    Each starts afresh, not as a copy of this process, because threads of numerical libraries do
    not survive the copying. A script that calls this needs ``if __name__ == "__main__":`` around
    what it runs.

    Parameters
    ----------
    workers : int, optional
        How many; by default one for each processor that this process may use.

    Yields
    ------
    ProcessPoolExecutor or None
        None for one worker, which is this process itself.

    Raises
    ------
    DataError
        If the number is not a whole number of at least 1.
    """
    number = _processors() if workers is None else whole(workers, "workers", least=1)
    if number == 1:
        yield None
        return
    pool = ProcessPoolExecutor(number, get_context("spawn"), initializer=_die_when_interrupted)
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


def task_seeds(seed: int, n: int) -> "list[np.random.SeedSequence]":
    """Return a seed for each of `n` tasks, whose random numbers are independent.

    Parameters
    ----------
    seed : int
        Of the whole run.
    n : int
        How many tasks there are.

    Returns
    -------
    list of numpy.random.SeedSequence
        For `numpy.random.default_rng`. The first ones do not depend on how many there are.

    Raises
    ------
    DataError
        If either is not a whole number of at least 0.
    """
    # Here, because the command line starts without numpy.
    import numpy as np

    root = np.random.SeedSequence(whole(seed, "seed", least=0))
    return root.spawn(whole(n, "number of tasks", least=0))


def _die_when_interrupted() -> None:
    # The interrupt of a terminal reaches every worker: each ends at once, and only the process
    # that started them has something to say.
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def _processors() -> int:
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every operating system
        return os.cpu_count() or 1
