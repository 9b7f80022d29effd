"""One data file of a recording: the reader is chosen by what the manifest says, never guessed."""

import math
from dataclasses import dataclass, field
from pathlib import PurePosixPath

from waveworks.errors import LoadError
from waveworks.loaders.csv_data import read_csv
from waveworks.loaders.csv_format import CsvFormat, read_csv_format
from waveworks.loaders.cutting import Cut, cut_sweeps
from waveworks.loaders.data_files import DataFiles
from waveworks.loaders.edf import read_edf_continuous, read_edf_signals
from waveworks.loaders.edf_header import EdfHeader, read_header
from waveworks.loaders.foreign_csv import read_foreign_csv
from waveworks.loaders.manifest import ManifestRow
from waveworks.loaders.raw import Continuous, Signals, pick
from waveworks.model import Processing, SourceFile
from waveworks.units import NV_PER_UNIT, nv_per_unit

EDF_SUFFIXES = (".edf", ".bdf")
_RECORD_LAYOUTS = ("sweeps", "blocks")


@dataclass(frozen=True)
class ReadOptions:
    """What the caller, rather than the manifest, decides.

    Parameters
    ----------
    csv_format : CsvFormat or None
        Description of CSV files whose row names none.
    bandpass_hz : tuple of float or None
        Corners of the band-pass of continuous data, in Hz.
    reject_uv : float or None
        Rejection limit of sweeps in microvolt.
    """

    csv_format: CsvFormat | None = None
    bandpass_hz: tuple[float, float] | None = None
    reject_uv: float | None = None


@dataclass(frozen=True, eq=False)
class FileContent:
    """What one data file gave.

    Parameters
    ----------
    signals : Signals
        Sweeps, blocks, buffers or averages.
    processing : Processing
        What was done to them while reading.
    n_left_out : int
        Stimuli without a whole sweep in the recording.
    notes : tuple of str
        What a reader of the numbers should know.
    """

    signals: Signals
    processing: Processing = field(default_factory=Processing)
    n_left_out: int = 0
    notes: tuple[str, ...] = ()


def is_edf(name: str) -> bool:
    """Tell whether a file is EDF or BDF by its name.

    Parameters
    ----------
    name : str
        Of the file.

    Returns
    -------
    bool
    """
    return PurePosixPath(name).suffix.lower() in EDF_SUFFIXES


def source_file(name: str, files: DataFiles) -> SourceFile:
    """Return a file's hash and raw header.

    Parameters
    ----------
    name : str
        Path relative to the session folder.
    files : DataFiles
        Of the session.

    Returns
    -------
    SourceFile
        Without a header where it has none that can be read.

    Raises
    ------
    LoadError
        If the file cannot be read.
    """
    data, sha256 = files.read(name)
    if is_edf(name):
        return SourceFile(name, sha256, read_header(data, name=name).header_text)
    first_line = data[:4096].splitlines()[:1]
    return SourceFile(name, sha256, b"".join(first_line).decode("utf-8", errors="replace"))


def read_file(row: ManifestRow, name: str, files: DataFiles, options: ReadOptions) -> FileContent:
    """Read one data file as its row describes it.

    Parameters
    ----------
    row : ManifestRow
        The recording.
    name : str
        One of its files.
    files : DataFiles
        Of the session.
    options : ReadOptions
        Of the caller.

    Returns
    -------
    FileContent

    Raises
    ------
    WaveworksError
        If the file, its description or the band-pass is unusable.
    """
    raw = read_raw(row, name, files, options)
    if isinstance(raw, Continuous):
        cut = cut_as_described(row, name, raw, options)
        return FileContent(cut.signals, cut.processing, cut.n_left_out)
    notes: tuple[str, ...] = ()
    if options.bandpass_hz is not None:
        notes = (f"{name}: not band-passed, because the data are cut already",)
    return FileContent(raw, notes=notes)


