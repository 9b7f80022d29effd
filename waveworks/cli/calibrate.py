"""`waveworks calibrate`: how often tests find noise, and how soon a known response."""

import math
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from waveworks.cli.looks import (
    NameOf,
    alpha_option,
    bins_option,
    boundary_option,
    looks_option,
    tests_option,
)
from waveworks.cli.options import json_option, output_options, reading_options
from waveworks.cli.reading import read_with_options
from waveworks.cli.show import show_faults, show_tables

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from waveworks.calibration import NoiseSource

_WITHOUT_USE = ("--v-window", "--noise-window", "--fsp-point")
"""Reading options that change no test."""


def _amplitudes(
    _: click.Context, option: click.Parameter, values: tuple[float, ...]
) -> tuple[float, ...]:
    for value in values:
        if not math.isfinite(value):
            raise click.BadParameter(f"{value} is not a finite number", param=option)
    return tuple(dict.fromkeys(values))


def _noises() -> Iterable[str]:
    from waveworks.simulate.noise import NOISE_KINDS

    return NOISE_KINDS


@click.command()
@click.argument("session", metavar="[SESSION]", required=False, type=click.Path(path_type=Path))
@output_options
@click.option(
    "--noise",
    "kinds",
    metavar="KIND",
    type=NameOf("noise", _noises),
    multiple=True,
    help="Simulated noise: W, Q33, Q100, S33, D, B or M; may be given again. Default: Q33.",
)
@click.option(
    "--amplitude-nv",
    "amplitudes_nv",
    metavar="NV",
    type=click.FloatRange(min=0),
    multiple=True,
    default=(0.0, 100.0),
    show_default=True,
    callback=_amplitudes,
    help="Response that is added; 0 counts false positives; may be given again.",
)
@tests_option
@bins_option
@alpha_option
@looks_option
@boundary_option
@click.option(
    "--runs",
    "n_runs",
    type=click.IntRange(min=1),
    default=200,
    show_default=True,
    help="Recordings for each noise and amplitude.",
)
@click.option(
    "--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Decides everything."
)
@click.option(
    "--workers", type=click.IntRange(min=1), help="Processes. Default: as many as processors."
)
@click.option("--scheduler", metavar="ADDRESS", help="A Dask scheduler, in place of --workers.")
@reading_options
@json_option
@click.pass_context
def calibrate(
    ctx: click.Context,
    /,
    session: Path | None,
    output: Path,
    force: bool,
    kinds: tuple[str, ...],
    amplitudes_nv: tuple[float, ...],
    tests: tuple[str, ...],
    n_bins: int | None,
    alpha: float,
    looks: tuple[int, ...],
    boundary: str,
    n_runs: int,
    seed: int,
    workers: int | None,
    scheduler: str | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Count how often the tests find noise, and how soon they find a known response.

    On simulated noise, or with SESSION on the sweeps of each of its recordings, without their mean
    and half of them turned over, so that the response is gone. Without --looks there is one, after
    500 sweeps or all those of the shortest recording that can be used. Writes calibration.csv and
    provenance.json.
    """
    if session is not None and kinds:
        raise click.UsageError("give SESSION or --noise, not both")
    given = ["--" + name.replace("_", "-") for name in options if options[name] is not None]
    if session is None and given:
        raise click.UsageError(
            f"{given[0]} needs a SESSION: simulated noise has a window of its own"
        )
    if useless := [name for name in given if name in _WITHOUT_USE]:
        raise click.UsageError(
            f"{useless[0]} changes nothing here: the tests look at the response window only"
        )
    if workers is not None and scheduler is not None:
        raise click.UsageError("give --workers or --scheduler, not both")
    from waveworks.calibration import (
        Experiment,
        SimulatedNoise,
        calibration_table,
        not_made,
        off_nominal,
        run,
        session_sources,
    )
    from waveworks.calibration.own_sweeps import SHARED
    from waveworks.calibration.provenance import write_calibration
    from waveworks.dsp.detectors import DETECTORS, N_BINS
    from waveworks.measures.tables import rows_of
    from waveworks.pipeline.cautions import CAUTIONS
    from waveworks.writers.output import output_folder

    with output_folder(output, force=force, source=session) as draft:
        read, settings = None, None
        left_out: tuple[str, ...] = ()
        if session is None:
            sources: tuple[NoiseSource, ...] = tuple(
                map(SimulatedNoise, dict.fromkeys(kinds or ("Q33",)))
            )
        else:
            read, settings = read_with_options(session, options)
            chosen = session_sources(read, settings, looks)
            sources, looks, left_out = chosen.sources, chosen.looks, chosen.left_out
        experiment = Experiment(
            sources=sources,
            tests=tuple(dict.fromkeys(tests or DETECTORS)),
            amplitudes_nv=amplitudes_nv,
            alpha=alpha,
            looks=looks or (500,),
            kind=boundary,
            n_runs=n_runs,
            n_bins=n_bins or N_BINS,
            seed=seed,
        )
        with _executor(workers, scheduler) as executor, _bar(experiment.n_tasks) as on_done:
            cells = run(experiment, executor=executor, on_done=on_done)
        left_out = (*left_out, *not_made(cells))
        write_calibration(
            experiment, cells, draft, session=read, settings=settings, left_out=left_out
        )
    table = calibration_table(experiment, cells)
    show_tables({"calibration": rows_of(table)}, as_json=as_json)
    if not as_json:
        shared = () if session is None else (SHARED,)
        lines = (*off_nominal(experiment, cells), *shared, f"Written to {output}.", "", *CAUTIONS)
        click.echo("\n".join(lines))
    show_faults(left_out)
    ctx.exit(1 if left_out else 0)


@contextmanager
def _executor(workers: int | None, scheduler: str | None) -> "Iterator[Executor | None]":
    from waveworks.parallel import cluster, worker_pool

    with cluster(scheduler) if scheduler is not None else worker_pool(workers) as executor:
        yield executor


@contextmanager
def _bar(n_tasks: int) -> "Iterator[Any]":
    with click.progressbar(
        length=n_tasks, label="calibrating", file=sys.stderr, hidden=not sys.stderr.isatty()
    ) as bar:
        yield lambda n_done: bar.update(n_done - bar.pos)
