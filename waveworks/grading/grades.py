"""Clear response, response absent or inconclusive: from the clauses, and why."""

import math
from collections.abc import Sequence
from dataclasses import replace

from waveworks.criteria import CR, INC, ONE_TRACE_CR, RA, Criteria
from waveworks.grading.counted_levels import level_series, unit_of
from waveworks.grading.level_grade import PROVISIONAL, PROVISIONAL_ABSENT, LevelGrade
from waveworks.grading.outcomes import Outcome, against, outcomes_of
from waveworks.measures.final_traces import COMBINED
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.marks import MarkMeasure
from waveworks.measures.noise import perhaps_split_by_polarity

NEVER_BY_POLARITY = "never RA: A and B are, or may be, split by polarity"

_CLOSE = 0.1
"""A chance of the other side from which a met clause is told (own choice)."""

SPEAKS_FOR_A_RESPONSE = (
    "clinician_marks",
    "suggested_marks",
    "shape_pvalue",
    "f_pvalue",
    "r_pvalue",
)
"""Quantities of clauses for RA that no further recording is expected to meet once they are not."""


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
    lowest = {
        (found.series, found.unit): min(
            (one.level_db for one in found.levels if one.replicated), default=math.inf
        )
        for found in level_series(graded)
    }
    return tuple(
        _one_trace(one, lowest[one.level.condition.series, unit_of(one.level.condition)], criteria)
        for one in graded
    )


def _grade(level: LevelMeasures, outcomes: tuple[Outcome, ...], criteria: Criteria) -> LevelGrade:
    if not outcomes:
        return LevelGrade(level, INC if level.traces else "", reasons=_nothing(level))
    missing = {grade: against(outcomes, grade) for grade in (CR, RA) if criteria.for_grade(grade)}
    if not missing:
        return LevelGrade(level, INC, outcomes, ("the criteria say nothing of a grade",))
    if CR in missing and not missing[CR]:
        reasons = [_all_hold(outcomes, CR), *_close(outcomes, CR), *_unconfirmed(level)]
        return LevelGrade(level, CR, outcomes, tuple(reasons))
    if RA in missing and not missing[RA]:
        if _perhaps_by_polarity(level):
            return LevelGrade(level, INC, outcomes, (NEVER_BY_POLARITY,))
        reasons = [_all_hold(outcomes, RA), *_close(outcomes, RA)]
        if {one.reported.grade for one in level.recordings} != {RA}:
            reasons.append(PROVISIONAL_ABSENT)
        return LevelGrade(level, RA, outcomes, tuple(reasons))
    return LevelGrade(level, INC, outcomes, _shortest(missing))


def _shortest(missing: dict[str, tuple[Outcome, ...]]) -> tuple[str, ...]:
    """Say what the nearer grade needs; RA is none where something speaks for a response."""
    if CR in missing and any(
        one.met is False and one.clause.quantity in SPEAKS_FOR_A_RESPONSE
        for one in missing.get(RA, ())
    ):
        missing = {CR: missing[CR]}
    n_clauses = {grade: len({one.clause.id for one in found}) for grade, found in missing.items()}
    return tuple(
        _needs(grade, found)
        for grade, found in missing.items()
        if n_clauses[grade] == min(n_clauses.values())
    )


def _one_trace(one: LevelGrade, lowest_db: float, criteria: Criteria) -> LevelGrade:
    """Grant a clear response from one trace above a replicated one, or say what that needs."""
    single = one.grade == INC and len(one.level.traces) == 2  # one, and it as the combined one
    if not single or not criteria.for_grade(ONE_TRACE_CR):
        return one
    missing = against(one.outcomes, ONE_TRACE_CR)
    above = one.level.condition.level_db > lowest_db
    if above and not missing:
        at = f"{lowest_db:g} {unit_of(one.level.condition)}"
        reasons = [f"from one trace, above the replicated CR at {at}"]
        reasons += [*_close(one.outcomes, ONE_TRACE_CR), *_unconfirmed(one.level)]
        return replace(one, grade=CR, reasons=tuple(reasons), one_trace=True)
    needs = [] if above else ["a replicated CR at a lower level of the series"]
    needs += map(str, missing)
    return replace(one, reasons=(*one.reasons, f"CR from one trace needs: {'; '.join(needs)}"))


def _needs(grade: str, missing: Sequence[Outcome]) -> str:
    return f"{grade} needs: {'; '.join(map(str, missing))}"


def _all_hold(outcomes: Sequence[Outcome], grade: str) -> str:
    return f"all {sum(grade in one.clause.grades for one in outcomes)} clauses of {grade} hold"


def _unconfirmed(level: LevelMeasures) -> tuple[str, ...]:
    by_clinician = level.marks.get(COMBINED, MarkMeasure()).marks_from == "clinician"
    return () if by_clinician else (PROVISIONAL,)


def _perhaps_by_polarity(level: LevelMeasures) -> bool:
    return level.combined is not None and any(
        perhaps_split_by_polarity(member) for member in level.combined.members
    )


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
