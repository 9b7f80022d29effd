"""`waveworks demo`: the whole job on the built-in invented session."""

from pathlib import Path

import click

from waveworks.cli.options import json_option, output_options, progress
from waveworks.cli.summary import show_analysis

SESSION = "session"


@click.command()
@output_options
@json_option
@click.pass_context
def demo(ctx: click.Context, /, output: Path, force: bool, as_json: bool) -> None:
    """Make an invented session whose truth is known, and report it.

    The session is written to the folder `session` inside the output, its truth beside it in
    truth.csv. The infant, the department and every number are invented.
    """
    from waveworks.loaders.session import read_session
    from waveworks.pipeline import analyse
    from waveworks.report import write_into
    from waveworks.simulate.scenario import demo_scenario
    from waveworks.simulate.session import simulate_session, write_simulated
    from waveworks.writers.output import output_folder

    with output_folder(output, force=force) as draft:
        made = draft / SESSION
        made.mkdir()
        write_simulated(simulate_session(demo_scenario()), made)
        analysis = analyse(read_session(made))
        write_into(draft, analysis, track=progress("drawing"))
    code = show_analysis(analysis, output, as_json=as_json)
    if not as_json:
        click.echo(f"\nInvented throughout. The truth: {output / SESSION / 'truth.csv'}")
    ctx.exit(code)
