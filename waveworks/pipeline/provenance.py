"""The birth certificate of every number: files, versions, settings, windows, methods by row."""

import hashlib
import math
import platform
from collections.abc import Sequence
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from waveworks.criteria import Criteria
from waveworks.measures.definitions import DEFINITIONS
from waveworks.measures.final_traces import FinalTrace
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.marks import MarkMeasure
from waveworks.measures.recordings import RecordingMeasures
from waveworks.model import Condition, Recording, Session
from waveworks.pipeline.cautions import CAUTIONS
from waveworks.settings import Settings, StimulusWindows
from waveworks.writers.session_folder import READING_COLUMNS, WrittenRecording
from waveworks.writers.tables import cell_text

_LIBRARIES = ("waveworks", "numpy", "scipy", "pandas", "mne", "edfio")


def provenance(
    session: Session,
    settings: Settings,
    criteria: Criteria,
    recordings: Sequence[RecordingMeasures],
    levels: Sequence[LevelMeasures],
) -> dict[str, Any]:
    """Return where every number comes from.

    Parameters
    ----------
    session : Session
        That was analysed.
    settings : Settings
        That were used.
    criteria : Criteria
        The limits that go with the numbers.
    recordings : sequence of RecordingMeasures
        The rows of measures.csv.
    levels : sequence of LevelMeasures
        The rows of levels.csv and traces.csv.

    Returns
    -------
    dict
        Of plain JSON values; the same input gives the same content, so it holds no date.
    """
    return {
        "cautions": list(CAUTIONS),
        "versions": versions(),
        "session": session.info.session,
        "session_files": {file.name: file.sha256 for file in session.files},
        "settings": {
            **settings_used(settings),
            "expectations": [plain(asdict(wave)) for wave in settings.expectations],
        },
        "criteria": asdict(criteria),
        "methods": {name: asdict(definition) for name, definition in DEFINITIONS.items()},
        "unknown_columns": list(session.unknown_columns),
        "measures.csv": {
            cell_text(one.recording.name): _recording(one, session.unknown_columns)
            for one in recordings
        },
        "levels.csv": {condition_key(one.condition): _level(one) for one in levels},
        "traces.csv": {
            f"{condition_key(one.condition)}|{trace.label}": _trace(trace, one.marks[trace.label])
            for one in levels
            for trace in one.traces
        },
    }


def conversion_provenance(
    session: Session, written: Sequence[WrittenRecording], folder: Path
) -> dict[str, Any]:
    """Return where every file of a converted session comes from.

    Parameters
    ----------
    session : Session
        As it was read.
    written : sequence of WrittenRecording
        What became of its recordings.
    folder : Path
        That holds the new files.

    Returns
    -------
    dict
        Of plain JSON values: source files and hashes, how they were cut, new file and its hash.
    """
    return {
        "versions": versions(),
        "session": session.info.session,
        "session_files": {file.name: file.sha256 for file in session.files},
        "recordings.csv": {
            cell_text(one.recording.name): {
                "source_files": {file.name: file.sha256 for file in one.recording.files},
                "source_row": {
                    column: text
                    for column, text in one.recording.cells
                    if text and column in READING_COLUMNS
                },
                "file": {one.file: _sha256(folder / one.file)} if one.file else {},
                "quantisation_step_nv": list(one.steps_nv),
                "problem": one.problem,
            }
            for one in written
        },
    }


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def condition_key(condition: Condition) -> str:
    """Return the key of a condition's rows.

    Parameters
    ----------
    condition : Condition
        Of the rows.

    Returns
    -------
    str
        The cells of the condition columns, joined by '|'; a '|' inside a cell is doubled.
    """
    cells = (cell_text(cell).replace("|", "||") for cell in condition.cells().values())
    return "|".join(cells)


def versions() -> dict[str, str]:
    """Return the versions of everything that had a hand in the numbers.

    Returns
    -------
    dict of str to str
        Python and the libraries that are installed.
    """
    found = {"python": platform.python_version()}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found


def settings_used(settings: Settings) -> dict[str, Any]:
    """Return where windows and limits come from.

    Parameters
    ----------
    settings : Settings
        That were used.

    Returns
    -------
    dict
        Name, hash, what was set by hand over them, and the windows of every stimulus.
    """
    return {
        "name": settings.name,
        "sha256": settings.sha256,
        "set_by_hand": list(settings.changed),
        "stimuli": [_windows(windows) for windows in settings.stimuli],
    }


