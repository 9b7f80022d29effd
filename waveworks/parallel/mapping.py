"""Apply a function to many tasks, on any executor.

Results come in the order of the tasks and depend on nothing but the tasks, so that a run is
reproducible on any number of workers: give every task its own seed from `task_seeds`.
"""

import traceback
from collections.abc import Callable, Iterable, Iterator, Sized
from concurrent.futures import CancelledError, Executor, Future
from dataclasses import dataclass
from functools import partial
from itertools import count, islice
from queue import SimpleQueue
from typing import Any, NoReturn, TypeVar

from waveworks.errors import WaveworksError
from waveworks.parallel._whole import whole

Task = TypeVar("Task")
Result = TypeVar("Result")

IN_FLIGHT = 64
"""Tasks that are handed out and whose results are not yet taken, unless said otherwise."""


@dataclass(frozen=True)
class _Failure:
    """What a task raised, brought back as a value: whatever a future raises is the executor's."""

    error: Exception


def map_tasks(
    function: Callable[[Task], Result],
    tasks: Iterable[Task],
    *,
    executor: Executor | None = None,
    in_flight: int = IN_FLIGHT,
    on_done: Callable[[int], object] | None = None,
) -> Iterator[Result]:
    """Apply a function to every task, on any executor.

    Parameters
    ----------
    function : callable
        Takes one task. A pool of processes or a cluster imports it by its name, so it must stand
        at the top of a module (or be a `functools.partial` of such a function).
    tasks : iterable
        Taken one by one, as they are handed out.
    executor : concurrent.futures.Executor, optional
        Where to work: what `worker_pool` or `cluster` gives, or any other; None works in this
        process.
    in_flight : int
        The most tasks that are handed out and whose result is not yet taken, which bounds the
        memory. Twice the number of workers keeps them busy.
    on_done : callable, optional
        Called in this thread with the number of finished tasks, each time one has finished.

    Returns
    -------
    iterator
        Of what the function returned, in the order of the tasks. Work begins when the first
        result is taken. Tasks that have not begun are cancelled when the caller stops taking
        results, or is interrupted.

    Raises
    ------
    DataError
        If `in_flight` is not a whole number of at least 1.
    WaveworksError
        If a task raised one, of that class, with the position of the task in front; any other
        error of a task is raised as it is, with the position as a note. Of several, the first in
        the order of the tasks. Also if the executor died, or cancelled a task.
    """
    in_flight = whole(in_flight, "in_flight", least=1)
    total = f" of {len(tasks)}" if isinstance(tasks, Sized) else ""
    report = on_done or _silent
    if executor is None:
        return _map_here(function, tasks, total, report)
    return _map_there(function, tasks, total, report, executor, in_flight)


def _map_here(
    function: Callable[[Task], Result],
    tasks: Iterable[Task],
    total: str,
    report: Callable[[int], object],
) -> Iterator[Result]:
    for position, task in enumerate(tasks, start=1):
        try:
            result = function(task)
        except Exception as error:
            _raise_at(error, position, total)
        report(position)
        yield result


def _map_there(
    function: Callable[[Task], Result],
    tasks: Iterable[Task],
    total: str,
    report: Callable[[int], object],
    executor: Executor,
    in_flight: int,
) -> Iterator[Result]:
    waiting = enumerate(tasks, start=1)
    # Callbacks fill the queue, because `concurrent.futures.wait` sleeps on when a pool that is
    # shut down cancels what it had not begun.
    finished: SimpleQueue[tuple[int, Future[Any]]] = SimpleQueue()
    running: dict[int, Future[Any]] = {}
    ready: dict[int, Future[Any]] = {}
    n_done = 0
    try:
        for next_up in count(start=1):
            for position, task in islice(waiting, in_flight - len(running) - len(ready)):
                try:
                    running[position] = executor.submit(_attempt, function, task)
                except Exception as fault:
                    _raise_stopped(fault, n_done, total)
                running[position].add_done_callback(partial(_put, finished, position))
            if not running and not ready:
                return
            while next_up not in ready:
                position, future = finished.get()
                ready[position] = running.pop(position)
                if _fault(future) is None:
                    n_done += 1
                    report(n_done)
            future = ready.pop(next_up)
            if (broken := _fault(future)) is not None:
                _raise_stopped(broken, n_done, total)
            result = future.result()
            if isinstance(result, _Failure):
                _raise_at(result.error, next_up, total)
            yield result
    finally:
        for future in running.values():
            future.cancel()


def _attempt(function: Callable[[Task], Result], task: Task) -> Result | _Failure:
    """Work on one task, in a worker."""
    try:
        return function(task)
    except Exception as error:
        if not isinstance(error, WaveworksError):
            # Tracebacks do not travel between processes.
            error.add_note(traceback.format_exc())
        return _Failure(error)


def _put(finished: "SimpleQueue[tuple[int, Future[Any]]]", position: int, future: Any) -> None:
    finished.put((position, future))


def _fault(future: Future[Any]) -> BaseException | None:
    return CancelledError() if future.cancelled() else future.exception()


def _raise_at(error: Exception, position: int, total: str) -> NoReturn:
    where = f"task {position}{total}"
    if isinstance(error, WaveworksError):
        raise type(error)(f"{where}: {error}") from error
    error.add_note(f"In {where}.")
    raise error


def _raise_stopped(fault: BaseException, n_done: int, total: str) -> NoReturn:
    if not isinstance(fault, Exception):
        raise fault
    reason = "tasks were cancelled" if isinstance(fault, CancelledError) else _line(fault)
    raise WaveworksError(
        f"the workers stopped after {n_done}{total} tasks ({reason}); run it again with fewer "
        "workers, in case the memory was short, or with one, where the cause shows itself"
    ) from fault


def _line(fault: BaseException) -> str:
    """Return the class of an error and the first sentence of what it says."""
    sentence = " ".join(str(fault).split()).split(". ")[0].rstrip(".")
    return f"{type(fault).__name__}: {sentence}" if sentence else type(fault).__name__


def _silent(_: int) -> None:
    """Report to nobody."""
