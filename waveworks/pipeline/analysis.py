"""`analyse(session) -> Analysis`: measures of every recording and every level."""

from dataclasses import dataclass
from typing import Any

import pandas as pd

from waveworks.criteria import Criteria
from waveworks.loaders.session import session_criteria, session_settings
from waveworks.measures.levels import LevelMeasures, measure_levels
from waveworks.measures.recordings import RecordingMeasures, measure_recordings
from waveworks.measures.tables import levels_table, measures_table, traces_table
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
        The limits that go with the numbers.
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

    @property
    def levels(self) -> pd.DataFrame:
        """A row a tested condition."""
        return levels_table(self.level_measures)

    @property
    def traces(self) -> pd.DataFrame:
        """A row a final trace."""
        return traces_table(self.level_measures)

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
    """Measure every recording and every level of a session.

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
