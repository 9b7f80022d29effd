"""The same results in the same order on any executor, and no executor that leaves anyone waiting.

What goes to other processes is found there by name, hence the functions of libraries.
"""

import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from functools import partial
from operator import methodcaller

import numpy as np
import pytest

from waveworks.errors import DataError, LoadError, WaveworksError
from waveworks.parallel import cluster, map_tasks, task_seeds, worker_pool
from waveworks.units import nv_per_unit

draw = methodcaller("generate_state", 5)
"""Draws from a seed sequence, in the worker."""

call = methodcaller("__call__")
"""Runs a `functools.partial`, in the worker."""


def local_cluster(**options):
    """A real Dask cluster on this machine, on ports that are free."""
    distributed = pytest.importorskip("distributed")
    return distributed.LocalCluster(
        threads_per_worker=1, dashboard_address="127.0.0.1:0", silence_logs=60, **options
    )


@pytest.fixture(scope="module")
def pool():
    with worker_pool(2) as executor:
        yield executor


@pytest.fixture(scope="module")
def dask_address():
    """A cluster of two processes on this machine, which gives a task one try."""
    dask = pytest.importorskip("dask")
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 0}),
        local_cluster(n_workers=2, processes=True) as local,
    ):
        yield local.scheduler_address


class Held(Executor):
    """An executor that holds `full` tasks, then does some of them, in an order of its own."""

    def __init__(self, full, order):
        self.futures = []
        self._calls = []
        self._full, self._order = full, order

    def submit(self, function, /, *args, **kwargs):
        self.futures.append(Future())
        self._calls.append(partial(function, *args, **kwargs))
        if len(self.futures) == self._full:
            for i in self._order:
                self._work(self.futures[i], self._calls[i])
        return self.futures[-1]

    def _work(self, future, work):
        future.set_running_or_notify_cancel()
        try:
            future.set_result(work())
        except BaseException as error:
            future.set_exception(error)


# Order and memory


def test_results_are_in_the_order_of_the_tasks():
    gates = [threading.Event() for _ in range(4)]
    finished = []

    def wait_for_the_next(i):
        if i < 3:
            assert gates[i + 1].wait(10)
        finished.append(i)
        gates[i].set()
        return 10 * i

    with ThreadPoolExecutor(4) as executor:
        assert list(map_tasks(wait_for_the_next, range(4), executor=executor)) == [0, 10, 20, 30]
    assert finished == [3, 2, 1, 0]


@pytest.mark.parametrize("workers", [1, 3])
def test_no_more_tasks_are_in_flight_than_allowed(workers):
    taken, held = 0, []

    def tasks():
        nonlocal taken
        for i in range(50):
            taken += 1
            yield i

    with ThreadPoolExecutor(workers) as executor:
        for n_results, result in enumerate(
            map_tasks(str, tasks(), executor=executor, in_flight=5), start=1
        ):
            held.append(result)
            # What is handed out, less the results that have been taken, this one among them.
            assert taken - n_results < 5
    assert held == [str(i) for i in range(50)]


# Of three tasks in flight the second and then the first are done: with the first result taken
# there is room for one more task, not for two, because the second result still waits.
def test_results_that_wait_for_a_slow_task_are_in_flight_too():
    held = Held(3, order=(1, 0))
    results = map_tasks(abs, range(-20, 0), executor=held, in_flight=3)
    assert next(results) == 20
    assert len(held.futures) == 3
    assert next(results) == 19
    assert len(held.futures) == 4
    results.close()


def test_tasks_are_taken_as_they_are_needed_in_this_process_too():
    taken = []
    results = map_tasks(abs, (taken.append(i) or i for i in range(5)))
    assert taken == []
    assert next(results) == 0
    assert taken == [0]


@pytest.mark.parametrize("executor", [None, "threads"])
def test_progress_counts_every_task_once(executor):
    seen = []
    with ThreadPoolExecutor(3) as threads:
        chosen = threads if executor else None
        assert sum(map_tasks(abs, range(20), executor=chosen, on_done=seen.append)) == 190
    assert seen == list(range(1, 21))


def test_no_task_gives_no_result(pool):
    assert list(map_tasks(abs, [])) == []
    assert list(map_tasks(abs, [], executor=pool)) == []


# The same on any number of workers


def test_a_seed_gives_the_same_numbers_on_any_number_of_workers(pool, dask_address):
    seeds = task_seeds(7, 30)
    here = list(map_tasks(draw, seeds))
    two = list(map_tasks(draw, seeds, executor=pool, in_flight=7))
    with cluster(dask_address) as executor:
        far = list(map_tasks(draw, seeds, executor=executor, in_flight=7))
    np.testing.assert_array_equal(two, here)
    np.testing.assert_array_equal(far, here)
    assert len(np.unique(here)) == 150


