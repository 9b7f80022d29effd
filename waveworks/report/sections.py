"""The sections of the page as plain records; the template only lays them out."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup
from pandas import DataFrame

from waveworks.criteria import Criteria
from waveworks.errors import DataError
from waveworks.measures.final_traces import COMBINED
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.marks import MarkMeasure
from waveworks.measures.noise import used_ms
from waveworks.measures.recordings import RecordingMeasures
from waveworks.measures.tables import levels_table, measures_table, traces_table
from waveworks.model import Condition
from waveworks.model.condition import UNMASKED
from waveworks.pipeline import Analysis
from waveworks.report.pictures import (
    Picture,
    level_pictures,
    recording_pictures,
    series_pictures,
    trace_pictures,
)
from waveworks.report.quantities import (
    LEVEL_QUANTITIES,
    MISSING,
    RECORDING_LINES,
    TRACE_QUANTITIES,
    Quantity,
    shown,
)
from waveworks.report.words import printable, window_words

Row = dict[str, object]

RECORDINGS_ABREAST = 4
"""Recordings side by side in one table."""

_STATED = (
    *("rate_hz", "reject_uv", "mains_hz", "impedance_kohm", "started", "system", "buffer_split"),
    *("parts", "group", "earphone_delay_ms", "reported_rn_nv", "reported_fsp", "reported_fmp"),
    *("reported_n_sweeps", "reported_grade", "v_ms", "sn10_ms", "comment"),
)
"""Columns of recordings.csv that the page repeats as they stand."""


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
    lines : tuple of Line
        Its numbers.
    traces : tuple of dict
        Its rows of traces.csv.
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
    lines: tuple[Line, ...]
    traces: tuple[Row, ...]
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
    pictures : tuple of Picture
        The replicates by level.
    levels : tuple of LevelSection
        The highest level first.
    """

    id: str
    title: str
    ear: str
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


def series_sections(analysis: Analysis) -> tuple[SeriesSection, ...]:
    """Return a section an ear and stimulus.

    Parameters
    ----------
    analysis : Analysis
        What was measured.

    Returns
    -------
    tuple of SeriesSection
        In the order in which the session meets them.
    """
    groups: dict[Condition, list[LevelMeasures]] = {}
    for level in analysis.level_measures:
        groups.setdefault(level.condition.series, []).append(level)
    sections = []
    for number, (series, levels) in enumerate(groups.items(), start=1):
        levels.sort(key=lambda level: _height(level.condition), reverse=True)
        sections.append(
            SeriesSection(
                id=f"series-{number}",
                title=str(series),
                ear=series.ear,
                pictures=tuple(series_pictures(levels)),
                levels=tuple(
                    _level_section(analysis, level, f"series-{number}-level-{place}")
                    for place, level in enumerate(levels, start=1)
                ),
            )
        )
    return tuple(sections)


def control_sections(analysis: Analysis) -> tuple[ControlSection, ...]:
    """Return a section a control.

    Parameters
    ----------
    analysis : Analysis
        What was measured.

    Returns
    -------
    tuple of ControlSection
        In the order of the session.
    """
    return tuple(
        ControlSection(
            title=one.recording.name,
            condition=str(one.recording.condition),
            recordings=_recording_tables([one], analysis.session.unknown_columns),
            pictures=tuple(trace_pictures(one)),
            notes=(*one.faults, *one.notes),
        )
        for one in analysis.recordings
        if one.recording.kind == "control"
    )


def _height(condition: Condition) -> float:
    level = condition.level_db_nhl if condition.level_db_ehl is None else condition.level_db_ehl
    return float("-inf") if level is None else level


def _level_section(analysis: Analysis, level: LevelMeasures, anchor: str) -> LevelSection:
    here = [
        one
        for one in analysis.recordings
        if one.recording.kind == "test" and one.recording.condition == level.condition
    ]
    row = _rows(levels_table([level]))[0]
    pictures = [*level_pictures(level, analysis.criteria)]
    for one in here:
        pictures += recording_pictures(one)
    return LevelSection(
        id=anchor,
        title=_title(level.condition),
        condition=str(level.condition),
        row=row,
        lines=tuple(_lines(level, row, analysis.criteria)),
        traces=tuple(
            {
                "trace": row["trace"],
                "cells": [(shown(row[q.column], q.form), q.form) for q in TRACE_QUANTITIES],
            }
            for row in _rows(traces_table([level]))
        ),
        recordings=_recording_tables(here, analysis.session.unknown_columns),
        pictures=tuple(pictures),
        notes=(*level.faults, *level.notes, *_recording_notes(here, level.notes)),
    )


