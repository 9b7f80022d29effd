"""The grade of one level, as a record."""

from dataclasses import dataclass

from waveworks.grading.outcomes import Outcome
from waveworks.measures.levels import LevelMeasures

PROVISIONAL = "provisional: it rests on marks that no clinician has placed"
PROVISIONAL_ABSENT = "provisional: no tester has graded it RA"


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

    @property
    def provisional(self) -> bool:
        """Whether no clinician stands behind it."""
        return PROVISIONAL in self.reasons or PROVISIONAL_ABSENT in self.reasons
