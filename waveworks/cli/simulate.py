"""`waveworks simulate`: an invented session with its truth."""

import math
from pathlib import Path

import click

from waveworks.cli.options import json_option, output_options
from waveworks.cli.show import show_tables


@click.command()
@click.argument("scenario", metavar="SCENARIO", type=click.Path(path_type=Path))
@output_options
@click.option(
    "--seed", metavar="N", type=click.IntRange(min=0), help="Seed in place of the scenario's own."
)
@json_option
def simulate(scenario: Path, output: Path, force: bool, seed: int | None, as_json: bool) -> None:
    """Simulate the session of a scenario file (TOML), whose truth is known.

    Writes a session folder: recordings.csv, session.toml and the data files; and truth.csv, what is
    true of each recording.
    """
    from dataclasses import replace

    from waveworks.simulate.scenario import read_scenario
    from waveworks.simulate.session import simulate_session, write_simulated
    from waveworks.writers.output import output_folder

    with output_folder(output, force=force) as draft:
        asked = read_scenario(scenario)
        if seed is not None:
            asked = replace(asked, seed=seed)
        simulated = simulate_session(asked)
        write_simulated(simulated, draft)
    rows = [
        {
            "recording": plan.name,
            "layout": plan.layout,
            "ear": plan.condition.ear,
            "level_db_nhl": plan.condition.level_db_nhl,
            "true_threshold_db_nhl": (
                "none" if math.isinf(plan.threshold_db_nhl) else plan.threshold_db_nhl
            ),
            "true_v_ms": truth.v_ms,
            "true_v_sn10_nv": truth.v_sn10_nv,
            "true_rn_nv": truth.rn_nv,
        }
        for plan, truth in zip(asked.recordings, simulated.truths, strict=True)
    ]
    show_tables({"recordings": rows}, as_json=as_json)
    if not as_json:
        click.echo(f"Simulated with seed {asked.seed}. Written to {output}.")
