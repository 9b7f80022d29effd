"""`waveworks report`: the tables, and a page for people."""

from pathlib import Path
from typing import Any

import click

from waveworks.cli.options import (
    criteria_option,
    json_option,
    output_options,
    progress,
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
def report(
    ctx: click.Context,
    /,
    session: Path,
    output: Path,
    force: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Measure a session and write a report with plots of every step.

    Writes report.html, a page that needs nothing else, beside what `measure` writes.
    """
    from waveworks.pipeline import analyse
    from waveworks.report import write_into
    from waveworks.writers.output import output_folder

    with output_folder(output, force=force, source=session) as draft:
        found, settings = read_with_options(session, options)
        analysis = analyse(found, settings, criteria_with_options(session, options))
        write_into(draft, analysis, track=progress("drawing"))
    ctx.exit(show_analysis(analysis, output, as_json=as_json))
