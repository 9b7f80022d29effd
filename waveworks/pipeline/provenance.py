"""The birth certificate of every number: files, versions, settings, windows, methods by row."""

import math
import platform
from collections.abc import Sequence
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from waveworks.measures.definitions import DEFINITIONS
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.recordings import RecordingMeasures
from waveworks.model import Condition, Session
from waveworks.pipeline.cautions import CAUTIONS
from waveworks.settings import Settings, StimulusWindows
from waveworks.writers.tables import cell_text

_LIBRARIES = ("waveworks", "numpy", "scipy", "pandas", "mne", "edfio")


def provenance(
    session: Session,
    settings: Settings,
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
            "name": settings.name,
            "sha256": settings.sha256,
            "set_by_hand": list(settings.changed),
            "stimuli": [_windows(windows) for windows in settings.stimuli],
        },
        "methods": {name: asdict(definition) for name, definition in DEFINITIONS.items()},
        "measures.csv": {one.recording.name: _recording(one) for one in recordings},
        "levels.csv": {condition_key(one.condition): _level(one) for one in levels},
    }


def condition_key(condition: Condition) -> str:
    """Return the key of a condition's rows.

    Parameters
    ----------
    condition : Condition
        Of the rows.

    Returns
    -------
    str
        The cells of the condition columns, joined by '|'.
    """
    return "|".join(cell_text(cell) for cell in condition.cells().values())


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


def _recording(measured: RecordingMeasures) -> dict[str, Any]:
    recording, noise, detected = measured.recording, measured.noise, measured.detection
    processing = recording.processing
    return {
        "row": recording.row,
        "files": {file.name: file.sha256 for file in recording.files},
        "bandpass": processing.description,
        "reject_uv": processing.reject_uv,
        "earphone_delay_ms": dict(recording.cells).get("earphone_delay_ms", ""),
        "residual_noise": {
            "method": f"residual noise from {noise.method}" if noise.method else "",
            "window_ms": _pair(noise.start_ms, noise.stop_ms),
        },
        "f_statistics": {
            "pvalue_method": detected.method,
            "window_ms": _pair(detected.start_ms, detected.stop_ms),
            "fsp_point_ms": _number(detected.fsp_point_ms),
        },
    }


def _level(measured: LevelMeasures) -> dict[str, Any]:
    windows = measured.windows
    marks = measured.marks
    return {
        "recordings": [recording.name for recording in measured.recordings],
        "windows": None if windows is None else _windows(windows),
        "traces": {
            trace.label: {
                "members": [member.name for member in trace.members],
                "weighting": trace.weighting,
                "residual_noise": f"residual noise from {trace.noise.method}"
                if trace.noise.method
                else "",
                "noise_window_ms": _pair(trace.noise.start_ms, trace.noise.stop_ms),
                "marks_from": marks[trace.label].marks_from,
                "marks_method": marks[trace.label].method,
            }
            for trace in measured.traces
        },
        "f_window_ms": _pair(measured.detection.start_ms, measured.detection.stop_ms),
    }


def _windows(windows: StimulusWindows) -> dict[str, Any]:
    return {
        "stimulus": windows.stimulus,
        "frequency_hz": windows.frequency_hz,
        "response_window_ms": _pair(*windows.response_ms),
        "noise_window_ms": _pair(*windows.noise_ms),
        "v_window_ms": None if windows.v_ms is None else _pair(*windows.v_ms),
        "fsp_point_ms": _number(windows.fsp_point_ms),
        "source": windows.source,
    }


def _pair(start: float, stop: float) -> list[float | str | None]:
    return [_number(start), _number(stop)]


def _number(value: float) -> float | str | None:
    """Return a number that strict JSON can hold: no NaN, infinity as a word."""
    if math.isnan(value):
        return None
    if math.isinf(value):
        return "start of the data" if value < 0 else "end of the data"
    return round(value, 9)
