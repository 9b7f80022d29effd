"""The detection tests as a tidy table; its columns are promises."""

from collections.abc import Sequence
from typing import Any

import pandas as pd

from waveworks.measures.detection_row import Detection
from waveworks.model import CONDITION_COLUMNS

DETECTION_COLUMNS = (
    "recording",
    *CONDITION_COLUMNS,
    "test",
    "statistic",
    "pvalue",
    "pvalue_holm",
    "alpha",
    "looks",
    "detected",
    "sweeps_to_detect",
    "seconds_to_detect",
    "note",
)


def detection_table(found: Sequence[Detection]) -> pd.DataFrame:
    """Return a row a recording and test.

    Parameters
    ----------
    found : sequence of Detection
        From `detect_recordings`.

    Returns
    -------
    pandas.DataFrame
        With `DETECTION_COLUMNS`; what is missing is None or NaN, and `note` says why.
    """
    return pd.DataFrame([_row(one) for one in found], columns=list(DETECTION_COLUMNS), dtype=object)


def _row(one: Detection) -> dict[str, Any]:
    return {
        "recording": one.recording.name,
        **one.recording.condition.cells(),
        "test": one.test,
        "statistic": one.statistic,
        "pvalue": one.pvalue,
        "pvalue_holm": one.pvalue_holm,
        "alpha": one.alpha,
        "looks": len(one.looks) or None,
        "detected": None if one.detected is None else ("yes" if one.detected else "no"),
        "sweeps_to_detect": one.sweeps,
        "seconds_to_detect": one.seconds,
        "note": "; ".join(text for text in (one.fault, one.note) if text),
    }
