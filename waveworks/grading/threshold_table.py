"""Thresholds as a tidy table; its columns are promises."""

from collections.abc import Sequence
from typing import Any

import pandas as pd

from waveworks.grading.thresholds import Threshold
from waveworks.model import CONDITION_COLUMNS

_NOT_OF_A_SERIES = ("level_db_nhl", "level_db_ehl", "masking_db")

SERIES_COLUMNS = tuple(name for name in CONDITION_COLUMNS if name not in _NOT_OF_A_SERIES)
"""The columns that make the key of a series."""

THRESHOLDS_COLUMNS = (
    *SERIES_COLUMNS,
    "relation",
    "threshold_db_nhl",
    "threshold_db_ehl",
    "ehl_offset_db",
    "ehl_source",
    "gold_standard",
    "missing",
    "next_step",
    "minutes",
)

AS_RECORDED = "recorded in dB eHL"
"""Where a number in dB eHL comes from that nothing was added to."""


def thresholds_table(found: Sequence[Threshold]) -> pd.DataFrame:
    """Return a row a series.

    Parameters
    ----------
    found : sequence of Threshold
        Of a session.

    Returns
    -------
    pandas.DataFrame
        With the columns `THRESHOLDS_COLUMNS`. `missing` also says why there is no number in
        dB eHL.
    """
    rows = [_row(one) for one in found]
    return pd.DataFrame(rows, columns=list(THRESHOLDS_COLUMNS), dtype=object)


def words_of(found: Threshold) -> tuple[str, ...]:
    """Return what there is to say of a threshold beside its numbers.

    Parameters
    ----------
    found : Threshold
        Of a series.

    Returns
    -------
    tuple of str
        What the gold standard lacks, why there is no dB eHL, and whether it is provisional.
    """
    provisional = "provisional: it rests on grades that no clinician stands behind"
    said = (*found.missing, found.no_ehl, provisional if found.provisional else "")
    return tuple(part for part in said if part)


def _row(found: Threshold) -> dict[str, Any]:
    cells = found.series.cells()
    return {
        **{name: cells[name] for name in SERIES_COLUMNS},
        "relation": found.relation,
        "threshold_db_nhl": found.threshold_db_nhl,
        "threshold_db_ehl": found.threshold_db_ehl,
        "ehl_offset_db": None if found.offset is None else found.offset.offset_db,
        "ehl_source": _source(found),
        "gold_standard": found.gold_standard,
        "missing": "; ".join(words_of(found)),
        "next_step": "",
        "minutes": None,
    }


def _source(found: Threshold) -> str:
    """Say what an offset rests on, and how well it predicts where that was published."""
    offset = found.offset
    if offset is None:
        return AS_RECORDED if found.threshold_db_ehl is not None else ""
    said = f"{offset.status}{': ' + offset.source if offset.source else ''}"
    if offset.prediction_sd_db is None:
        return said
    return f"{said}; SD of the prediction {offset.prediction_sd_db:g} dB"
