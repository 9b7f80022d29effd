"""What the template lays out, as plain records."""

from dataclasses import dataclass

from markupsafe import Markup

from waveworks.grading import LevelGrade
from waveworks.report.pictures import Picture
from waveworks.report.quantities import Quantity

Row = dict[str, object]


@dataclass(frozen=True)
class Line:
    """One number of a level.

    Parameters
    ----------
    quantity : Quantity
        What it is.
    value : Markup
        The number.
    spread : Markup
        Its uncertainty.
    limits : str
        What the criteria say about it.
    window : str
        Where it was measured.
    method : str
        How.
    """

    quantity: Quantity
    value: Markup
    spread: Markup
    limits: str
    window: str
    method: str


@dataclass(frozen=True)
class RecordingTable:
    """The numbers of a few recordings side by side.

    Parameters
    ----------
    names : tuple of str
        Of the recordings.
    rows : tuple of (str, str, tuple of Markup or str)
        Name, unit and the cells.
    """

    names: tuple[str, ...]
    rows: tuple[tuple[str, str, tuple[Markup | str, ...]], ...]


@dataclass(frozen=True)
class TraceRow:
    """One final trace.

    Parameters
    ----------
    label : str
        Which it is.
    cells : tuple of (Markup, Quantity)
        What is said of it.
    """

    label: str
    cells: tuple[tuple[Markup, Quantity], ...]


@dataclass(frozen=True)
class LevelSection:
    """One level of a series.

    Parameters
    ----------
    id, title : str
        Of the section.
    condition : str
        In words.
    row : dict
        Its row of levels.csv.
    graded : LevelGrade
        Its grade, with reasons and clauses.
    lines : tuple of Line
        Its numbers.
    traces : tuple of TraceRow
        Its final traces.
    recordings : tuple of RecordingTable
        The numbers of its recordings.
    pictures : tuple of Picture
        Of every step.
    notes : tuple of str
        What to know.
    """

    id: str
    title: str
    condition: str
    row: Row
    graded: LevelGrade
    lines: tuple[Line, ...]
    traces: tuple[TraceRow, ...]
    recordings: tuple[RecordingTable, ...]
    pictures: tuple[Picture, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class SeriesSection:
    """One ear and stimulus.

    Parameters
    ----------
    id, title : str
        Of the section.
    ear : str
        For its colour.
    thresholds : tuple of str
        What the grades say about the threshold, in words.
    pictures : tuple of Picture
        The replicates by level.
    levels : tuple of LevelSection
        The highest level first.
    """

    id: str
    title: str
    ear: str
    thresholds: tuple[str, ...]
    pictures: tuple[Picture, ...]
    levels: tuple[LevelSection, ...]


@dataclass(frozen=True)
class ControlSection:
    """One control recording.

    Parameters
    ----------
    title, condition : str
        Its name, and what it was recorded at.
    recordings : tuple of RecordingTable
        Its numbers.
    pictures : tuple of Picture
        Of its trace.
    notes : tuple of str
        What to know.
    """

    title: str
    condition: str
    recordings: tuple[RecordingTable, ...]
    pictures: tuple[Picture, ...]
    notes: tuple[str, ...]
