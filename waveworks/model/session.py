"""One appointment."""

from dataclasses import dataclass
from pathlib import Path

from waveworks.model.condition import Condition
from waveworks.model.recording import Recording, SourceFile

MANIFEST = "recordings.csv"
"""The file that makes a folder a session."""


@dataclass(frozen=True)
class ReportedThreshold:
    """A threshold that the tester stated.

    Parameters
    ----------
    ear, transducer, stimulus : str
        As in `Condition`.
    frequency_hz : float or None
        Nominal frequency.
    relation : {'=', '<=', '>'}
        How the number is meant.
    level_db_nhl : float
        The threshold in dB nHL.
    """

    ear: str
    transducer: str
    stimulus: str
    frequency_hz: float | None
    relation: str
    level_db_nhl: float


@dataclass(frozen=True)
class SessionInfo:
    """What `session.toml` says; all of it is optional.

    Parameters
    ----------
    session : str
        Name of the session; the folder's name where none is given.
    corrected_age_weeks : float or None
        Age corrected for prematurity, in weeks.
    test_date : str
        As written.
    other_ear_threshold_db_nhl : float or None
        Of an ear that is not in the files.
    notes, tester_conclusion : str
        As written.
    settings, criteria : str
        File names relative to the folder; empty is the shipped default.
    reported_thresholds : tuple of ReportedThreshold
        Stated by the tester.
    """

    session: str
    corrected_age_weeks: float | None = None
    test_date: str = ""
    other_ear_threshold_db_nhl: float | None = None
    notes: str = ""
    tester_conclusion: str = ""
    settings: str = ""
    criteria: str = ""
    reported_thresholds: tuple[ReportedThreshold, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class Session:
    """The recordings of one appointment.

    Parameters
    ----------
    folder : Path
        Where it was read from; never written to an output.
    info : SessionInfo
        From `session.toml`.
    recordings : tuple of Recording
        In the order of the rows of `recordings.csv`; none is ever dropped.
    files : tuple of SourceFile
        `recordings.csv`, `session.toml` and every file that describes the data.
    unknown_columns : tuple of str
        Columns of `recordings.csv` that mean nothing here; they stand in the recordings' cells.
    """

    folder: Path
    info: SessionInfo
    recordings: tuple[Recording, ...]
    files: tuple[SourceFile, ...] = ()
    unknown_columns: tuple[str, ...] = ()

    @property
    def unusable(self) -> tuple[Recording, ...]:
        """The recordings whose data could not be used."""
        return tuple(r for r in self.recordings if r.waveforms is None)

    def replicates(self) -> dict[Condition, tuple[Recording, ...]]:
        """Return the replicates of every tested condition.

        Returns
        -------
        dict of Condition to tuple of Recording
            Usable or not, in row order; controls and stored combinations never count.
        """
        groups: dict[Condition, list[Recording]] = {}
        for recording in self.recordings:
            if recording.kind == "test":
                members = groups.setdefault(recording.condition, [])
                if recording.is_replicate:
                    members.append(recording)
        return {condition: tuple(members) for condition, members in groups.items()}
