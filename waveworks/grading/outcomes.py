"""One clause held against one trace of a level: met, not met or not evaluable."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import special

from waveworks.criteria import Clause, Criteria
from waveworks.grading.quantities import Known, known_quantity
from waveworks.measures.final_traces import COMBINED
from waveworks.measures.levels import LevelMeasures

MET, NOT_MET, NOT_EVALUABLE = "met", "not met", "not evaluable"


@dataclass(frozen=True)
class Outcome:
    """What became of a clause.

    Parameters
    ----------
    clause : Clause
        That was evaluated.
    trace : {'1', '2', 'combined'}
        Of which trace the value is.
    value : float
        In the unit of the clause; NaN is not known.
    uncertainty : float
        Its standard error; NaN where nobody knows it.
    other_side : float
        Chance that the true value is on the other side of the limit; NaN likewise.
    why : str
        Why it could not be evaluated; empty where it could.
    """

    clause: Clause
    trace: str
    value: float
    uncertainty: float = math.nan
    other_side: float = math.nan
    why: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the point estimate is on the right side; None is not evaluable."""
        return self.clause.meets(self.value)

    @property
    def outcome(self) -> str:
        """The same in words."""
        return {True: MET, False: NOT_MET, None: NOT_EVALUABLE}[self.met]

    @property
    def stands_against(self) -> bool:
        """Whether it keeps its grades from being given."""
        return self.met is False or (self.met is None and self.clause.needed)

    def __str__(self) -> str:
        of = "" if self.clause.scope == COMBINED else f" of trace {self.trace}"
        limit = f"{self.clause.id}: {self.clause.quantity}{of}"
        if self.met is None:
            return f"{limit} not known ({self.why})" if self.why else f"{limit} not known"
        value = f"{self.value:.3g} {self.clause.unit}".rstrip()
        chance = "" if math.isnan(self.other_side) else f", chance of the other side {self._side()}"
        return f"{limit} is {value}, limit {self.clause}{chance}"

    def _side(self) -> str:
        return "below 0.01" if self.other_side < 0.01 else f"{self.other_side:.2f}"


def outcomes_of(level: LevelMeasures, criteria: Criteria) -> tuple[Outcome, ...]:
    """Hold every clause against a level.

    Parameters
    ----------
    level : LevelMeasures
        What was measured.
    criteria : Criteria
        The clauses.

    Returns
    -------
    tuple of Outcome
        In the order of the criteria; a clause on each trace once a final trace. None where the
        level has no trace.
    """
    if level.combined is None:
        return ()
    single = [trace for trace in level.traces if trace.label != COMBINED]
    return tuple(
        _outcome(clause, trace.label, known_quantity(level, clause.quantity, trace))
        for clause in criteria.clauses
        for trace in (single if clause.scope == "each trace" else [level.combined])
    )


def against(outcomes: Sequence[Outcome], grade: str) -> tuple[Outcome, ...]:
    """Return what keeps a level from a grade.

    Parameters
    ----------
    outcomes : sequence of Outcome
        Of the level.
    grade : {'CR', 'one-trace CR', 'RA'}
        The grade.

    Returns
    -------
    tuple of Outcome
        Empty if nothing does.
    """
    return tuple(one for one in outcomes if grade in one.clause.grades and one.stands_against)


def _outcome(clause: Clause, trace: str, known: Known) -> Outcome:
    if math.isnan(known.value):
        return Outcome(clause, trace, math.nan, why=known.why)
    return Outcome(clause, trace, known.value, known.se, _other_side(clause, known))


def _other_side(clause: Clause, known: Known) -> float:
    if not known.se > 0:
        return math.nan
    if known.df > 0:
        # df rn^2 over the true variance is chi-square; the limit stands for the true value.
        below = float(special.chdtrc(known.df, known.df * (known.value / clause.value) ** 2))
        return below if known.value > clause.value else 1 - below
    return float(special.ndtr(-abs(known.value - clause.value) / known.se))
