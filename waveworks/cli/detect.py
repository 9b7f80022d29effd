"""`waveworks detect`: tests for a response whose rate of false positives holds."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from waveworks.cli.looks import (
    all_tests_option,
    alpha_option,
    bins_option,
    boundary_option,
    looks_option,
)
from waveworks.cli.options import (
    NO_DETECTION,
    detection_options,
    json_option,
    output_options,
    progress,
    session_argument,
)
from waveworks.cli.reading import read_with_options
from waveworks.cli.show import show_faults, show_tables

if TYPE_CHECKING:
    from collections.abc import Sequence

    from waveworks.measures.detect import DetectionPlan
    from waveworks.measures.detection_row import Detection
    from waveworks.model import Session

_COLUMNS = (
    "recording",
    "test",
    "statistic",
    "pvalue",
    "pvalue_holm",
    "looks",
    "detected",
    "sweeps_to_detect",
    "seconds_to_detect",
)


@click.command()
@session_argument
@output_options
@all_tests_option
@bins_option
@alpha_option
@looks_option
@boundary_option
@detection_options
@json_option
@click.pass_context
def detect(
    ctx: click.Context,
    /,
    session: Path,
    output: Path,
    force: bool,
    tests: tuple[str, ...],
    n_bins: int | None,
    alpha: float,
    looks: tuple[int, ...],
    boundary: str,
    as_json: bool,
    **options: Any,
) -> None:
    """Test every recording for a response.

    With several looks the level of each is lowered, so that noise is found at the overall rate
    alpha. --noise-window is for the shape test of A and B buffers. Writes detection.csv (a row a
    recording and test) and provenance.json.
    """
    from waveworks.dsp.detectors import N_BINS
    from waveworks.loaders.csv_format import read_csv_format
    from waveworks.measures.detect import DetectionPlan, detect_recordings
    from waveworks.pipeline.cautions import CAUTIONS
    from waveworks.pipeline.detecting import write_detection
    from waveworks.writers.output import output_folder

    plan = DetectionPlan(
        tests=tests, alpha=alpha, looks=looks, kind=boundary, n_bins=n_bins or N_BINS
    )
    with output_folder(output, force=force, source=session) as draft:
        read, settings = read_with_options(session, options | dict.fromkeys(NO_DETECTION))
        if options["noise_window"] is not None and not _learns_noise(read, plan):
            raise click.UsageError(
                "--noise-window has no effect here: only the shape test of A and B buffers has one"
            )
        described = options["csv_format"]
        found = detect_recordings(
            read,
            settings,
            plan,
            csv_format=None if described is None else read_csv_format(described),
            track=progress("testing"),
        )
        write_detection(read, settings, plan, found, draft)
    faults = [f"recording '{one.recording.name}': {one.fault}" for one in found if one.fault]
    show_tables({"detection": _rows(found)}, as_json=as_json)
    if not as_json:
        click.echo("\n".join((f"Written to {output}.", "", *CAUTIONS)))
    show_faults(faults)
    ctx.exit(1 if faults else 0)


def _learns_noise(session: "Session", plan: "DetectionPlan") -> bool:
    from waveworks.measures.buffer_tests import SHAPE
    from waveworks.model import Buffers

    buffers = any(isinstance(one.waveforms, Buffers) for one in session.recordings)
    return buffers and (not plan.tests or SHAPE in plan.tests)


def _rows(found: "Sequence[Detection]") -> list[dict[str, Any]]:
    from waveworks.measures.detection_table import detection_table
    from waveworks.measures.tables import rows_of

    return rows_of(detection_table(found)[list(_COLUMNS)])
