"""The threshold of a level series from the grades of its levels, and what it lacks.

The rules are common practice without a source. Three readings of them are own choice: a level less
than a step away serves as well as one a whole step away; nothing excuses the clear response one
step above, not even that the threshold is the highest level tested; at one level the masked grade
counts, of several the one with the most masking, and grades of equal standing that differ settle
nothing.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from waveworks.criteria import CR, INC, RA, Criteria
from waveworks.criteria.model import Discharge, EhlOffset
from waveworks.grading.counted_levels import CountedLevel, LevelSeries, level_series
from waveworks.grading.level_grade import LevelGrade
from waveworks.model import Condition

EXACT, AT_MOST, ABOVE = "=", "<=", ">"
"""Of a threshold: it is the level, it may be lower, it is higher."""

# Levels are decimal numbers, and their sums and differences are not exact.
_SLACK_DB = 1e-6


@dataclass(frozen=True, kw_only=True)
class Threshold:
    """The threshold of one series.

    Parameters
    ----------
    series : Condition
        Without level and masking.
    unit : {'dB nHL', 'dB eHL', ''}
        Of the levels that it was recorded at; empty where they are not known.
    relation : {'=', '<=', '>', ''}
        How the number is meant; empty where there is none.
    threshold_db_nhl, threshold_db_ehl : float or None
        The number; None where there is none, or none in this unit.
    offset : EhlOffset or None
        What was added to the number in dB nHL.
    no_ehl : str
        Why a threshold has no number in dB eHL; empty where it has one.
    provisional : bool
        Whether a grade that it rests on is provisional.
    gold_standard : bool
        A replicated CR with a CR one step above and an RA one step below, or at the discharge
        level or lower, and no RA or Inc above it.
    missing : tuple of str
        What the gold standard lacks, contradictions among it.
    """

    series: Condition
    unit: str
    relation: str = ""
    threshold_db_nhl: float | None = None
    threshold_db_ehl: float | None = None
    offset: EhlOffset | None = None
    no_ehl: str = ""
    provisional: bool = False
    gold_standard: bool = False
    missing: tuple[str, ...] = ()


def find_thresholds(
    graded: Sequence[LevelGrade], criteria: Criteria, corrected_age_weeks: float | None
) -> tuple[Threshold, ...]:
    """Return the threshold of every series of a session.

    Parameters
    ----------
    graded : sequence of LevelGrade
        All tested conditions.
    criteria : Criteria
        With the step, the discharge levels and the offsets to dB eHL.
    corrected_age_weeks : float or None
        Age of the child; None is unknown, and then no offset serves.

    Returns
    -------
    tuple of Threshold
        One a series, in the order in which the session meets them. Levels in dB nHL and in
        dB eHL are two series.
    """
    return tuple(_threshold(one, criteria, corrected_age_weeks) for one in level_series(graded))


def _threshold(found: LevelSeries, criteria: Criteria, age_weeks: float | None) -> Threshold:
    if not found.levels:
        return Threshold(series=found.series, unit="", missing=("the levels are not known",))
    lowest = next((one for one in found.levels if one.replicated), None)
    highest = found.levels[-1]
    if lowest is None:
        missing = ["no replicated CR at any level"]
        if highest.grade == RA:
            return _numbered(found, highest.level_db, ABOVE, missing, criteria, age_weeks)
        at = _at(highest.level_db, found.unit)
        missing.append(f"the highest level tested, {at}, {highest.said}")
        return Threshold(series=found.series, unit=found.unit, missing=tuple(missing))
    db, step_db = lowest.level_db, criteria.threshold.step_db
    above = _lacking(found, db, step_db, lambda one: one.grade == CR)
    below = _lacking(found, db, -step_db, lambda one: one.grade == RA)
    missing = [f"CR one step above: {above}"] if above else []
    if below:
        spared, doubt = _spared(found, db, criteria, age_weeks)
        if not spared:
            missing.append(f"RA one step below: {below}{doubt}")
    missing += [
        f"{one.grade} at {_at(one.level_db, found.unit)} above the CR at {_at(db, found.unit)}"
        for one in found.levels
        if one.level_db > db and one.grade in (RA, INC)
    ]
    return _numbered(found, db, AT_MOST if below else EXACT, missing, criteria, age_weeks)


def _numbered(
    found: LevelSeries,
    db: float,
    relation: str,
    missing: Iterable[str],
    criteria: Criteria,
    age_weeks: float | None,
) -> Threshold:
    missing = tuple(missing)
    in_nhl = found.unit == "dB nHL"
    offset, no_ehl = _offset(found, criteria, age_weeks)
    return Threshold(
        series=found.series,
        unit=found.unit,
        relation=relation,
        threshold_db_nhl=db if in_nhl else None,
        threshold_db_ehl=_ehl(found, db, offset),
        offset=offset,
        no_ehl=no_ehl,
        provisional=any(
            grade.provisional
            for one in found.levels
            if abs(one.level_db - db) <= criteria.threshold.step_db + _SLACK_DB
            for grade in one.counted
        ),
        gold_standard=not missing,
        missing=missing,
    )


def _lacking(
    found: LevelSeries, db: float, step_db: float, wanted: Callable[[CountedLevel], bool]
) -> str:
    """Say what is there instead of the wanted level up to a step away; empty if that is there.

    A negative step goes down.
    """
    sign = 1 if step_db > 0 else -1
    near = sorted(
        (one for one in found.levels if 0 < sign * (one.level_db - db) <= abs(step_db) + _SLACK_DB),
        key=lambda one: abs(one.level_db - db),
    )
    if any(wanted(one) for one in near):
        return ""
    said = [f"{_at(one.level_db, found.unit)} {one.said}" for one in near]
    if not any(abs(one.level_db - db - step_db) <= _SLACK_DB for one in near):
        said.append(f"{_at(db + step_db, found.unit)} not tested")
    return ", ".join(said)


def _spared(
    found: LevelSeries, db: float, criteria: Criteria, age_weeks: float | None
) -> tuple[bool, str]:
    """Tell whether a threshold needs no RA below it, and what would have to be known for that."""
    discharge = next((row for row in criteria.discharge if _is_of(row, found.series)), None)
    if discharge is None:
        return False, ""
    offset, _ = _offset(found, criteria, age_weeks)
    ehl = _ehl(found, db, offset)
    if ehl is None:
        level = f"{discharge.level_db_ehl:g} dB eHL"
        return False, f" (not needed at the discharge level, {level}, but dB eHL is not known)"
    return ehl <= discharge.level_db_ehl + _SLACK_DB, ""


def _offset(
    found: LevelSeries, criteria: Criteria, age_weeks: float | None
) -> tuple[EhlOffset | None, str]:
    """Return the offset for exactly this case, or why there is none."""
    if found.unit != "dB nHL":
        return None, ""
    rows = [row for row in criteria.ehl_offsets if _is_of(row, found.series)]
    if not rows:
        words = found.series.words()
        case = (words["stimulus"], words["frequency"], words["transducer"])
        return None, f"no dB eHL: the criteria hold no offset for {', '.join(filter(None, case))}"
    for row in rows:
        if row.serves_age(age_weeks):
            return row, ""
    age = "the corrected age is not known"
    if age_weeks is not None:
        age = f"the corrected age is {age_weeks:g} weeks"
    spans = " and ".join(f"{row.age_weeks[0]:g} to below {row.age_weeks[1]:g}" for row in rows)
    return None, f"no dB eHL: {age}, and the criteria hold an offset for {spans} weeks"


def _ehl(found: LevelSeries, db: float, offset: EhlOffset | None) -> float | None:
    if found.unit == "dB eHL":
        return db
    return None if offset is None else db + offset.offset_db


def _is_of(row: Discharge | EhlOffset, series: Condition) -> bool:
    key = (series.stimulus, series.frequency_hz, series.transducer)
    return (row.stimulus, row.frequency_hz, row.transducer) == key


def _at(db: float, unit: str) -> str:
    return f"{db:g} {unit}"
