"""Our own CSV form, both ways round: samples in rows, or sweeps (or blocks) in rows."""

import numpy as np

from waveworks.errors import LoadError
from waveworks.loaders.raw import Signals
from waveworks.loaders.text_file import open_table
from waveworks.loaders.text_table import TextTable
from waveworks.loaders.time_stamps import axis_from_stamps
from waveworks.units import nv_per_unit

_TIME = "time_ms"
_ACCEPTED = "accepted"
_ROW_HEADERS = ("sweep", "block")


def read_csv(data: bytes, *, name: str, unit: str) -> Signals:
    """Read a CSV file of our own form: UTF-8, comma, point, header row.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        What to call it in an error.
    unit : str
        Of the amplitudes: ``nV``, ``uV``, ``mV`` or ``V``.

    Returns
    -------
    Signals
        All columns (samples in rows, first header ``time_ms``) or all rows (sweeps in rows, first
        header ``sweep`` or ``block``), with the flags of `accepted` where the file has them.

    Raises
    ------
    LoadError
        Naming file, row, column and value of the first thing that is wrong.
    """
    factor = nv_per_unit(unit, where=name)
    table = open_table(data, name=name)
    first = table.names[0] if table.names else ""
    if first == _TIME:
        return _samples_in_rows(table, factor)
    if first in _ROW_HEADERS:
        return _sweeps_in_rows(table, factor)
    if len(table.names) == 1 and ";" in first:
        raise LoadError(
            f"{name}: row 1: cells are separated by ';', not by ','; describe the file in a "
            "csv_format to read it"
        )
    # What stands there instead is not repeated: exports begin with a person's name at times.
    raise LoadError(
        f"{name}: row 1, column 1: the header must be '{_TIME}' (samples in "
        f"rows), or '{_ROW_HEADERS[0]}' or '{_ROW_HEADERS[1]}' (sweeps in rows); describe another "
        "form in a csv_format"
    )


def _samples_in_rows(table: TextTable, factor: float) -> Signals:
    labels = table.names[1:]
    if not labels:
        raise LoadError(f"{table.name}: row 1: no signal column beside '{_TIME}'")
    _check_names(table)
    if _ACCEPTED in labels:
        raise LoadError(
            f"{table.at(1, table.names.index(_ACCEPTED))}: with samples in rows the flags are a "
            f"row '{_ACCEPTED}', not a column"
        )
    cells = table.cells(flag_word=_ACCEPTED)
    accepted = None
    if cells.flags is not None:
        columns = range(1, len(table.names))
        accepted = np.array(
            [_flag(table, cells.flags[n], row=cells.flags_row, column=n) for n in columns]
        )
    axis, notes = axis_from_stamps(cells.numbers[:, 0], where=table.name)
    values_nv = table.scaled(np.ascontiguousarray(cells.numbers[:, 1:].T), factor)
    return Signals(labels, values_nv, axis, accepted, notes)


def _sweeps_in_rows(table: TextTable, factor: float) -> Signals:
    if table.names.count(_ACCEPTED) > 1:
        raise LoadError(f"{table.name}: row 1: a second column '{_ACCEPTED}'")
    flags = table.names.index(_ACCEPTED) if _ACCEPTED in table.names else None
    samples = [column for column in range(1, len(table.names)) if column != flags]
    stamps = np.array([_time(table, column) for column in samples])
    axis, notes = axis_from_stamps(stamps, where=f"{table.name}: row 1")
    cells = table.cells(text_columns=(0,))
    if _ACCEPTED in cells.texts[0]:
        row = table.row_of(cells.texts[0].index(_ACCEPTED))
        raise LoadError(
            f"{table.name}: row {row}: with sweeps in rows the flags are a column '{_ACCEPTED}', "
            "not a row"
        )
    accepted = None
    if flags is not None:
        column = cells.column(flags)
        accepted = column == 1
        wrong = np.flatnonzero((column != 0) & (column != 1))
        if len(wrong):
            row = table.row_of(int(wrong[0]))
            _flag(table, f"{column[wrong[0]]:g}", row=row, column=flags)
    values_nv = table.scaled(cells.columns(samples), factor)
    return Signals(cells.texts[0], values_nv, axis, accepted, notes)


def _check_names(table: TextTable) -> None:
    seen: dict[str, int] = {}
    for column, label in enumerate(table.names):
        if not label:
            raise LoadError(f"{table.at(1, column)}: the column has no name")
        if label in seen:
            raise LoadError(
                f"{table.at(1, column)}: column {seen[label] + 1} has the same name; every signal "
                "needs a name of its own"
            )
        seen[label] = column


def _time(table: TextTable, column: int) -> float:
    try:
        return table.number(table.names[column], row=1, column=column)
    except LoadError as fault:
        raise LoadError(f"{fault}; the headers after '{table.names[0]}' are times in ms") from None


def _flag(table: TextTable, text: str, *, row: int, column: int) -> bool:
    value = table.number(text, row=row, column=column)
    if value not in (0, 1):
        raise LoadError(f"{table.at(row, column)}: the flag is '{text}'; it must be 0 or 1")
    return value == 1
