"""A Dask cluster as an executor."""

import threading
import time
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from waveworks.errors import WaveworksError

if TYPE_CHECKING:
    from distributed import Client


@contextmanager
def cluster(
    address: str, *, timeout_s: float = 10.0, patience_s: float = 60.0
) -> Iterator[Executor]:
    """Connect to a Dask cluster for `map_tasks`.

    Its workers need this version of waveworks. They may count on another number of threads for
    linear algebra than this process, which can move the last bits of a result.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://host:8786``.
    timeout_s : float
        How long it may take to answer, in seconds.
    patience_s : float
        How long tasks may wait while the cluster has no worker at all, in seconds.

    Yields
    ------
    Executor

    Raises
    ------
    WaveworksError
        If the package `distributed` is not installed, the address is none, the scheduler does not
        answer in time, or tasks waited too long for a worker.
    """
    client = _connect(address, timeout_s)
    # Not pure: equal tasks are tasks of their own, as on any other executor.
    executor: Executor = client.get_executor(pure=False)
    watch = _WorkerWatch(client, executor, patience_s)
    try:
        yield executor
    except WaveworksError as fault:
        if watch.gave_up:
            raise WaveworksError(f"{address} had no worker for {patience_s:g} s: {fault}") from None
        raise
    finally:
        watch.stop()
        with suppress(TimeoutError):
            client.close(timeout=timeout_s)


def _connect(address: str, timeout_s: float) -> "Client":
    try:
        from distributed import Client
        from distributed.comm import get_address_host_port
    except ImportError:
        raise WaveworksError(
            "a cluster needs the package 'distributed', which is not installed: "
            "pip install 'waveworks[cluster]'"
        ) from None
    try:
        # A client that was given an impossible address leaves threads behind.
        get_address_host_port(address, strict=True)
    except ValueError:
        raise WaveworksError(
            f"scheduler address is '{address}'; it must be one such as tcp://host:8786"
        ) from None
    try:
        return Client(address, timeout=timeout_s, set_as_default=False)
    except OSError:
        raise WaveworksError(
            f"no Dask scheduler answers at {address} within {timeout_s:g} s"
        ) from None


class _WorkerWatch:
    """Shuts an executor down when tasks wait and the cluster has had no worker for too long.

    Without it they would wait for ever: a scheduler hopes for new workers.
    """

    def __init__(self, client: "Client", executor: Executor, patience_s: float) -> None:
        self.gave_up = False
        self._client = client
        self._executor = executor
        self._patience_s = patience_s
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._stopped.set()
        self._thread.join()

    def _look(self) -> None:
        since = time.monotonic()
        while not self._stopped.wait(min(1.0, self._patience_s / 4)):
            if not self._tasks_wait() or self._has_workers():
                since = time.monotonic()
            elif time.monotonic() - since > self._patience_s:
                self.gave_up = True
                self._executor.shutdown(wait=False)
                return

    def _tasks_wait(self) -> bool:
        return any(state.status == "pending" for state in list(self._client.futures.values()))

    def _has_workers(self) -> bool:
        try:
            return bool(self._client.nthreads())
        except OSError:  # the scheduler itself has gone: the client cancels what waits
            return False
