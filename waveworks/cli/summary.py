"""What a command that measures a session prints."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from waveworks.cli.show import show_faults, show_tables

if TYPE_CHECKING:
    from collections.abc import Sequence

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
_THRESHOLD_COLUMNS = (
    "relation",
    "threshold_db_nhl",
    "threshold_db_ehl",
    "gold_standard",
    "missing",
)


def show_analysis(analysis: "Analysis", output: Path, *, as_json: bool, graded: bool = True) -> int:
    """Print the short tables, the cautions, and what could not be measured.

    Parameters
    ----------
    analysis : Analysis
        What was measured.
    output : Path
        Where it was written to.
    as_json : bool
        Print the tables as JSON, and nothing else on standard output.
    graded : bool
        Show grades.

    Returns
    -------
    int
        Exit code: 1 if something could not be measured.
    """
    from waveworks.measures.checks import notes_of
    from waveworks.pipeline.cautions import CAUTIONS

    show_tables(_tables(analysis, graded), as_json=as_json)
    if not as_json:
        click.echo("\n".join((f"Written to {output}.", "", *CAUTIONS)))
    show_faults(notes_of(analysis.session))
    show_faults(analysis.faults)
    return 1 if analysis.faults else 0


def _tables(analysis: "Analysis", graded: bool) -> dict[str, list[dict[str, Any]]]:
    from waveworks.measures.tables import rows_of

    columns = [*_LEVEL_COLUMNS, *(("grade",) if graded else ())]
    tables = {
        "recordings": rows_of(analysis.measures[list(_RECORDING_COLUMNS)]),
        "levels": [
            {"level": label, **row}
            for label, row in zip(
                _labels([one.condition for one in analysis.level_measures]),
                rows_of(analysis.levels[columns]),
                strict=True,
            )
        ],
    }
    if graded:
        tables["thresholds"] = [
            {"series": label, **row}
            for label, row in zip(
                _labels([one.series for one in analysis.found_thresholds]),
                rows_of(analysis.thresholds[list(_THRESHOLD_COLUMNS)]),
                strict=True,
            )
        ]
    return tables


def _labels(conditions: "Sequence[Condition]") -> list[str]:
    """Return a short name a condition: ear, level and whatever differs between the conditions."""
    words = [condition.words() for condition in conditions]
    said = [
        subject
        for subject in (words[0] if words else ())
        if subject in ("ear", "level") or len({one[subject] for one in words}) > 1
    ]
    return [", ".join(one[subject] for subject in said if one[subject]) for one in words]