# numpy's own road: children by their place in the tree of seeds.
def test_seeds_are_children_of_the_seed_of_the_run():
    for i, seed in enumerate(task_seeds(2024, 4)):
        expected = np.random.SeedSequence(2024, spawn_key=(i,))
        np.testing.assert_array_equal(draw(seed), draw(expected))
    assert task_seeds(2024, 0) == []


# A Dask client takes equal calls for one and the same, unless told otherwise.
def test_equal_tasks_are_each_done_on_a_cluster(dask_address):
    with cluster(dask_address) as executor:
        drawn = list(map_tasks(os.urandom, [8, 8, 8, 8], executor=executor))
    assert len(set(drawn)) == 4


def test_tasks_are_done_in_other_processes(pool, dask_address):
    tasks = [partial(os.getpid)] * 8
    assert set(map_tasks(call, tasks)) == {os.getpid()}
    assert os.getpid() not in set(map_tasks(call, tasks, executor=pool))
    with cluster(dask_address) as executor:
        assert os.getpid() not in set(map_tasks(call, tasks, executor=executor))


def test_one_worker_is_this_process():
    with worker_pool(1) as executor:
        assert executor is None


def test_by_default_every_processor_works(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {4}, raising=False)
    with worker_pool() as executor:
        assert executor is None
    monkeypatch.delattr(os, "sched_getaffinity")
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    with worker_pool() as executor:
        assert executor is None


# Faults of tasks


@pytest.fixture(params=["here", "pool", "cluster"])
def anywhere(request):
    if request.param == "here":
        yield None
    elif request.param == "pool":
        yield request.getfixturevalue("pool")
    else:
        with cluster(request.getfixturevalue("dask_address")) as executor:
            yield executor


def test_an_error_of_the_data_says_which_task_it_was(anywhere):
    convert = partial(nv_per_unit, where="one.csv")
    results = map_tasks(convert, ["nV", "uV", "furlong", "ell"], executor=anywhere)
    assert [next(results), next(results)] == [1.0, 1e3]
    with pytest.raises(LoadError, match=r"^task 3 of 4: one\.csv: unit is 'furlong'; it must"):
        next(results)


def test_an_error_of_the_data_leaves_a_cluster_as_it_is(dask_address):
    with (
        pytest.raises(LoadError, match=r"^task 1 of 1: one\.csv: unit is missing"),
        cluster(dask_address) as executor,
    ):
        list(map_tasks(partial(nv_per_unit, where="one.csv"), [""], executor=executor))


def test_any_other_error_keeps_its_class_and_its_traceback(anywhere):
    with pytest.raises(FileNotFoundError) as caught:
        list(map_tasks(os.path.getsize, iter([os.curdir, "no such file"]), executor=anywhere))
    notes = caught.value.__notes__
    assert notes[-1] == "In task 2."
    if anywhere is not None:
        assert "getsize" in notes[0]


def test_tasks_that_have_not_begun_are_cancelled_when_nobody_wants_them():
    held = Held(4, order=[0])
    results = map_tasks(abs, range(9), executor=held, in_flight=4)
    assert next(results) == 0
    results.close()
    assert [future.cancelled() for future in held.futures] == [False, True, True, True]