def source_of(recording: Recording, unknown_columns: tuple[str, ...]) -> dict[str, Any]:
    """Return where the data of a recording come from and what was done to them while reading.

    Parameters
    ----------
    recording : Recording
        Of the session.
    unknown_columns : tuple of str
        Columns of recordings.csv that mean nothing here.

    Returns
    -------
    dict
        Row, file hashes, band-pass in words, rejection, earphone delay, unknown cells.
    """
    processing = recording.processing
    cells = dict(recording.cells)
    return {
        "row": recording.row,
        "files": {file.name: file.sha256 for file in recording.files},
        "bandpass": processing.description,
        "reject_uv": processing.reject_uv,
        "earphone_delay_ms": cells.get("earphone_delay_ms", ""),
        "unknown_columns": {column: cells[column] for column in unknown_columns},
    }


def _recording(measured: RecordingMeasures, unknown_columns: tuple[str, ...]) -> dict[str, Any]:
    noise, detected = measured.noise, measured.detection
    return {
        **source_of(measured.recording, unknown_columns),
        "residual_noise": {
            "method": f"residual noise from {noise.method}" if noise.method else "",
            "window_ms": window_used(noise.start_ms, noise.stop_ms),
        },
        "f_statistics": {
            "pvalue_method": detected.method,
            "window_ms": window_used(detected.start_ms, detected.stop_ms),
            "fsp_point_ms": _number(detected.fsp_point_ms),
        },
    }


def _level(measured: LevelMeasures) -> dict[str, Any]:
    windows, detected = measured.windows, measured.detection
    return {
        "recordings": [recording.name for recording in measured.recordings],
        "windows": None if windows is None else _windows(windows),
        "expectation": None if measured.expected is None else plain(asdict(measured.expected)),
        "f_statistics": {
            "pvalue_method": detected.method,
            "window_ms": window_used(detected.start_ms, detected.stop_ms),
        },
        "shape_test": {"noise": measured.shape.method},
    }


def _trace(trace: FinalTrace, marks: MarkMeasure) -> dict[str, Any]:
    method = trace.noise.method
    return {
        "members": [member.name for member in trace.members],
        "weighting": trace.weighting,
        "residual_noise": {
            "method": f"residual noise from {method}" if method else "",
            "window_ms": window_used(trace.noise.start_ms, trace.noise.stop_ms),
        },
        "marks": {
            "from": marks.marks_from,
            "method": marks.method,
            "searched_ms": None if marks.searched_ms is None else window_used(*marks.searched_ms),
            "candidates": [plain(asdict(candidate)) for candidate in marks.others],
        },
    }


def _windows(windows: StimulusWindows) -> dict[str, Any]:
    return {
        "stimulus": windows.stimulus,
        "frequency_hz": windows.frequency_hz,
        "response_window_ms": window_used(*windows.response_ms),
        "noise_window_ms": window_used(*windows.noise_ms),
        "v_window_ms": None if windows.v_ms is None else window_used(*windows.v_ms),
        "fsp_point_ms": _number(windows.fsp_point_ms),
        "source": windows.source,
    }


def plain(value: Any) -> Any:
    """Return what strict JSON can hold: no NaN, an infinite end in words.

    Parameters
    ----------
    value : object
        A number, or a dict or tuple of them.

    Returns
    -------
    object
        All digits are kept.
    """
    if isinstance(value, dict):
        return {name: plain(one) for name, one in value.items()}
    if isinstance(value, tuple):
        return [plain(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else "no limit"
    return value


def window_used(start: float, stop: float) -> list[float | str | None]:
    """Return the ends of a window as strict JSON can hold them.

    Parameters
    ----------
    start, stop : float
        In ms, to nine digits after the point; NaN is none.

    Returns
    -------
    list
    """
    return [_number(start), _number(stop)]


def _number(value: float) -> float | str | None:
    """Return a number that strict JSON can hold: no NaN, infinity as a word."""
    if math.isnan(value):
        return None
    if math.isinf(value):
        return "start of the data" if value < 0 else "end of the data"
    return round(value, 9)
