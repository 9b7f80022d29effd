"""The criteria as frozen records."""

import math
import operator
from dataclasses import dataclass

CR, ONE_TRACE_CR, RA, INC = "CR", "one-trace CR", "RA", "Inc"
"""Clear response, the same from a single trace, response absent, inconclusive."""

COMPARE = {"<=": operator.le, "<": operator.lt, ">=": operator.ge, ">": operator.gt}
"""What each operator means."""


@dataclass(frozen=True, kw_only=True)
class Clause:
    """One limit.

    Parameters
    ----------
    id : str
        Short name, unique in its set.
    quantity : str
        The output column that it limits.
    scope : {'each trace', 'combined'}
        Whether each final trace must meet it, or the combined trace.
    operator : {'<=', '<', '>=', '>'}
        What the quantity must be against the value.
    value : float
        The limit.
    unit : str
        Of the value; empty for a pure number.
    meaning : str
        One line.
    source : str
        What the value rests on; empty where it has none.
    status : str
        How well it is known: 'published in ...', 'common practice, no source', 'from memory' or
        'own choice'.
    grades : tuple of str
        Grades that need it: 'CR', 'one-trace CR', 'RA'; none where it is drawn and shown only.
    needed : bool
        Whether the grades also need that it can be evaluated.
    """

    id: str
    quantity: str
    scope: str
    operator: str
    value: float
    unit: str
    meaning: str
    source: str
    status: str
    grades: tuple[str, ...] = ()
    needed: bool = True

    def meets(self, value: float) -> bool | None:
        """Tell whether a value is on the right side of the limit.

        Parameters
        ----------
        value : float
            Of the quantity; NaN is not known.

        Returns
        -------
        bool or None
            None for NaN.
        """
        return None if math.isnan(value) else COMPARE[self.operator](value, self.value)

    def __str__(self) -> str:
        return f"{self.operator} {self.value:g} {self.unit}".rstrip()


@dataclass(frozen=True, kw_only=True)
class ThresholdRule:
    """How the levels about a threshold must lie.

    Parameters
    ----------
    step_db : float
        The gold standard asks for a clear response one step above the threshold, and for an
        absent one a step below it.
    source : str
        What the value rests on; empty where it has none.
    status : str
        How well it is known, as of a clause.
    """

    step_db: float = 10.0
    source: str = ""
    status: str = "common practice, no source"


@dataclass(frozen=True, kw_only=True)
class Discharge:
    """The level below which no absent response is needed, for one kind of recording.

    Parameters
    ----------
    stimulus : str
        As in `Condition`.
    frequency_hz : float or None
        None serves a stimulus without a frequency.
    transducer : str
        As in `Condition`.
    level_db_ehl : float
        The level.
    source : str
        What the value rests on; empty where it has none.
    status : str
        How well it is known, as of a clause.
    """

    stimulus: str
    frequency_hz: float | None
    transducer: str
    level_db_ehl: float
    source: str
    status: str


@dataclass(frozen=True, kw_only=True)
class EhlOffset:
    """What turns dB nHL into dB eHL, for one kind of recording and an age.

    Parameters
    ----------
    stimulus : str
        As in `Condition`.
    frequency_hz : float or None
        None serves a stimulus without a frequency.
    transducer : str
        As in `Condition`.
    age_weeks : tuple of float
        Corrected ages that the row serves, the first included and the last not.
    offset_db : float
        Signed; it is added to the level in dB nHL.
    prediction_sd_db : float or None
        Published standard deviation of the prediction; None where nobody gave one.
    source : str
        What the values rest on; empty where they have none.
    status : str
        How well they are known, as of a clause.
    """

    stimulus: str
    frequency_hz: float | None
    transducer: str
    age_weeks: tuple[float, float]
    offset_db: float
    prediction_sd_db: float | None = None
    source: str
    status: str

    def serves_age(self, corrected_age_weeks: float | None) -> bool:
        """Tell whether the row serves an age.

        Parameters
        ----------
        corrected_age_weeks : float or None
            Corrected age; None is unknown, and no row serves it.

        Returns
        -------
        bool
        """
        first, last = self.age_weeks
        return corrected_age_weeks is not None and first <= corrected_age_weeks < last


@dataclass(frozen=True)
class Criteria:
    """A set of limits.

    Parameters
    ----------
    name, version : str
        What the file calls itself.
    sha256 : str
        Of the file's bytes.
    clauses : tuple of Clause
        In the order of the file.
    threshold : ThresholdRule
        How the levels about a threshold must lie.
    discharge : tuple of Discharge
        Levels below which no absent response is needed.
    ehl_offsets : tuple of EhlOffset
        What turns dB nHL into dB eHL; no two serve one case.
    """

    name: str
    version: str
    sha256: str
    clauses: tuple[Clause, ...]
    threshold: ThresholdRule = ThresholdRule()
    discharge: tuple[Discharge, ...] = ()
    ehl_offsets: tuple[EhlOffset, ...] = ()

    def for_grade(self, grade: str) -> tuple[Clause, ...]:
        """Return what a grade needs.

        Parameters
        ----------
        grade : {'CR', 'one-trace CR', 'RA'}
            The grade.

        Returns
        -------
        tuple of Clause
            In the order of the file; empty where the set does not grant it.
        """
        return tuple(one for one in self.clauses if grade in one.grades)

    def of(self, quantity: str, scope: str) -> tuple[Clause, ...]:
        """Return the limits of one quantity.

        Parameters
        ----------
        quantity : str
            An output column.
        scope : {'each trace', 'combined'}
            Of which trace.

        Returns
        -------
        tuple of Clause
            In the order of the file; empty where the set does not limit it.
        """
        return tuple(one for one in self.clauses if (one.quantity, one.scope) == (quantity, scope))
