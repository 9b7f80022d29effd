"""The tables of numbers of the page, each number with its uncertainty, method and window."""

from collections.abc import Iterator, Sequence

from markupsafe import Markup

from waveworks.criteria import Criteria
from waveworks.errors import DataError
from waveworks.measures.final_traces import COMBINED
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.marks import MarkMeasure
from waveworks.measures.noise import used_ms
from waveworks.measures.recordings import RecordingMeasures
from waveworks.measures.tables import measures_table, rows_of, traces_table
from waveworks.report.quantities import (
    LEVEL_QUANTITIES,
    MISSING,
    RECORDING_LINES,
    TRACE_QUANTITIES,
    Quantity,
    shown,
)
from waveworks.report.records import Line, RecordingTable, Row, TraceRow
from waveworks.report.words import LONGEST_NAME, printable, window_words

RECORDINGS_ABREAST = 4
"""Recordings side by side in one table."""

_STATED = (
    *("rate_hz", "reject_uv", "mains_hz", "impedance_kohm", "started", "system", "buffer_split"),
    *("parts", "group", "earphone_delay_ms", "reported_rn_nv", "reported_fsp", "reported_fmp"),
    *("reported_n_sweeps", "reported_grade", "v_ms", "sn10_ms", "comment"),
)
"""Columns of recordings.csv that the page repeats as they stand."""


def level_lines(level: LevelMeasures, row: Row, criteria: Criteria) -> Iterator[Line]:
    """Return the numbers of a level.

    Parameters
    ----------
    level : LevelMeasures
        What was measured.
    row : dict
        Its row of levels.csv.
    criteria : Criteria
        Whose limits are named.

    Yields
    ------
    Line
    """
    windows = _windows(level)
    methods = _methods(level)
    for quantity in LEVEL_QUANTITIES:
        value = shown(row[quantity.column], quantity.form)
        if value == MISSING and not quantity.always:
            continue
        definition = None if value == MISSING else quantity.definition
        limits = criteria.of(quantity.column, "combined")
        window = "" if definition is None else windows.get(definition.window, "")
        yield Line(
            quantity=quantity,
            value=value,
            spread=_spread(level, quantity, row),
            limits="; ".join(f"{printable(one.id, LONGEST_NAME)} {one}" for one in limits),
            window=windows.get(quantity.column, window),
            method=methods.get(quantity.column, "" if definition is None else definition.name),
        )


def trace_rows(level: LevelMeasures) -> tuple[TraceRow, ...]:
    """Return the final traces of a level.

    Parameters
    ----------
    level : LevelMeasures
        What was measured.

    Returns
    -------
    tuple of TraceRow
    """
    return tuple(
        TraceRow(row["trace"], tuple((shown(row[q.column], q.form), q) for q in TRACE_QUANTITIES))
        for row in rows_of(traces_table([level]))
    )


def recording_tables(
    measured: Sequence[RecordingMeasures], unknown_columns: tuple[str, ...]
) -> tuple[RecordingTable, ...]:
    """Return the numbers of recordings, a few side by side.

    Parameters
    ----------
    measured : sequence of RecordingMeasures
        In the order of the session.
    unknown_columns : tuple of str
        Columns of recordings.csv that mean nothing here and are shown all the same.

    Returns
    -------
    tuple of RecordingTable
        A line that says nothing of any of them is left out.
    """
    return tuple(
        _recording_table(measured[start : start + RECORDINGS_ABREAST], unknown_columns)
        for start in range(0, len(measured), RECORDINGS_ABREAST)
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
    """Return the samples that were used, first and last, by window, or by column if special."""
    if level.windows is None or level.combined is None:
        return {}
    marks = level.marks[COMBINED]
    suggested = marks.marks_from == "suggested"
    asked = {
        "noise window": level.windows.noise_ms,
        "response window": level.windows.response_ms,
        # A clinician's mark is not looked for in a window.
        "V window": marks.searched_ms if suggested else None,
    }
    axis = level.combined.axis
    found = dict.fromkeys(("confidence", "v_sn10_nv", "v_sn10_corrected_nv"), "")
    found["sn10_ms"] = ""
    if suggested and marks.sn10_after_ms is not None:
        found["sn10_ms"] = f"{window_words(*marks.sn10_after_ms)} after V"
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
    if marks.marks_from == "none":
        return methods
    suggested = marks.marks_from == "suggested"
    made = f"suggested: {marks.method}" if suggested else "placed by a clinician"
    marked = ("sn10_ms", "confidence", "v_sn10_nv", "v_sn10_corrected_nv")
    return methods | {"v_ms": made} | dict.fromkeys(marked, "as wave V")


def _recording_table(
    measured: Sequence[RecordingMeasures], unknown_columns: tuple[str, ...]
) -> RecordingTable:
    rows = rows_of(measures_table(measured))
    lines: list[tuple[str, str, tuple[Markup | str, ...]]] = []
    for line in RECORDING_LINES:
        lines.append((line.name, line.unit, tuple(line.cell(row) for row in rows)))
    for column in (*_STATED, *unknown_columns):
        stated = tuple(printable(dict(one.recording.cells).get(column, "")) for one in measured)
        lines.append((f"stated: {column}", "", stated))
    names = tuple(one.recording.name for one in measured)
    return RecordingTable(names, tuple(line for line in lines if any(map(_says, line[2]))))


def _says(cell: Markup | str) -> bool:
    return cell not in ("", MISSING)