def test_an_interrupt_cancels_what_is_pending():
    held = Held(4, order=[1])

    def interrupt(_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(map_tasks(abs, range(9), executor=held, in_flight=4, on_done=interrupt))
    assert [future.cancelled() for future in held.futures] == [True, False, True, True]


def test_an_interrupt_in_a_worker_is_an_interrupt():
    def interrupted(_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(map_tasks(interrupted, [1], executor=Held(1, order=[0])))


@pytest.mark.skipif(os.name != "posix", reason="interrupts a group of processes")
def test_an_interrupt_from_the_keyboard_ends_the_workers_at_once_and_silently(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(
        "import os, time\n"
        "from waveworks.parallel import map_tasks, worker_pool\n"
        "def process(_):\n"
        "    time.sleep(0.05)\n"
        "    return os.getpid()\n"
        "if __name__ == '__main__':\n"
        "    seen = set()\n"
        "    with worker_pool(2) as pool:\n"
        "        while len(seen) < 2:\n"
        "            seen.update(map_tasks(process, range(2), executor=pool))\n"
        "        print('begun', flush=True)\n"
        "        list(map_tasks(time.sleep, [600] * 9, executor=pool))\n"
    )
    running = subprocess.Popen(
        [sys.executable, str(script)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert running.stdout is not None
    assert running.stdout.readline() == "begun\n"
    os.killpg(running.pid, signal.SIGINT)
    _, errors = running.communicate(timeout=30)
    assert errors.count("Traceback") == 1
    assert errors.endswith("KeyboardInterrupt\n")


# Executors that die


ADVICE = "run it again with fewer workers, in case the memory was short, or with one"


def assert_stopped(results, *, after):
    with pytest.raises(WaveworksError) as caught:
        list(results)
    line = str(caught.value)
    assert line.startswith(f"the workers stopped after {after} tasks (")
    assert ADVICE in line
    assert "\n" not in line
    return line


# The first tasks are done before the one that ends its process is handed out.
def test_a_pool_that_dies_says_how_far_it_came():
    with worker_pool(2) as executor:
        tasks = [partial(abs, -1), partial(abs, -2), partial(os._exit, 3), partial(abs, -4)]
        results = map_tasks(call, tasks, executor=executor, in_flight=1)
        assert [next(results), next(results)] == [1, 2]
        assert "BrokenProcessPool" in assert_stopped(results, after="2 of 4")
        # And so it does when it is dead from the start.
        assert_stopped(map_tasks(abs, range(5), executor=executor), after="0 of 5")


def test_a_cluster_whose_workers_die_says_how_far_it_came(dask_address):
    tasks = [partial(abs, -1), partial(os._exit, 3), partial(abs, -2)]
    with cluster(dask_address) as executor:
        results = map_tasks(call, tasks, executor=executor, in_flight=1)
        assert next(results) == 1
        assert "KilledWorker" in assert_stopped(results, after="1 of 3")
        # Other workers take their place.
        assert list(map_tasks(abs, [-4], executor=executor)) == [4]


def test_a_cluster_without_workers_is_not_waited_for_for_ever():
    began = time.monotonic()
    with local_cluster(n_workers=0, processes=False, protocol="tcp://") as local:
        address = local.scheduler_address
        with (
            pytest.raises(WaveworksError) as caught,
            cluster(address, patience_s=0.5) as executor,
        ):
            list(map_tasks(abs, range(5), executor=executor))
    assert str(caught.value).startswith(
        f"{address} had no worker for 0.5 s: the workers stopped after 0 of 5 tasks (tasks were "
    )
    assert time.monotonic() - began < 30


def test_a_cluster_that_is_shut_down_meanwhile_is_not_waited_for():
    with local_cluster(n_workers=1, processes=False, protocol="tcp://") as local:
        closing = threading.Thread(target=local.close)
        with cluster(local.scheduler_address) as executor:
            results = map_tasks(time.sleep, [0, *[0.2] * 50], executor=executor)
            next(results)
            closing.start()
            with pytest.raises(WaveworksError, match=r"stopped after \d+ of 51 tasks"):
                list(results)
        closing.join(30)


def test_a_pool_that_is_shut_down_meanwhile_is_not_waited_for():
    executor = ThreadPoolExecutor(1)
    all_given = threading.Event()

    def tasks():
        yield from range(4)
        all_given.set()

    def shut_down(_):
        assert all_given.wait(10)
        executor.shutdown(wait=False, cancel_futures=True)
        return True

    results = map_tasks(shut_down, tasks(), executor=executor)
    assert next(results) is True
    assert "(tasks were cancelled)" in assert_stopped(results, after="1")


def test_what_cannot_be_sent_is_told(pool):
    line = assert_stopped(map_tasks(lambda x: x, range(3), executor=pool), after="0 of 3")
    assert "pickle" in line
    assert list(map_tasks(abs, [-3], executor=pool)) == [3]


# Addresses and numbers


def test_an_address_where_nobody_answers_is_told_in_time():
    pytest.importorskip("distributed")
    began = time.monotonic()
    with (
        pytest.raises(WaveworksError, match=r"no Dask scheduler answers at tcp://.*:9 within 1 s$"),
        cluster("tcp://127.0.0.1:9", timeout_s=1),
    ):
        pass
    assert time.monotonic() - began < 10


@pytest.mark.parametrize("address", ["", "host", "host:8786", "tcp://host", "post://host:1"])
def test_an_address_that_is_none_is_told(address):
    pytest.importorskip("distributed")
    with (
        pytest.raises(WaveworksError, match=rf"address is '{address}'; .* tcp://host:8786"),
        cluster(address),
    ):
        pass


def test_a_missing_package_is_told(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(WaveworksError, match=r"pip install 'waveworks\[cluster\]'"),
        cluster("tcp://127.0.0.1:8786"),
    ):
        pass


@pytest.mark.parametrize("number", [0, -1, 1.5, "two", None])
def test_numbers_that_are_no_counts_are_refused(number):
    with pytest.raises(DataError, match=f"in_flight is {number!r}; .* whole number of at least 1"):
        map_tasks(abs, [], in_flight=number)
    if number is not None:
        with (
            pytest.raises(DataError, match=f"workers is {number!r}; .* of at least 1"),
            worker_pool(number),
        ):
            pass
    if number != 0:
        with pytest.raises(DataError, match=f"seed is {number!r}; .* of at least 0"):
            task_seeds(number, 3)
        with pytest.raises(DataError, match=f"number of tasks is {number!r}"):
            task_seeds(3, number)


def test_the_mapping_loads_no_numerical_library():
    code = (
        "import sys, waveworks.parallel;"
        "print([n for n in ('numpy', 'distributed', 'pandas') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
