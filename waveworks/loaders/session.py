"""A session folder: every row of `recordings.csv` becomes a recording, usable or with a reason."""

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from waveworks.criteria import Criteria, default_criteria, read_criteria
from waveworks.errors import LoadError, SessionError, WaveworksError
from waveworks.loaders.assemble import assemble
from waveworks.loaders.csv_format import read_csv_format
from waveworks.loaders.data_files import DataFiles
from waveworks.loaders.manifest import KNOWN_COLUMNS, ManifestRow, read_manifest
from waveworks.loaders.reading import ReadOptions, read_file, source_file
from waveworks.loaders.session_toml import SESSION_TOML, parse_session_toml
from waveworks.model import (
    ClinicianMarks,
    Counts,
    Processing,
    Recording,
    Session,
    SessionInfo,
    SourceFile,
)
from waveworks.model.session import MANIFEST
from waveworks.settings import Settings, default_settings, read_settings

Track = Callable[[Sequence[Any]], Iterable[Any]]
"""Wraps a sequence to show progress while it is walked through."""


def read_session(
    folder: str | Path,
    csv_format: str | Path | None = None,
    bandpass_hz: tuple[float, float] | None = None,
    reject_uv: float | None = None,
    *,
    settings: Settings | None = None,
    track: Track = iter,
) -> Session:
    """Read a session folder.

    Parameters
    ----------
    folder : path
        Holds `recordings.csv`, perhaps `session.toml`, and the data files.
    csv_format : path, optional
        Description of CSV files whose row names none.
    bandpass_hz : tuple of float, optional
        Corners in Hz of the zero-phase band-pass of continuous data; the settings' by default.
    reject_uv : float, optional
        Rejection limit of sweeps in microvolt; the settings' by default.
    settings : Settings, optional
        The session's own, or the shipped ones, by default.
    track : callable, optional
        Wraps the sequence of rows, to show progress.

    Returns
    -------
    Session
        With one recording a row. A recording whose data cannot be used says why in `problem`.

    Raises
    ------
    SessionError
        If `recordings.csv` or `session.toml` is missing or unusable.
    SettingsError
        If the session's settings file or `csv_format` is unusable.
    """
    folder = Path(folder)
    settings = session_settings(folder) if settings is None else settings
    chosen = settings.override(bandpass_hz=bandpass_hz, reject_uv=reject_uv)
    options = ReadOptions(
        csv_format=None if csv_format is None else read_csv_format(Path(csv_format)),
        bandpass_hz=chosen.bandpass_hz,
        reject_uv=chosen.reject_uv,
    )
    manifest = _folder_file(folder, MANIFEST)
    rows = read_manifest(manifest)
    about = _session_toml(folder)
    described = [_hashed(MANIFEST, manifest)]
    if about is not None:
        described.append(_hashed(SESSION_TOML, about))
    files = DataFiles(folder)
    return Session(
        folder=folder,
        info=_info(folder, about),
        recordings=tuple(read_recording(row, files, options) for row in track(rows)),
        files=tuple(described) + _format_files(rows, files, csv_format),
        unknown_columns=tuple(c for c, _ in rows[0].cells if c not in KNOWN_COLUMNS),
    )


def session_settings(folder: str | Path) -> Settings:
    """Return the settings that a session names, or the shipped ones.

    Parameters
    ----------
    folder : path
        The session folder.

    Returns
    -------
    Settings

    Raises
    ------
    SessionError
        If `session.toml` is unusable or names a file outside the folder.
    SettingsError
        If the settings file is unusable.
    """
    folder = Path(folder)
    name = _info(folder, _session_toml(folder)).settings
    if not name:
        return default_settings()
    return read_settings(_named_file(folder, "settings", name), name=name)


def session_criteria(folder: str | Path) -> Criteria:
    """Return the criteria that a session names, or the shipped example.

    Parameters
    ----------
    folder : path
        The session folder.

    Returns
    -------
    Criteria

    Raises
    ------
    SessionError
        If `session.toml` is unusable or names a file outside the folder.
    SettingsError
        If the criteria file is unusable.
    """
    folder = Path(folder)
    name = _info(folder, _session_toml(folder)).criteria
    if not name:
        return default_criteria()
    return read_criteria(_named_file(folder, "criteria", name), name=name)


