"""Levels that belong in one picture."""

import math
from collections.abc import Sequence

from waveworks.errors import DataError
from waveworks.measures.levels import LevelMeasures
from waveworks.plots.traces import condition_title


def one_series(levels: Sequence[LevelMeasures], *, most: int) -> list[LevelMeasures]:
    """Return levels, the highest first, if they belong in one picture.

    Parameters
    ----------
    levels : sequence of LevelMeasures
        In any order.
    most : int
        How many a picture holds.

    Returns
    -------
    list of LevelMeasures

    Raises
    ------
    DataError
        If there are none or too many, or of several ears or stimuli.
    """
    if not 1 <= len(levels) <= most:
        raise DataError(f"{len(levels)} levels given; one picture holds 1 to {most}")
    series = {(c.ear, c.stimulus, c.frequency_hz): c for c in (level.condition for level in levels)}
    if len(series) > 1:
        met = " and ".join(condition_title(c, with_level=False) for c in series.values())
        raise DataError(f"one picture holds one ear and one stimulus; given are {met}")
    return sorted(levels, key=_sorted_by, reverse=True)


def _sorted_by(level: LevelMeasures) -> float:
    value = level.condition.level_db
    return -math.inf if math.isnan(value) else value