def _recording_notes(measured: Sequence[RecordingMeasures], told: Collection[str]) -> Iterable[str]:
    """Return each note of some recordings once, with their names, unless it is told already."""
    names: dict[str, list[str]] = {}
    for one in measured:
        for note in (*one.faults, *one.notes):
            names.setdefault(note, []).append(one.recording.name)
    return (f"{', '.join(of)}: {note}" for note, of in names.items() if note not in told)


def _title(condition: Condition) -> str:
    words = condition.words()
    masking = "" if condition.masking_db == UNMASKED else words["masking"]
    return ", ".join(filter(None, (words["level"] or "no level", masking)))


def _lines(level: LevelMeasures, row: Row, criteria: Criteria) -> Iterable[Line]:
    windows = _windows(level)
    methods = _methods(level)
    for quantity in LEVEL_QUANTITIES:
        value = shown(row[quantity.column], quantity.form)
        if value == MISSING and not quantity.always:
            continue
        definition = quantity.definition
        yield Line(
            quantity=quantity,
            value=value,
            spread=_spread(level, quantity, row),
            limits="; ".join(f"{clause.id} {clause}" for clause in criteria.of(quantity.column)),
            window="" if definition is None else windows.get(definition.window, ""),
            method=methods.get(quantity.column, "" if definition is None else definition.name),
        )


def _spread(level: LevelMeasures, quantity: Quantity, row: Row) -> Markup:
    if quantity.column == "rn_nv" and level.combined is not None and level.combined.noise.known:
        noise = level.combined.noise
        return Markup("95 % {} to {}").format(shown(noise.low_nv, "nv"), shown(noise.high_nv, "nv"))
    for column, text in ((quantity.se, "standard error {}"), (quantity.pvalue, "p {}")):
        if column and row[column] == row[column] and row[column] is not None:
            form = quantity.form if column == quantity.se else "p"
            return Markup(text).format(shown(row[column], form))
    return Markup("")


def _windows(level: LevelMeasures) -> dict[str, str]:
    """Return the samples that were used, first and last, by the name of the window."""
    if level.windows is None or level.combined is None:
        return {}
    suggested = level.marks[COMBINED].marks_from == "suggested"
    asked = {
        "noise window": level.windows.noise_ms,
        "response window": level.windows.response_ms,
        # A clinician's mark is not looked for in a window.
        "V window": level.windows.v_ms if suggested else None,
    }
    axis = level.combined.axis
    found = {}
    for name, window_ms in asked.items():
        if window_ms is None:
            continue
        try:
            found[name] = window_words(*used_ms(axis, axis.window(*window_ms, name=name)))
        except DataError:
            found[name] = f"{window_words(*window_ms)}: not inside the data"
    return found


def _methods(level: LevelMeasures) -> dict[str, str]:
    """Return how the numbers came about where the definition leaves a choice."""
    methods = {}
    if level.combined is not None and level.combined.noise.known:
        methods["rn_nv"] = f"residual noise from {level.combined.noise.method}"
    if level.detection.method:
        methods["fmp"] = f"Fmp; p from {level.detection.method}"
    marks = level.marks.get(COMBINED, MarkMeasure())
    if marks.marks_from == "clinician":
        made = "placed by a clinician"
    else:
        made = f"suggested: {marks.method}" if marks.marks_from == "suggested" else "no mark"
    marked = ("sn10_ms", "confidence", "v_sn10_nv", "v_sn10_corrected_nv")
    return methods | {"v_ms": made} | dict.fromkeys(marked, "as wave V")


def _recording_tables(
    measured: Sequence[RecordingMeasures], unknown_columns: tuple[str, ...]
) -> tuple[RecordingTable, ...]:
    return tuple(
        _recording_table(measured[start : start + RECORDINGS_ABREAST], unknown_columns)
        for start in range(0, len(measured), RECORDINGS_ABREAST)
    )


def _recording_table(
    measured: Sequence[RecordingMeasures], unknown_columns: tuple[str, ...]
) -> RecordingTable:
    rows = _rows(measures_table(measured))
    lines: list[tuple[str, str, tuple[Markup | str, ...]]] = []
    for line in RECORDING_LINES:
        lines.append((line.name, line.unit, tuple(line.cell(row) for row in rows)))
    for column in (*_STATED, *unknown_columns):
        stated = tuple(printable(dict(one.recording.cells).get(column, "")) for one in measured)
        lines.append((f"stated: {column}", "", stated))
    names = tuple(one.recording.name for one in measured)
    return RecordingTable(names, tuple(line for line in lines if any(map(_says, line[2]))))


def _rows(table: DataFrame) -> list[Row]:
    columns = table.columns.tolist()
    return [
        dict(zip(columns, row, strict=True)) for row in table.itertuples(index=False, name=None)
    ]


def _says(cell: Markup | str) -> bool:
    return cell not in ("", MISSING)
