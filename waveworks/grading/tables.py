"""Grades and clauses as tidy tables; their columns are promises."""

from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from waveworks.grading.level_grade import LevelGrade
from waveworks.measures.tables import LEVELS_COLUMNS, levels_table
from waveworks.model import CONDITION_COLUMNS

CLAUSES_COLUMNS = (
    *CONDITION_COLUMNS,
    "trace",
    "clause",
    "value",
    "operator",
    "limit",
    "unit",
    "uncertainty",
    "outcome",
    "status",
    "source",
)


def graded_levels_table(graded: Sequence[LevelGrade]) -> pd.DataFrame:
    """Return levels.csv with grades and their reasons.

    Parameters
    ----------
    graded : sequence of LevelGrade
        All tested conditions of a session.

    Returns
    -------
    pandas.DataFrame
        A row a condition, with the columns `LEVELS_COLUMNS`.
    """
    table = levels_table([one.level for one in graded])
    table["grade"] = [one.grade for one in graded]
    table["reasons"] = ["; ".join(one.reasons) for one in graded]
    return table[list(LEVELS_COLUMNS)]


def clauses_table(graded: Sequence[LevelGrade]) -> pd.DataFrame:
    """Return a row a clause and the trace that it was held against.

    Parameters
    ----------
    graded : sequence of LevelGrade
        All tested conditions of a session.

    Returns
    -------
    pandas.DataFrame
        With the columns `CLAUSES_COLUMNS`; a value or uncertainty that nobody knows is missing.
    """
    rows = [row for one in graded for row in _rows(one)]
    return pd.DataFrame(rows, columns=list(CLAUSES_COLUMNS), dtype=object)


def _rows(graded: LevelGrade) -> Iterable[dict[str, Any]]:
    for one in graded.outcomes:
        clause = one.clause
        yield {
            **graded.level.condition.cells(),
            "trace": one.trace,
            "clause": clause.id,
            "value": one.value,
            "operator": clause.operator,
            "limit": clause.value,
            "unit": clause.unit,
            "uncertainty": one.uncertainty,
            "outcome": one.outcome,
            "status": clause.status,
            "source": clause.source,
        }
