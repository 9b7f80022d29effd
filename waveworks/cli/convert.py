"""`waveworks convert`: a session's data from CSV to EDF and back."""

from pathlib import Path

import click

from waveworks.cli.options import json_option, output_options, progress, session_argument
from waveworks.cli.show import show_faults, show_tables

FORMATS = ("csv", "edf")


@click.command()
@session_argument
@click.option("--to", type=click.Choice(FORMATS), required=True, help="Format of the new files.")
@output_options
@click.option(
    "--csv-format",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Description of CSV files of another make (TOML).",
)
@json_option
@click.pass_context
def convert(
    ctx: click.Context,
    session: Path,
    to: str,
    output: Path,
    force: bool,
    csv_format: Path | None,
    as_json: bool,
) -> None:
    """Write the session as a new session folder, with CSV or EDF data.

    Continuous data are cut into sweeps; nothing is filtered or rejected. EDF files carry no
    identity and no date.
    """
    from dataclasses import replace

    from waveworks.loaders.session import read_session
    from waveworks.pipeline.conversion import coarse
    from waveworks.pipeline.provenance import conversion_provenance
    from waveworks.settings import default_settings
    from waveworks.writers.output import PROVENANCE, output_folder
    from waveworks.writers.session_folder import write_session
    from waveworks.writers.tables import write_json

    untouched = replace(default_settings(), bandpass_hz=None, reject_uv=None)
    with output_folder(output, force=force, source=session) as draft:
        found = read_session(
            session, csv_format=csv_format, settings=untouched, track=progress("reading")
        )
        written = write_session(found, draft, to=to)
        write_json(draft / PROVENANCE, conversion_provenance(found, written, draft))
    rows = [
        {
            "recording": one.recording.name,
            "layout": one.recording.layout,
            "file": one.file or "none",
            "step_nv": max(one.steps_nv, default=None),
        }
        for one in written
    ]
    show_tables({"files": rows}, as_json=as_json)
    show_faults([warning for one in written if (warning := coarse(one))])
    faults = [f"recording '{one.recording.name}': {one.problem}" for one in written if one.problem]
    show_faults(faults)
    ctx.exit(1 if faults else 0)
