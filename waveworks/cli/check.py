"""`waveworks check`: validates everything, measures nothing."""

from pathlib import Path
from typing import Any

import click

from waveworks.cli.options import json_option, reading_options, session_argument
from waveworks.cli.reading import read_with_options
from waveworks.cli.show import show_faults, show_tables


@click.command()
@session_argument
@reading_options
@json_option
@click.pass_context
def check(ctx: click.Context, /, session: Path, as_json: bool, **options: Any) -> None:
    """Validate a session folder and its files; measure nothing, write nothing."""
    from waveworks.measures.checks import faults_of, notes_of

    found, settings = read_with_options(session, options)
    rows = [
        {
            "row": recording.row,
            "recording": recording.name,
            "kind": recording.kind,
            "layout": recording.layout,
            "condition": str(recording.condition),
            "n_sweeps": recording.counts.n_sweeps,
            "data": "unusable" if recording.waveforms is None else str(recording.data.axis),
            "notes": list(recording.notes) if as_json else len(recording.notes),
        }
        for recording in found.recordings
    ]
    show_tables({"recordings": rows}, as_json=as_json)
    notes = notes_of(found)
    show_faults(notes)
    faults = faults_of(found, settings)
    show_faults(faults)
    if not faults and not as_json:
        found_wrong = f"{len(notes)} notes above" if notes else "nothing wrong"
        click.echo(f"{len(rows)} recordings, {found_wrong}.")
    ctx.exit(1 if faults else 0)
