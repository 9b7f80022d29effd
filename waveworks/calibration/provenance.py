"""The files of an experiment: its table for machines, and where each number comes from."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from waveworks.calibration.experiment import Cell, Experiment, latency_ms
from waveworks.calibration.own_sweeps import SHARED
from waveworks.calibration.table import calibration_table, off_nominal
from waveworks.dsp.detectors import detector
from waveworks.model import Session
from waveworks.pipeline.cautions import CAUTIONS
from waveworks.pipeline.provenance import settings_used, source_of, versions
from waveworks.settings import Settings
from waveworks.writers.output import PROVENANCE
from waveworks.writers.tables import cell_text, table_text, write_json


def write_calibration(
    experiment: Experiment,
    cells: Sequence[Cell],
    folder: Path,
    *,
    session: Session | None = None,
    settings: Settings | None = None,
    left_out: Sequence[str] = (),
) -> None:
    """Write calibration.csv and provenance.json.

    Parameters
    ----------
    experiment : Experiment
        That was run.
    cells : sequence of Cell
        What came out.
    folder : Path
        That exists; files of the same name are overwritten.
    session : Session, optional
        Whose sweeps were used.
    settings : Settings, optional
        That gave their windows.
    left_out : sequence of str
        Why other recordings of the session, or some tests, are not in it.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    table = calibration_table(experiment, cells)
    rows = table.itertuples(index=False, name=None)
    (folder / "calibration.csv").write_text(
        table_text(table.columns.tolist(), rows), encoding="utf-8", newline=""
    )
    write_json(folder / PROVENANCE, _provenance(experiment, cells, session, settings, left_out))


def _provenance(
    experiment: Experiment,
    cells: Sequence[Cell],
    session: Session | None,
    settings: Settings | None,
    left_out: Sequence[str],
) -> dict[str, Any]:
    origins = {}
    if session is not None:
        origins = {
            one.name: {
                **source_of(one, session.unknown_columns),
                "n_rejected_here": one.counts.n_rejected_here,
            }
            for one in session.recordings
        }
    return {
        "cautions": list(CAUTIONS) if session is None else [*CAUTIONS, SHARED],
        "versions": versions(),
        "session": None if session is None else session.info.session,
        "session_files": {}
        if session is None
        else {file.name: file.sha256 for file in session.files},
        "settings": {} if settings is None else settings_used(settings),
        "unknown_columns": [] if session is None else list(session.unknown_columns),
        "left_out": list(left_out),
        "experiment": {
            "tests": {
                name: detector(name, n_bins=experiment.n_bins).words for name in experiment.tests
            },
            "amplitudes_nv": list(experiment.amplitudes_nv),
            "alpha": experiment.alpha,
            "n_sweeps_at_looks": list(experiment.looks),
            "boundary": experiment.kind,
            "n_bins": experiment.n_bins,
            "n_runs": experiment.n_runs,
            "seed": experiment.seed,
        },
        "noise": {
            cell_text(source.name): {
                "from": "simulated"
                if session is None
                else "sweeps without their mean, half of them turned over",
                "response_window_ms": list(source.response_ms),
                "response_latency_ms": latency_ms(source),
                "sweeps_per_epoch": source.per_epoch,
                "sfreq_hz": source.axis.sfreq_hz,
                **origins.get(source.name, {"files": {}}),
            }
            for source in experiment.sources
        },
        "off_nominal": list(off_nominal(experiment, cells)),
        "calibration.csv": {
            f"{cell_text(cell.noise)}|{cell.test}|{cell.amplitude_nv:g}": {
                "levels": [] if cell.fault else cell.levels.tolist(),
                "fault": cell.fault,
            }
            for cell in cells
        },
    }
