"""Detection tests of a session: the table for machines, and where each number comes from."""

import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from waveworks.measures.detect import Detection, DetectionPlan
from waveworks.measures.detection_table import detection_table
from waveworks.model import Session
from waveworks.pipeline.cautions import CAUTIONS
from waveworks.pipeline.provenance import versions
from waveworks.settings import Settings
from waveworks.writers.output import PROVENANCE
from waveworks.writers.tables import cell_text, table_text, write_json


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
        "settings": {"name": settings.name, "sha256": settings.sha256},
        "plan": asdict(plan),
        "detection.csv": {
            f"{cell_text(one.recording.name)}|{one.test}": {
                "files": {file.name: file.sha256 for file in one.recording.files},
                "method": one.words,
                "window_ms": [_number(one.start_ms), _number(one.stop_ms)],
                "n_sweeps_at_looks": list(one.looks),
                "levels": list(one.levels),
                "pvalues": [_number(p) for p in one.pvalues],
            }
            for one in found
        },
    }


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value
