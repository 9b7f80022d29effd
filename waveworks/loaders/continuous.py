"""The continuous signal that the sweeps of a recording were cut from, read once more.

A recording keeps its sweeps only: one signal at a time is read where a test needs it.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import LoadError
from waveworks.loaders.csv_format import CsvFormat
from waveworks.loaders.cutting import within_limit
from waveworks.loaders.data_files import DataFiles
from waveworks.loaders.manifest import ManifestRow, row_of_cells
from waveworks.loaders.raw import Continuous, FloatArray
from waveworks.loaders.reading import ReadOptions, csv_format_of, cut_as_described, is_edf, read_raw
from waveworks.model import Recording, Sweeps


@dataclass(frozen=True, eq=False)
class ContinuousSignal:
    """A continuous channel, and where the sweeps of a recording lie in it.

    Parameters
    ----------
    signal_nv : ndarray, shape (n_total,)
        Band-passed as it was for the cut, in nV.
    starts : ndarray of int, shape (n_sweeps,)
        The sample at which each sweep of the recording begins.
    n_rejected : int
        Sweeps that were cut, too, and exceeded the rejection limit.
    """

    signal_nv: FloatArray
    starts: NDArray[np.int64]
    n_rejected: int


def is_continuous(recording: Recording, folder: Path, csv_format: CsvFormat | None = None) -> bool:
    """Tell whether the sweeps of a recording were cut from a continuous one while reading.

    Parameters
    ----------
    recording : Recording
        Of a session that was read.
    folder : Path
        The session folder.
    csv_format : CsvFormat, optional
        That the session was read with.

    Returns
    -------
    bool
        Always False for a recording that was made in memory.

    Raises
    ------
    WaveworksError
        If its description of CSV files has become unusable.
    """
    if not recording.cells or not isinstance(recording.waveforms, Sweeps):
        return False
    row = row_of_cells(dict(recording.cells), recording.row)
    if row.event or is_edf(row.files[0]):
        return bool(row.event)
    described = csv_format_of(row, DataFiles(folder), csv_format)
    return described is not None and described.marker_column is not None


def read_continuous(
    recording: Recording, folder: Path, csv_format: CsvFormat | None = None
) -> ContinuousSignal:
    """Read the continuous signal of a recording once more.

    Parameters
    ----------
    recording : Recording
        Of a session that was read.
    folder : Path
        The session folder.
    csv_format : CsvFormat, optional
        That the session was read with.

    Returns
    -------
    ContinuousSignal
        With the band-pass and the rejection that made the recording.

    Raises
    ------
    WaveworksError
        If the sweeps were not cut from a continuous recording while reading, the file is unusable
        by now, or it does not give these sweeps any more.
    """
    if not is_continuous(recording, folder, csv_format):
        raise LoadError("its sweeps are not cut from a continuous recording here")
    row = row_of_cells(dict(recording.cells), recording.row)
    done = recording.processing
    options = ReadOptions(csv_format, done.bandpass_hz, done.reject_uv)
    name = row.files[0]
    files = DataFiles(folder)
    raw = read_raw(row, name, files, options)
    if not isinstance(raw, Continuous) or files.read(name)[1] != recording.files[0].sha256:
        raise _changed(row)
    cut = cut_as_described(row, name, raw, options)
    sweeps, starts = cut.signals.values_nv, cut.starts
    if done.reject_uv is not None:
        kept = within_limit(sweeps, done.reject_uv)
        sweeps, starts = sweeps[kept], starts[kept]
    match recording.waveforms:
        case Sweeps(sweeps_nv=known) if np.array_equal(known, sweeps):
            return ContinuousSignal(cut.channel_nv, starts, len(cut.starts) - len(starts))
    raise _changed(row)


def _changed(row: ManifestRow) -> LoadError:
    return LoadError(f"{row.files[0]}: does not give the sweeps of '{row.name}' any more")