def read_recording(row: ManifestRow, files: DataFiles, options: ReadOptions) -> Recording:
    """Read the recording of one row.

    Parameters
    ----------
    row : ManifestRow
        What the manifest says.
    files : DataFiles
        Of the session.
    options : ReadOptions
        Of the caller.

    Returns
    -------
    Recording
        With a reason in `problem` where the data cannot be used.
    """
    delay = row.earphone_delay_ms
    recording = Recording(
        name=row.name,
        kind=row.kind,
        layout=row.layout,
        condition=row.condition,
        waveforms=None,
        files=tuple(SourceFile(name, "") for name in row.files),
        counts=Counts(row.n_sweeps, row.n_rejected),
        marks=ClinicianMarks(row.marks.v_ms - delay, row.marks.sn10_ms - delay),
        reported=row.reported,
        buffer_split=row.buffer_split,
        parts=row.parts,
        group=row.group,
        rate_hz=row.rate_hz,
        row=row.number,
        cells=row.cells,
    )
    try:
        recording = replace(recording, files=tuple(source_file(name, files) for name in row.files))
        return _with_data(recording, row, files, options)
    except WaveworksError as fault:
        return replace(recording, problem=str(fault))


def _with_data(
    recording: Recording, row: ManifestRow, files: DataFiles, options: ReadOptions
) -> Recording:
    contents = [read_file(row, name, files, options) for name in row.files]
    made = assemble(row, [content.signals for content in contents], reject_uv=options.reject_uv)
    n_left_out = sum(content.n_left_out for content in contents)
    notes = made.notes + tuple(note for content in contents for note in content.notes)
    if n_left_out:
        notes += (f"{n_left_out} stimuli without a whole sweep in the recording are left out",)
    if options.reject_uv is not None and recording.layout != "sweeps":
        notes += ("sweeps not rejected: the data hold none",)
    return replace(
        recording,
        waveforms=made.waveforms,
        counts=replace(made.counts, n_rejected_here=made.counts.n_rejected_here + n_left_out),
        notes=notes,
        processing=Processing(
            bandpass_hz=contents[0].processing.bandpass_hz,
            reject_uv=options.reject_uv if recording.layout == "sweeps" else None,
            description=contents[0].processing.description,
        ),
    )


def _info(folder: Path, data: bytes | None) -> SessionInfo:
    name = folder.resolve().name
    return SessionInfo(name) if data is None else parse_session_toml(data, default_name=name)


def _named_file(folder: Path, key: str, name: str) -> Path:
    try:
        return DataFiles(folder).path(name)
    except LoadError as fault:
        raise SessionError(f"{SESSION_TOML}: {key}: {fault}") from None


def _session_toml(folder: Path) -> bytes | None:
    return _folder_file(folder, SESSION_TOML) if (folder / SESSION_TOML).exists() else None


def _hashed(name: str, data: bytes) -> SourceFile:
    return SourceFile(name, hashlib.sha256(data).hexdigest())


def _folder_file(folder: Path, name: str) -> bytes:
    if not folder.is_dir():
        raise SessionError(f"{folder}: no such folder")
    try:
        return (folder / name).read_bytes()
    except FileNotFoundError:
        raise SessionError(f"{folder}: holds no {name}") from None
    except OSError as fault:
        raise SessionError(f"{folder / name}: cannot be read: {fault.strerror}") from None


def _format_files(
    rows: tuple[ManifestRow, ...], files: DataFiles, csv_format: str | Path | None
) -> tuple[SourceFile, ...]:
    """Return the descriptions that could be read; one that could not is a recording's problem."""
    found = []
    for name in dict.fromkeys(row.csv_format for row in rows if row.csv_format):
        try:
            found.append(SourceFile(name, files.read(name)[1]))
        except LoadError:
            continue
    if csv_format is not None:
        found.append(_hashed(Path(csv_format).name, Path(csv_format).read_bytes()))
    return tuple(found)