def read_raw(
    row: ManifestRow, name: str, files: DataFiles, options: ReadOptions
) -> Signals | Continuous:
    """Read one data file as its row describes it, a continuous recording as a whole.

    Parameters
    ----------
    row : ManifestRow
        The recording.
    name : str
        One of its files.
    files : DataFiles
        Of the session.
    options : ReadOptions
        Of the caller.

    Returns
    -------
    Signals or Continuous

    Raises
    ------
    WaveworksError
        If the file or its description is unusable.
    """
    return _read_edf(row, name, files) if is_edf(name) else _read_text(row, name, files, options)


def cut_as_described(
    row: ManifestRow, name: str, continuous: Continuous, options: ReadOptions
) -> Cut:
    """Cut a continuous recording into sweeps as its row describes it.

    Parameters
    ----------
    row : ManifestRow
        The recording.
    name : str
        Its file.
    continuous : Continuous
        From `read_raw`.
    options : ReadOptions
        Of the caller.

    Returns
    -------
    Cut

    Raises
    ------
    WaveworksError
        If the layout is another, the cut or the band-pass impossible.
    """
    if row.layout != "sweeps":
        raise LoadError(
            f"{name}: cut at events, so its layout must be 'sweeps', not '{row.layout}'"
        )
    return cut_sweeps(
        continuous,
        start_ms=_epoch_start(row),
        stop_ms=row.epoch_stop_ms,
        bandpass_hz=options.bandpass_hz,
        name=name,
    )


def csv_format_of(
    row: ManifestRow, files: DataFiles, default: CsvFormat | None
) -> CsvFormat | None:
    """Return the description of a row's CSV files.

    Parameters
    ----------
    row : ManifestRow
        The recording.
    files : DataFiles
        Of the session.
    default : CsvFormat or None
        Where the row names none.

    Returns
    -------
    CsvFormat or None
        None for files of our own form.

    Raises
    ------
    WaveworksError
        If the description is unusable.
    """
    if row.csv_format:
        return read_csv_format(files.path(row.csv_format), name=row.csv_format)
    return default


def _read_edf(row: ManifestRow, name: str, files: DataFiles) -> Signals | Continuous:
    path = files.path(name)
    if row.unit:
        _refuse_other_unit(row, read_header(files.read(name)[0], name=name), name)
    if row.event:
        return read_edf_continuous(path, name=name, signals=row.signals, event=row.event)
    return read_edf_signals(
        path,
        name=name,
        signals=row.signals,
        start_ms=_epoch_start(row),
        records_as_sweeps=row.layout in _RECORD_LAYOUTS,
    )


def _refuse_other_unit(row: ManifestRow, header: EdfHeader, name: str) -> None:
    """Refuse a row that contradicts the unit that the file itself states."""
    stated = nv_per_unit(row.unit, where=row.where)
    for signal in header.signals:
        meant = signal.label in row.signals if row.signals else not signal.is_annotation
        if meant and NV_PER_UNIT.get(signal.dimension, stated) != stated:
            raise LoadError(
                f"{name}: unit is '{row.unit}' in recordings.csv, the file states "
                f"'{signal.dimension}' for '{signal.label}'"
            )


def _read_text(
    row: ManifestRow, name: str, files: DataFiles, options: ReadOptions
) -> Signals | Continuous:
    data, _ = files.read(name)
    described = csv_format_of(row, files, options.csv_format)
    if described is not None:
        return read_foreign_csv(
            data, described, name=name, unit=row.unit, signals=row.signals, event=row.event
        )
    if row.event:
        raise LoadError(
            f"{name}: event is given, but a plain CSV file holds no events; describe the file in "
            "a csv_format with a marker column"
        )
    return pick(read_csv(data, name=name, unit=row.unit), row.signals, name=name)


def _epoch_start(row: ManifestRow) -> float:
    return 0.0 if math.isnan(row.epoch_start_ms) else row.epoch_start_ms
