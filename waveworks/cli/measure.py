"""`waveworks measure`: noise, F statistics, replicate agreement, marks."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from waveworks.cli.options import json_option, output_options, reading_options, session_argument
from waveworks.cli.reading import read_with_options
from waveworks.cli.show import show_faults, show_tables

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pandas import DataFrame

    from waveworks.model import Condition
    from waveworks.pipeline import Analysis

_RECORDING_COLUMNS = (
    "recording",
    "layout",
    "n_sweeps",
    "rn_nv",
    "rn_low_nv",
    "rn_high_nv",
    "rn_method",
    "fmp",
    "f_pvalue",
    "ab_ratio",
)
_LEVEL_COLUMNS = (
    "n_traces",
    "n_sweeps",
    "rn_nv",
    "gap_nv",
    "r",
    "r_pvalue",
    "v_ms",
    "sn10_ms",
    "v_sn10_nv",
    "marks_from",
)


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
    from waveworks.measures.checks import notes_of
    from waveworks.pipeline import analyse
    from waveworks.pipeline.cautions import CAUTIONS
    from waveworks.writers.output import output_folder

    with output_folder(output, force=force, source=session) as draft:
        found, settings = read_with_options(session, options)
        analysis = analyse(found, settings)
        _write(analysis, draft)
    show_tables(_tables(analysis), as_json=as_json)
    if not as_json:
        click.echo("\n".join((f"Written to {output}.", "", *CAUTIONS)))
    show_faults(notes_of(found))
    show_faults(analysis.faults)
    ctx.exit(1 if analysis.faults else 0)


def _write(analysis: "Analysis", draft: Path) -> None:
    from waveworks.writers.tables import table_text, write_json

    tables = {
        "measures.csv": analysis.measures,
        "levels.csv": analysis.levels,
        "traces.csv": analysis.traces,
    }
    for name, table in tables.items():
        rows = table.itertuples(index=False, name=None)
        (draft / name).write_text(
            table_text(table.columns.tolist(), rows), encoding="utf-8", newline=""
        )
    write_json(draft / "provenance.json", analysis.provenance)


def _tables(analysis: "Analysis") -> dict[str, list[dict[str, Any]]]:
    return {
        "recordings": _rows(analysis.measures[list(_RECORDING_COLUMNS)]),
        "levels": [
            {"level": label, **row}
            for label, row in zip(
                _labels([one.condition for one in analysis.level_measures]),
                _rows(analysis.levels[list(_LEVEL_COLUMNS)]),
                strict=True,
            )
        ],
    }


def _labels(conditions: "Sequence[Condition]") -> list[str]:
    """Return a short name a condition: ear, level and whatever differs between the conditions."""
    words = [condition.words() for condition in conditions]
    said = [
        subject
        for subject in (words[0] if words else ())
        if subject in ("ear", "level") or len({one[subject] for one in words}) > 1
    ]
    return [", ".join(one[subject] for subject in said if one[subject]) for one in words]


def _rows(table: "DataFrame") -> list[dict[str, Any]]:
    return [
        dict(zip(table.columns.tolist(), row, strict=True))
        for row in table.itertuples(index=False, name=None)
    ]
