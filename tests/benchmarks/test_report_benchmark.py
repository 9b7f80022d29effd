"""Time and memory of whole reports, each in a process of its own as a user runs it.

Cost grows with the number of recordings: reading and measuring a little, drawing most of it. The
targets, on two cores: the demo below 10 s, sixty recordings below 30 s, memory below 1 GB.
"""

import os
import subprocess
import sys
from itertools import count
from pathlib import Path

import pytest

COMMAND = "from waveworks.cli import main; main()"


@pytest.fixture
def timed(benchmark, tmp_path):
    """Run a command line once and note the peak of its memory in MB."""

    def timed(*arguments):
        number = count()

        def run():
            out = tmp_path / f"out-{next(number)}"
            line = [sys.executable, "-c", COMMAND, *map(str, arguments), "-o", str(out)]
            with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
                process = subprocess.Popen(line, stdout=nowhere)
                _, status, usage = os.wait4(process.pid, 0)
            assert os.waitstatus_to_exitcode(status) == 0
            return usage.ru_maxrss / 1000

        memory_mb = benchmark.pedantic(run, rounds=3)
        benchmark.extra_info["peak_memory_mb"] = round(memory_mb)
        print(f"\npeak memory {memory_mb:.0f} MB")

    return timed


def test_the_demo(timed):
    timed("demo")
