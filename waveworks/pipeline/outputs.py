"""The files that hold an analysis for machines."""

from pathlib import Path

from waveworks.pipeline.analysis import Analysis
from waveworks.writers.output import PROVENANCE
from waveworks.writers.tables import table_text, write_json


def write_tables(analysis: Analysis, folder: Path) -> None:
    """Write the tables of an analysis as CSV, and where each number comes from as JSON.

    Parameters
    ----------
    analysis : Analysis
        What was measured.
    folder : Path
        That exists; files of the same name are overwritten.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    tables = {
        "measures.csv": analysis.measures,
        "levels.csv": analysis.levels,
        "traces.csv": analysis.traces,
    }
    for name, table in tables.items():
        rows = table.itertuples(index=False, name=None)
        (folder / name).write_text(
            table_text(table.columns.tolist(), rows), encoding="utf-8", newline=""
        )
    write_json(folder / PROVENANCE, analysis.provenance)
