"""`analyse(session) -> Analysis`: measures of every recording and every level, and its grade."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd

from waveworks.criteria import Criteria
from waveworks.grading import (
    LevelGrade,
    Threshold,
    clauses_table,
    find_thresholds,
    grade_levels,
    graded_levels_table,
    thresholds_table,
)
from waveworks.loaders.session import session_criteria, session_settings
from waveworks.measures.levels import LevelMeasures, measure_levels
from waveworks.measures.recordings import RecordingMeasures, measure_recordings
from waveworks.measures.tables import measures_table, traces_table
from waveworks.model import Session
from waveworks.pipeline.provenance import provenance
from waveworks.settings import Settings


@dataclass(frozen=True, eq=False, kw_only=True)
class Analysis:
    """What a session says.

    Parameters
    ----------
    session : Session
        That was analysed.
    settings : Settings
        That were used.
    criteria : Criteria
        What each grade needs, and limits that go with the numbers.
    recordings : tuple of RecordingMeasures
        One a recording.
    level_measures : tuple of LevelMeasures
        One a tested condition.
    """

    session: Session
    settings: Settings
    criteria: Criteria
    recordings: tuple[RecordingMeasures, ...]
    level_measures: tuple[LevelMeasures, ...]

    @property
    def measures(self) -> pd.DataFrame:
        """A row a recording."""
        return measures_table(self.recordings)

    @cached_property
    def graded(self) -> tuple[LevelGrade, ...]:
        """The grade of each tested condition."""
        return grade_levels(self.level_measures, self.criteria)

    @property
    def levels(self) -> pd.DataFrame:
        """A row a tested condition, with its grade."""
        return graded_levels_table(self.graded)

    @property
    def clauses(self) -> pd.DataFrame:
        """A row a clause and the trace that it was held against."""
        return clauses_table(self.graded)

    @property
    def traces(self) -> pd.DataFrame:
        """A row a final trace."""
        return traces_table(self.level_measures)

    @cached_property
    def found_thresholds(self) -> tuple[Threshold, ...]:
        """The threshold of each level series."""
        age_weeks = self.session.info.corrected_age_weeks
        return find_thresholds(self.graded, self.criteria, age_weeks)

    @property
    def thresholds(self) -> pd.DataFrame:
        """A row a level series."""
        return thresholds_table(self.found_thresholds)

    @property
    def provenance(self) -> dict[str, Any]:
        """Where every number comes from, ready to be written as JSON."""
        return provenance(
            self.session, self.settings, self.criteria, self.recordings, self.level_measures
        )

    @property
    def faults(self) -> tuple[str, ...]:
        """One plain line for each thing that was asked for and could not be measured."""
        of_recordings = (
            f"recording '{one.recording.name}': {fault}"
            for one in self.recordings
            for fault in one.faults
        )
        of_levels = (
            f"level '{one.condition}': {fault}"
            for one in self.level_measures
            for fault in one.faults
        )
        return (*of_recordings, *of_levels)


def analyse(
    session: Session, settings: Settings | None = None, criteria: Criteria | None = None
) -> Analysis:
    """Measure every recording and every level of a session, and grade the levels.

    Parameters
    ----------
    session : Session
        From `read_session`.
    settings : Settings, optional
        Those that the session names, or the shipped ones, by default.
    criteria : Criteria, optional
        Those that the session names, or the shipped example, by default.

    Returns
    -------
    Analysis
    """
    chosen = session_settings(session.folder) if settings is None else settings
    return Analysis(
        session=session,
        settings=chosen,
        criteria=session_criteria(session.folder) if criteria is None else criteria,
        recordings=measure_recordings(session, chosen),
        level_measures=measure_levels(session, chosen),
    )
