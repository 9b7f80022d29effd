"""`write_report(analysis, folder)`: the page and the tables, whole or not at all."""

import datetime
from pathlib import Path

from waveworks.loaders.session import Track
from waveworks.pipeline import Analysis
from waveworks.pipeline.outputs import write_tables
from waveworks.report.page import report_html
from waveworks.writers.output import output_folder

REPORT = "report.html"


def write_report(
    analysis: Analysis,
    folder: str | Path,
    *,
    force: bool = False,
    made_on: datetime.date | None = None,
) -> None:
    """Write the report of an analysis, with its tables and their provenance.

    Parameters
    ----------
    analysis : Analysis
        What was measured.
    folder : path
        Where the output shall be; it is put there whole or not at all.
    force : bool
        Allow `folder` to exist: files of the same name are replaced.
    made_on : datetime.date, optional
        The date on the page; today by default. It is all that differs between two pages of the
        same input.

    Raises
    ------
    OutputError
        If `folder` is the session itself, exists without `force` or cannot be written.
    """
    with output_folder(Path(folder), force=force, source=analysis.session.folder) as draft:
        write_into(draft, analysis, made_on=made_on)


def write_into(
    folder: Path,
    analysis: Analysis,
    *,
    made_on: datetime.date | None = None,
    track: Track = iter,
) -> None:
    """Write the report, its tables and their provenance into a folder that exists.

    Parameters
    ----------
    folder : Path
        Files of the same name are overwritten.
    analysis : Analysis
        What was measured.
    made_on : datetime.date, optional
        The date on the page; today by default.
    track : callable, optional
        Wraps the sequence of levels, to show progress.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    write_tables(analysis, folder)
    page = report_html(analysis, made_on=made_on or datetime.date.today(), track=track)
    (folder / REPORT).write_text(page, encoding="utf-8", newline="")
