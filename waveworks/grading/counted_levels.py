"""What each level of a series counts for: masked before unmasked, one grade a level."""

from collections.abc import Sequence
from dataclasses import dataclass

from waveworks.criteria import CR, INC
from waveworks.grading.level_grade import LevelGrade
from waveworks.model import Condition


@dataclass(frozen=True, eq=False)
class CountedLevel:
    """What a level of a series counts for.

    Parameters
    ----------
    level_db : float
        In the unit of the series.
    grade : {'CR', 'RA', 'Inc', ''}
        Inc where grades of equal standing differ; empty where there is no trace.
    one_trace : bool
        A clear response from one trace only.
    counted : tuple of LevelGrade
        Of all conditions at this level those that count.
    """

    level_db: float
    grade: str
    one_trace: bool
    counted: tuple[LevelGrade, ...]

    @property
    def replicated(self) -> bool:
        """Whether it is a clear response that can be a threshold."""
        return self.grade == CR and not self.one_trace

    @property
    def said(self) -> str:
        """What it is, in words."""
        if not self.grade:
            return "has no trace to grade"
        return f"is {self.grade}{' from one trace' if self.one_trace else ''}"


@dataclass(frozen=True, eq=False)
class LevelSeries:
    """The levels of one condition, masked or not.

    Parameters
    ----------
    series : Condition
        Without level and masking.
    unit : {'dB nHL', 'dB eHL', ''}
        Of the levels; empty where they are not known.
    levels : tuple of CountedLevel
        From the lowest up; none where they are not known.
    """

    series: Condition
    unit: str
    levels: tuple[CountedLevel, ...]


def level_series(graded: Sequence[LevelGrade]) -> tuple[LevelSeries, ...]:
    """Sort the levels of a session into series.

    Parameters
    ----------
    graded : sequence of LevelGrade
        All tested conditions.

    Returns
    -------
    tuple of LevelSeries
        In the order in which the session meets them.
    """
    found: dict[tuple[Condition, str], dict[float, list[LevelGrade]]] = {}
    for one in graded:
        condition = one.level.condition
        at = found.setdefault((condition.series, unit_of(condition)), {})
        if unit_of(condition):
            at.setdefault(condition.level_db, []).append(one)
    return tuple(
        LevelSeries(series, unit, tuple(_count(db, at[db]) for db in sorted(at)))
        for (series, unit), at in found.items()
    )


def unit_of(condition: Condition) -> str:
    """Return the unit of a condition's level.

    Parameters
    ----------
    condition : Condition
        Of the level.

    Returns
    -------
    {'dB nHL', 'dB eHL', ''}
        Empty where there is no level.
    """
    if condition.level_db_nhl is not None:
        return "dB nHL"
    return "" if condition.level_db_ehl is None else "dB eHL"


def _count(level_db: float, at_level: Sequence[LevelGrade]) -> CountedLevel:
    """Choose what counts at one level."""
    # Masking was called for, so data that were lost do not let the unmasked level count again.
    masked = [one for one in at_level if isinstance(one.level.condition.masking_db, float | int)]
    if masked:
        counted = [max(masked, key=_masking_db)]
    else:
        counted = [one for one in at_level if one.grade] or list(at_level)
    grades = {one.grade for one in counted}
    grade = grades.pop() if len(grades) == 1 else INC
    one_trace = grade == CR and all(one.one_trace for one in counted)
    return CountedLevel(level_db, grade, one_trace, tuple(counted))


def _masking_db(one: LevelGrade) -> float:
    masking_db = one.level.condition.masking_db
    assert isinstance(masking_db, float | int)  # of masked levels only
    return masking_db
