"""Detection tests of a session: the table for machines, and where each number comes from."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from waveworks.dsp.detectors import DETECTORS
from waveworks.measures.detect import DetectionPlan
from waveworks.measures.detection_row import Detection
from waveworks.measures.detection_table import detection_table
from waveworks.model import Session
from waveworks.pipeline.cautions import CAUTIONS
from waveworks.pipeline.provenance import (
    plain,
    settings_used,
    source_of,
    versions,
    window_used,
)
from waveworks.settings import Settings
from waveworks.writers.output import PROVENANCE
from waveworks.writers.tables import cell_text, table_text, write_json

ALL = "all that a recording allows"


def write_detection(
    session: Session,
    settings: Settings,
    plan: DetectionPlan,
    found: Sequence[Detection],
    folder: Path,
) -> None:
    """Write detection.csv and provenance.json.

    Parameters
    ----------
    session : Session
        That was tested.
    settings : Settings
        That were used.
    plan : DetectionPlan
        Tests, rate and looks.
    found : sequence of Detection
        From `detect_recordings`.
    folder : Path
        That exists; files of the same name are overwritten.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    table = detection_table(found)
    rows = table.itertuples(index=False, name=None)
    (folder / "detection.csv").write_text(
        table_text(table.columns.tolist(), rows), encoding="utf-8", newline=""
    )
    write_json(folder / PROVENANCE, _provenance(session, settings, plan, found))


def _provenance(
    session: Session, settings: Settings, plan: DetectionPlan, found: Sequence[Detection]
) -> dict[str, Any]:
    return {
        "cautions": list(CAUTIONS),
        "versions": versions(),
        "session": session.info.session,
        "session_files": {file.name: file.sha256 for file in session.files},
        "settings": settings_used(settings),
        "unknown_columns": list(session.unknown_columns),
        "plan": {
            "tests": list(plan.tests) or ALL,
            "alpha": plan.alpha,
            "looks": list(plan.looks),
            "boundary": plan.kind,
            "n_bins": plan.n_bins,
        },
        "detection.csv": {
            f"{cell_text(one.recording.name)}|{one.test}": {
                **source_of(one.recording, session.unknown_columns),
                "method": one.words,
                "window_ms": window_used(one.start_ms, one.stop_ms),
                "noise_window_ms": None if one.noise_ms is None else window_used(*one.noise_ms),
                "n_sweeps_at_looks": list(one.looks),
                "boundary": plan.kind if _lowered(one) else "",
                "levels": plain(one.levels),
                "pvalues": plain(one.pvalues),
            }
            for one in found
        },
    }


def _lowered(one: Detection) -> bool:
    """Tell whether the levels are those of a boundary."""
    return len(one.levels) > 1 and one.test in DETECTORS and DETECTORS[one.test].corrected
