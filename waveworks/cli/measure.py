"""`waveworks measure`: noise, F statistics, replicate agreement, marks."""

from pathlib import Path
from typing import Any

import click

from waveworks.cli.options import json_option, output_options, reading_options, session_argument
from waveworks.cli.reading import read_with_options
from waveworks.cli.summary import show_analysis


@click.command()
@session_argument
@output_options
@reading_options
@json_option
@click.pass_context
def measure(
    ctx: click.Context,
    /,
    session: Path,
    output: Path,
    force: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Measure noise, F statistics, replicate agreement and marks.

    Writes measures.csv (a row a recording), levels.csv (a row a condition), traces.csv (a row a
    final trace) and provenance.json.
    """
    from waveworks.pipeline import analyse
    from waveworks.pipeline.outputs import write_tables
    from waveworks.writers.output import output_folder

    with output_folder(output, force=force, source=session) as draft:
        found, settings = read_with_options(session, options)
        analysis = analyse(found, settings)
        write_tables(analysis, draft, graded=False)
    ctx.exit(show_analysis(analysis, output, as_json=as_json, graded=False))
