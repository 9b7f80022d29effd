"""Clear response, response absent or inconclusive: from the clauses, and why."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from waveworks.criteria import CR, INC, ONE_TRACE_CR, RA, Criteria
from waveworks.grading.outcomes import Outcome, against, outcomes_of
from waveworks.measures.final_traces import COMBINED
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.marks import MarkMeasure

PROVISIONAL = "provisional: it rests on marks that no clinician has placed"
PROVISIONAL_ABSENT = "provisional: no clinician has said that there is no response"

_CLOSE = 0.1
"""A chance of the other side from which a met clause is told (own choice)."""


@dataclass(frozen=True, eq=False)
class LevelGrade:
    """The grade of one level.

    Parameters
    ----------
    level : LevelMeasures
        What was measured.
    grade : {'CR', 'RA', 'Inc', ''}
        Empty where the level has no trace.
    outcomes : tuple of Outcome
        Every clause.
    reasons : tuple of str
        Why it is this grade, and what it would take to be another.
    one_trace : bool
        A clear response by the rule for one trace.
    """

    level: LevelMeasures
    grade: str
    outcomes: tuple[Outcome, ...] = ()
    reasons: tuple[str, ...] = ()
    one_trace: bool = False


def grade_levels(levels: Sequence[LevelMeasures], criteria: Criteria) -> tuple[LevelGrade, ...]:
    """Grade the levels of a session.

    Parameters
    ----------
    levels : sequence of LevelMeasures
        All tested conditions of the session.
    criteria : Criteria
        What each grade needs. One that the criteria say nothing about is never given.

    Returns
    -------
    tuple of LevelGrade
        In the order given. A clear response from one trace is allowed only above a replicated one
        of the same series.
    """
    graded = [_grade(level, outcomes_of(level, criteria), criteria) for level in levels]
    # At one level the masked grade counts.
    masked = {
        (_series(one.level), one.level.condition.level_db)
        for one in graded
        if _is_masked(one.level)
    }
    lowest: dict[object, float] = {}
    for one in graded:
        key, db = _series(one.level), one.level.condition.level_db
        if one.grade == CR and (_is_masked(one.level) or (key, db) not in masked):
            lowest[key] = min(db, lowest.get(key, db))
    return tuple(_one_trace(one, lowest.get(_series(one.level)), criteria) for one in graded)


def _grade(level: LevelMeasures, outcomes: tuple[Outcome, ...], criteria: Criteria) -> LevelGrade:
    if not outcomes:
        return LevelGrade(level, INC if level.traces else "", reasons=_nothing(level))
    marks = level.marks.get(COMBINED, MarkMeasure())
    missing = {grade: against(outcomes, grade) for grade in (CR, RA) if criteria.for_grade(grade)}
    for grade in (CR, RA):
        if grade in missing and not missing[grade]:
            clauses = sum(grade in one.clause.grades for one in outcomes)
            reasons = [f"all {clauses} clauses of {grade} hold", *_close(outcomes, grade)]
            if grade == RA:
                reasons.append(PROVISIONAL_ABSENT)
            elif marks.marks_from != "clinician":
                reasons.append(PROVISIONAL)
            return LevelGrade(level, grade, outcomes, tuple(reasons))
    if not missing:
        return LevelGrade(level, INC, outcomes, ("the criteria say nothing of a grade",))
    clauses = {grade: {one.clause.id for one in found} for grade, found in missing.items()}
    fewest = min(map(len, clauses.values()))
    reasons = [
        f"{grade} needs: {'; '.join(map(str, found))}"
        for grade, found in missing.items()
        if len(clauses[grade]) == fewest
    ]
    return LevelGrade(level, INC, outcomes, tuple(reasons))


def _one_trace(one: LevelGrade, lowest_db: float | None, criteria: Criteria) -> LevelGrade:
    """Grant a clear response from one trace above a replicated one."""
    single = one.grade == INC and len(one.level.traces) == 2  # one, and it as the combined one
    if not single or not criteria.for_grade(ONE_TRACE_CR):
        return one
    missing = against(one.outcomes, ONE_TRACE_CR)
    if missing:
        return one
    if lowest_db is None or not one.level.condition.level_db > lowest_db:
        reason = "CR from one trace needs a replicated CR at a lower level of the series"
        return replace(one, reasons=(*one.reasons, reason))
    unit = "nHL" if one.level.condition.level_db_nhl is not None else "eHL"
    reasons = [f"from one trace, above the replicated CR at {lowest_db:g} dB {unit}"]
    reasons += _close(one.outcomes, ONE_TRACE_CR)
    if one.level.marks[COMBINED].marks_from != "clinician":
        reasons.append(PROVISIONAL)
    return replace(one, grade=CR, reasons=tuple(reasons), one_trace=True)


def _series(level: LevelMeasures) -> tuple[object, bool]:
    condition = level.condition
    return condition.series, condition.level_db_nhl is None


def _is_masked(level: LevelMeasures) -> bool:
    return isinstance(level.condition.masking_db, float | int)


def _close(outcomes: Sequence[Outcome], grade: str) -> list[str]:
    """Name the clauses that are met but may well not be."""
    return [
        f"close: {one}"
        for one in outcomes
        if grade in one.clause.grades and one.met and one.other_side >= _CLOSE
    ]


def _nothing(level: LevelMeasures) -> tuple[str, ...]:
    if level.traces:
        return ("the criteria hold no clause",)
    return ("no trace to grade",)
