"""What every test shares: no global state leaks, and small session folders are quick to write."""

import csv
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings

from waveworks.model import (
    Average,
    Blocks,
    Buffers,
    ClinicianMarks,
    Condition,
    Counts,
    Recording,
    Sweeps,
)

# A busy machine is no fault of the code: time is measured by the benchmarks alone.
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")

PROJECT = Path(__file__).parents[1]

CONDITION = Condition("right", "insert", "click", level_db_nhl=40.0)
LAYOUTS = {Sweeps: "sweeps", Blocks: "blocks", Buffers: "buffers", Average: "average"}

REQUIRED = {
    "recording": "one",
    "file": "one.csv",
    "layout": "average",
    "ear": "right",
    "transducer": "insert",
    "stimulus": "click",
    "level_db_nhl": "40",
    "unit": "nV",
}


@pytest.fixture(autouse=True)
def _no_global_state_leaks() -> Iterator[None]:
    """The legacy random state and the error state of numpy stay as they were."""
    before, errors = np.random.get_state(legacy=False), np.geterr()  # noqa: NPY002
    yield
    after = np.random.get_state(legacy=False)  # noqa: NPY002
    assert np.array_equal(before["state"]["key"], after["state"]["key"])
    assert before["state"]["pos"] == after["state"]["pos"]
    assert errors == np.geterr()


@pytest.fixture
def quiet_ward() -> Path:
    """The invented session that the project ships."""
    return PROJECT / "synthetic_data" / "quiet_ward"


@pytest.fixture
def write_manifest(tmp_path: Path) -> Callable[..., Path]:
    """Write a session folder: `write_manifest({"level_db_nhl": "30"}, ...)`, a dict a row."""

    def write(*rows: dict[str, str], folder: Path | None = None) -> Path:
        folder = tmp_path / "session" if folder is None else folder
        folder.mkdir(exist_ok=True)
        full = [{**REQUIRED, **row} for row in rows]
        columns = list(dict.fromkeys(column for row in full for column in row))
        with (folder / "recordings.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, columns, restval="")
            writer.writeheader()
            writer.writerows(full)
        return folder

    return write


@pytest.fixture
def write_traces() -> Callable[..., None]:
    """Write a data file with samples in rows: `write_traces(path, {"a": ..., "b": ...})`."""

    def write(
        path: Path,
        columns: dict[str, np.ndarray],
        *,
        sfreq_hz: float = 12000.0,
        start_ms: float = 0.0,
    ) -> None:
        n_samples = len(next(iter(columns.values())))
        times_ms = start_ms + np.arange(n_samples) * 1e3 / sfreq_hz
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(["time_ms", *columns])
            writer.writerows(np.column_stack([times_ms, *columns.values()]).tolist())

    return write


@pytest.fixture
def make_recording() -> Callable[..., Recording]:
    """`make_recording(waveforms, "name", v_ms=..., **fields)`."""

    def make(waveforms, name="r", *, v_ms=np.nan, sn10_ms=np.nan, **fields) -> Recording:
        given = {
            "kind": "test",
            "condition": CONDITION,
            "layout": LAYOUTS.get(type(waveforms), "average"),
            "counts": Counts(getattr(waveforms, "n_sweeps", None)),
            "marks": ClinicianMarks(v_ms, sn10_ms),
            **fields,
        }
        return Recording(name=name, waveforms=waveforms, **given)

    return make
