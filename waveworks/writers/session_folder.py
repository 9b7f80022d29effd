"""A session written as a folder of its own: `recordings.csv` and a data file a recording."""

import math
import re
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import WaveworksError
from waveworks.model import Average, Blocks, Buffers, Recording, Session, Sweeps, Waveforms
from waveworks.model.session import MANIFEST
from waveworks.units import NV_PER_UNIT
from waveworks.writers.data_csv import write_data_csv
from waveworks.writers.edf import write_edf
from waveworks.writers.tables import cell_text, table_text

READING_COLUMNS = (
    *("unit", "csv_format", "signals", "event", "epoch_start_ms", "epoch_stop_ms"),
    "earphone_delay_ms",
)
"""Columns that say how the original file was read; most mean nothing for the new one."""

_UNSAFE = re.compile(r"[^A-Za-z0-9._-]+")


@dataclass(frozen=True)
class DataFile:
    """How the data of one recording are written.

    Parameters
    ----------
    to : {'csv', 'edf'}
        Format of the file.
    unit : str
        Unit of a CSV file; EDF states its own.
    """

    to: str = "csv"
    unit: str = "nV"


@dataclass(frozen=True)
class WrittenRecording:
    """What became of one recording.

    Parameters
    ----------
    recording : Recording
        As it was read.
    file : str
        Of the new folder; empty where it could not be written.
    steps_nv : tuple of float
        Quantisation step of each signal in nV; empty for CSV, which keeps every digit.
    problem : str
        Why there is no file; empty if there is one.
    """

    recording: Recording
    file: str = ""
    steps_nv: tuple[float, ...] = ()
    problem: str = ""


def write_session(
    session: Session, folder: Path, *, to: str | Sequence[DataFile]
) -> tuple[WrittenRecording, ...]:
    """Write a session as a folder of CSV or EDF files.

    Parameters
    ----------
    session : Session
        As it was read.
    folder : Path
        An empty folder.
    to : {'csv', 'edf'} or sequence of DataFile
        Format of all data files, or how to write each recording's.

    Returns
    -------
    tuple of WrittenRecording
        One a recording. A recording without usable data keeps its row as it was.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    kinds = [DataFile(to)] * len(session.recordings) if isinstance(to, str) else to
    names = _file_names(session.recordings)
    written = []
    rows = []
    for recording, name, kind in zip(session.recordings, names, kinds, strict=True):
        one, cells = _write(recording, folder / f"{name}.{kind.to}", kind)
        written.append(one)
        rows.append(cells)
    columns = list(dict.fromkeys(column for cells in rows for column in cells))
    text = table_text(columns, ([cells.get(column, "") for column in columns] for cells in rows))
    (folder / MANIFEST).write_text(text, encoding="utf-8", newline="")
    for name in ("session.toml", session.info.settings, session.info.criteria):
        source = session.folder / name
        if name and source.is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, folder / name)
    return tuple(written)


def _write(
    recording: Recording, path: Path, kind: DataFile
) -> tuple[WrittenRecording, dict[str, str]]:
    if recording.waveforms is None:
        unread = WrittenRecording(recording, problem=recording.problem)
        return unread, dict(recording.cells)
    labels, values = _signals(recording.waveforms)
    if kind.to == "csv":
        values = values / NV_PER_UNIT[kind.unit]
        write_data_csv(path, labels, values, recording.data.axis.times_ms)
        one = WrittenRecording(recording, path.name)
    else:
        as_records = isinstance(recording.waveforms, Sweeps | Blocks)
        try:
            steps_nv = write_edf(
                path,
                (recording.layout,) if as_records else labels,
                values,
                recording.data.axis.sfreq_hz,
                records_as_sweeps=as_records,
            )
        except WaveworksError as fault:
            return WrittenRecording(recording, problem=str(fault)), dict(recording.cells)
        one = WrittenRecording(recording, path.name, steps_nv)
    return one, _cells(recording, path.name, kind)


def _signals(waveforms: Waveforms) -> tuple[tuple[str, ...], NDArray[np.float64]]:
    match waveforms:
        case Sweeps():
            return _numbered("s", waveforms.n_sweeps), waveforms.sweeps_nv
        case Blocks():
            return _numbered("b", len(waveforms.blocks_nv)), waveforms.blocks_nv
        case Buffers():
            return ("a", "b"), np.stack([waveforms.a_nv, waveforms.b_nv])
        case Average():
            return ("average",), waveforms.trace_nv[np.newaxis]


def _cells(recording: Recording, file: str, kind: DataFile) -> dict[str, str]:
    """Return the row of the new file: what was applied while reading is applied no more."""
    cells = {**dict(recording.cells), "file": file}
    cells |= dict.fromkeys(READING_COLUMNS, "")
    cells["unit"] = kind.unit if kind.to == "csv" else ""
    # A name that a table makes harmless must be the same name where it is a part.
    cells["parts"] = ";".join(cell_text(part) for part in recording.parts)
    if kind.to == "edf":
        cells["epoch_start_ms"] = repr(recording.data.axis.start_ms)
    for column in ("v_ms", "sn10_ms"):
        mark = getattr(recording.marks, column)
        cells[column] = "" if math.isnan(mark) else f"{mark:.10g}"
    counts = recording.counts
    if counts.n_sweeps is not None:
        cells["n_sweeps"] = str(counts.n_sweeps)
    if counts.n_rejected is not None or counts.n_rejected_here:
        cells["n_rejected"] = str((counts.n_rejected or 0) + counts.n_rejected_here)
    if isinstance(recording.waveforms, Blocks) and recording.waveforms.n_per_block:
        cells["n_per_block"] = ";".join(map(str, recording.waveforms.n_per_block))
    return cells


def _file_names(recordings: Sequence[Recording]) -> list[str]:
    """Return a file name without suffix a recording: safe everywhere, no two alike anywhere."""
    taken = {"recordings"}  # the manifest's own name
    names = []
    for recording in recordings:
        stem = _UNSAFE.sub("_", recording.name).strip("._") or "recording"
        name, number = stem, 1
        while name.lower() in taken:
            number += 1
            name = f"{stem}-{number}"
        taken.add(name.lower())
        names.append(name)
    return names


def _numbered(letter: str, count: int) -> tuple[str, ...]:
    return tuple(f"{letter}{number}" for number in range(1, count + 1))
