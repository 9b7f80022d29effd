"""Time and memory of whole reports, each in a process of its own as a user runs it.

Cost grows with the number of recordings: reading and measuring a little, drawing most of it. The
targets, on two cores: the demo below 10 s, sixty recordings below 30 s, memory below 1 GB.
"""

import os
import subprocess
import sys
from itertools import count, product
from pathlib import Path

import pytest

from waveworks.simulate.scenario import read_scenario
from waveworks.simulate.session import simulate_session, write_simulated

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
            process.returncode = os.waitstatus_to_exitcode(status)
            assert process.returncode == 0
            return usage.ru_maxrss / 1000

        memory_mb = benchmark.pedantic(run, rounds=3)
        benchmark.extra_info["peak_memory_mb"] = round(memory_mb)
        print(f"\npeak memory {memory_mb:.0f} MB")

    return timed


@pytest.fixture(scope="module")
def sixty(tmp_path_factory):
    """Two ears, three stimuli, five levels, two runs: 12 of sweeps, 12 averages, 36 of buffers."""
    lines = ['name = "sixty"', "seed = 5", "[noise]", 'kind = "Q33"']
    stimuli = (("narrowband-chirp", 4000), ("narrowband-chirp", 1000), ("tone-burst", 500))
    for ear, (stimulus, frequency_hz) in product(("right", "left"), stimuli):
        lines += ["[[series]]", f'ear = "{ear}"', 'transducer = "insert"', "n_sweeps = 2000"]
        lines += [f'stimulus = "{stimulus}"', f"frequency_hz = {frequency_hz}", "runs = 2"]
        lines += ['layout = "buffers"', "true_threshold_db_nhl = 40"]
        for level, layout in ((60, ""), (50, ""), (40, "sweeps"), (30, ""), (20, "average")):
            lines += ["[[series.recording]]", f"level_db_nhl = {level}"]
            lines += [f'layout = "{layout}"'] if layout else []
    folder = tmp_path_factory.mktemp("sixty")
    scenario = folder / "sixty.toml"
    scenario.write_text("\n".join(lines), encoding="utf-8")
    session = folder / "session"
    session.mkdir()
    write_simulated(simulate_session(read_scenario(scenario)), session)
    return session


def test_the_demo(timed):
    timed("demo")


def test_sixty_recordings(timed, sixty):
    timed("report", sixty)
