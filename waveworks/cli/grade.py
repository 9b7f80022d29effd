"""`waveworks grade`: each level by the criteria, clause by clause."""

from pathlib import Path
from typing import Any

import click

from waveworks.cli.options import (
    criteria_option,
    json_option,
    output_options,
    reading_options,
    session_argument,
)
from waveworks.cli.reading import criteria_with_options, read_with_options
from waveworks.cli.summary import show_analysis


@click.command()
@session_argument
@output_options
@reading_options
@criteria_option
@json_option
@click.pass_context
def grade(
    ctx: click.Context,
    /,
    session: Path,
    output: Path,
    force: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Grade each level, and find thresholds.

    A level is a clear response, a response absent or inconclusive. Writes what `measure` writes,
    with grades and their reasons in levels.csv, clauses.csv (a row a clause of the criteria and the
    trace that it was held against) and thresholds.csv (a row a level series).
    """
    from waveworks.pipeline import analyse
    from waveworks.pipeline.outputs import write_tables
    from waveworks.writers.output import output_folder

    with output_folder(output, force=force, source=session) as draft:
        found, settings = read_with_options(session, options)
        analysis = analyse(found, settings, criteria_with_options(session, options))
        write_tables(analysis, draft)
    ctx.exit(show_analysis(analysis, output, as_json=as_json))
