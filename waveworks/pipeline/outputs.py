"""The files that hold an analysis for machines."""

from pathlib import Path

from waveworks.measures.tables import levels_table
from waveworks.pipeline.analysis import Analysis
from waveworks.writers.output import PROVENANCE
from waveworks.writers.tables import table_text, write_json


def write_tables(analysis: Analysis, folder: Path, *, graded: bool = True) -> None:
    """Write the tables of an analysis as CSV, and where each number comes from as JSON.

    Parameters
    ----------
    analysis : Analysis
        What was measured.
    folder : Path
        That exists; files of the same name are overwritten.
    graded : bool
        Write grades, their reasons, clauses.csv and thresholds.csv.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    tables = {
        "measures.csv": analysis.measures,
        "levels.csv": analysis.levels if graded else levels_table(analysis.level_measures),
        "traces.csv": analysis.traces,
    }
    if graded:
        tables["clauses.csv"] = analysis.clauses
        tables["thresholds.csv"] = analysis.thresholds
    for name, table in tables.items():
        rows = table.itertuples(index=False, name=None)
        (folder / name).write_text(
            table_text(table.columns.tolist(), rows), encoding="utf-8", newline=""
        )
    write_json(folder / PROVENANCE, analysis.provenance)
