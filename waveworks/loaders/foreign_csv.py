"""Another department's text file, read as its description says; nothing is guessed."""

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import LoadError
from waveworks.loaders.cells import Cells
from waveworks.loaders.clock_times import clock_ms, since_first_ms
from waveworks.loaders.csv_format import Column, CsvFormat
from waveworks.loaders.raw import Continuous, Signals, listed, pick, positions
from waveworks.loaders.text_file import open_table
from waveworks.loaders.text_table import TableCells, TextTable
from waveworks.loaders.time_stamps import axis_from_stamps, rate_from_stamps
from waveworks.model import TimeAxis
from waveworks.units import nv_per_unit

FloatArray = NDArray[np.float64]

_MS_PER_UNIT = {"s": 1e3, "ms": 1.0}

# A clock of a computer strays by far less, and a wrong rate is wrong by far more.
_STATED_RATE_TOLERANCE = 0.01


def read_foreign_csv(
    data: bytes,
    csv_format: CsvFormat,
    *,
    name: str,
    unit: str,
    signals: tuple[str, ...],
    event: str,
) -> Signals | Continuous:
    """Read a text file by its description.

    Parameters
    ----------
    data : bytes
        The file.
    csv_format : CsvFormat
        Its description.
    name : str
        What to call the file in an error.
    unit : str
        Of the amplitudes, from recordings.csv; empty where only the description says it.
    signals : tuple of str
        The signals wanted, in this order; empty for all.
    event : str
        Marker code of the stimulus; empty for the code of the description.

    Returns
    -------
    Signals or Continuous
        Continuous where the description has a marker column: a stimulus begins at the first
        sample of each run of its code.

    Raises
    ------
    LoadError
        Naming file, row, column and value of the first thing that is wrong.
    """
    factor = _nv_per_unit(csv_format, unit, name=name)
    if event and csv_format.marker_column is None:
        raise LoadError(f"{name}: event is '{event}', but {csv_format.name} has no [marker] column")
    table = open_table(
        data,
        name=name,
        encoding=csv_format.encoding,
        separator=csv_format.separator,
        decimal=csv_format.decimal,
        skip_lines=csv_format.skip_lines,
        header=csv_format.header,
        names=csv_format.names,
    )
    if csv_format.orientation == "rows":
        return pick(_signals_in_rows(table, csv_format, factor), signals, name=name)
    return _SignalsInColumns(table, csv_format, signals).read(factor, event)


class _SignalsInColumns:
    """The columns of a file that its description and the wanted signals ask for."""

    def __init__(self, table: TextTable, csv_format: CsvFormat, wanted: tuple[str, ...]) -> None:
        self._table = table
        self._format = csv_format
        self._marker = _optional_place(table, csv_format.marker_column)
        self._signals = _wanted(_labelled(table, csv_format, self._marker), wanted, table.name)
        self._labels = tuple(label for label, _ in self._signals)
        self._times = self._time_places()

    def read(self, factor: float, event: str) -> Signals | Continuous:
        columns = [place for _, place in self._signals]
        numeric = {*columns} | ({self._marker} if self._marker is not None else set())
        if self._format.time_kind in _MS_PER_UNIT:
            numeric |= {*self._times}
        others = [place for place in range(len(self._table.names)) if place not in numeric]
        cells = self._table.cells(text_columns=others)
        values_nv = self._table.scaled(np.ascontiguousarray(cells.columns(columns).T), factor)
        if self._marker is None:
            axis, notes = self._axis(cells)
            return Signals(self._labels, values_nv, axis, notes=notes)
        onsets = self._onsets(cells.column(self._marker), event)
        sfreq_hz, notes = self._rate(cells)
        return Continuous(self._labels, values_nv, sfreq_hz, onsets, notes)

    def _rate(self, cells: TableCells) -> tuple[float, tuple[str, ...]]:
        """Return the stated rate, checked against the stamps, or that of the stamps."""
        name, stated_hz = self._table.name, self._format.rate_hz
        if not self._times and stated_hz is not None:
            return stated_hz, ()
        sfreq_hz, notes = rate_from_stamps(self._stamps(cells, self._times[0]), where=name)
        if stated_hz is None:
            return sfreq_hz, notes
        off = sfreq_hz / stated_hz - 1
        if abs(off) > _STATED_RATE_TOLERANCE:
            raise LoadError(
                f"{name}: the time stamps give {sfreq_hz:.6g} Hz, {self._format.name} states "
                f"{stated_hz:g} Hz; the limit is {_STATED_RATE_TOLERANCE:.0%} of difference"
            )
        said = f"{name}: the stated {stated_hz:g} Hz are used; the stamps give {sfreq_hz:.6g} Hz"
        return stated_hz, (*notes, said)

    def _time_places(self) -> list[int]:
        """Return the column of time stamps of every signal, empty where there is none."""
        described = self._format
        if described.time_kind == "none":
            return []
        if described.time_column is not None:
            return [_place(self._table, described.time_column)] * len(self._signals)
        for label in self._labels:
            if label not in described.time_column_of:
                raise LoadError(
                    f"{self._table.name}: signal '{label}' has no column of time stamps in "
                    f"[time.column_of] of {described.name}"
                )
        return [_place(self._table, described.time_column_of[label]) for label in self._labels]

    def _axis(self, cells: TableCells) -> tuple[TimeAxis, tuple[str, ...]]:
        described, table = self._format, self._table
        if described.rate_hz is not None and described.start_ms is not None:
            return TimeAxis(described.rate_hz, described.start_ms, len(cells.numbers)), ()
        axes = {}
        for label, place in zip(self._labels, self._times, strict=True):
            if place not in axes:
                stamps = _from_start(self._stamps(cells, place), described.start_ms)
                where = f"{table.name}: column '{table.names[place]}'"
                axes[place] = label, *axis_from_stamps(stamps, where=where)
        (first_label, first, notes), *others = axes.values()
        for label, axis, more in others:
            if not axis.agrees_with(first):
                raise LoadError(
                    f"{table.name}: signals '{first_label}' ({first}) and '{label}' ({axis}) have "
                    "different time axes; read each as a recording of its own"
                )
            notes = (*notes, *more)
        return first, notes

    def _stamps(self, cells: TableCells, place: int) -> FloatArray:
        """Return time stamps in ms; clock times count from the first."""
        if self._format.time_kind != "clock":
            factor = _MS_PER_UNIT[self._format.time_kind]
            return self._table.scaled(cells.column(place), factor)
        moments = []
        for index, text in enumerate(cells.texts[place]):
            try:
                moments.append(clock_ms(text, self._format.clock_format))
            except ValueError:
                where = self._table.at(self._table.row_of(index), place)
                raise LoadError(
                    f"{where}: '{text}' is not a clock time of the form "
                    f"'{self._format.clock_format}'"
                ) from None
        return since_first_ms(moments)

    def _onsets(self, codes: FloatArray, event: str) -> NDArray[np.int64]:
        name = self._table.name
        code = self._format.marker_code
        if event:
            cell = Cells({"event": event}, where=name)
            code = cell.number("event")
            if code is None:
                raise LoadError(
                    f"{name}: event is '{event}'; it must be a code of the marker column"
                )
        if code is None:
            raise LoadError(
                f"{name}: no marker code; give it as event in recordings.csv or as marker.code in "
                f"{self._format.name}"
            )
        hits = codes == code
        if not hits.any():
            found = tuple(f"{value:g}" for value in np.unique(codes))
            raise LoadError(f"{name}: marker code {code:g} never occurs; found {listed(found)}")
        begins = hits.copy()
        begins[1:] &= ~hits[:-1]
        return np.flatnonzero(begins).astype(np.int64)


def _signals_in_rows(table: TextTable, described: CsvFormat, factor: float) -> Signals:
    name_place = _optional_place(table, described.name_column)
    samples = [place for place in range(len(table.names)) if place != name_place]
    cells = table.cells(text_columns=() if name_place is None else (name_place,))
    values_nv = table.scaled(cells.columns(samples), factor)
    labels = described.signal_names or tuple(str(n) for n in range(1, len(values_nv) + 1))
    if name_place is not None:
        labels = cells.texts[name_place]
    if len(labels) != len(values_nv):
        raise LoadError(
            f"{table.name}: {len(values_nv)} rows of data; 'signals.names' in {described.name} "
            f"has {len(labels)} names"
        )
    if described.rate_hz is not None and described.start_ms is not None:
        return Signals(
            labels, values_nv, TimeAxis(described.rate_hz, described.start_ms, len(samples))
        )
    row = table.first_row - 1
    stamps = np.array(
        [table.number(table.names[place], row=row, column=place) for place in samples]
    )
    stamps = table.scaled(stamps, _MS_PER_UNIT[described.time_kind])
    stamps = _from_start(stamps, described.start_ms)
    axis, notes = axis_from_stamps(stamps, where=f"{table.name}: row {row}")
    return Signals(labels, values_nv, axis, notes=notes)


def _from_start(stamps_ms: FloatArray, start_ms: float | None) -> FloatArray:
    return stamps_ms if start_ms is None else stamps_ms - stamps_ms[0] + start_ms


def _nv_per_unit(described: CsvFormat, unit: str, *, name: str) -> float:
    if not unit and not described.unit:
        raise LoadError(
            f"{name}: unit is missing; give it in recordings.csv or as signals.unit in "
            f"{described.name}"
        )
    factor = nv_per_unit(unit or described.unit, where=name)
    if described.unit and nv_per_unit(described.unit, where=described.name) != factor:
        raise LoadError(
            f"{name}: unit is '{unit}' in recordings.csv but '{described.unit}' in "
            f"{described.name}; they must be the same"
        )
    return factor


def _labelled(
    table: TextTable, described: CsvFormat, marker: int | None
) -> tuple[tuple[str, int], ...]:
    """Return the label and the column of every signal in the file."""
    # A column of time stamps may be absent from this file, with the signals that it belongs to.
    times = (described.time_column, *described.time_column_of.values())
    special = {
        marker,
        *(column - 1 for column in times if isinstance(column, int)),
        *(place for place, label in enumerate(table.names) if label in times),
    }
    if not described.signal_columns:
        every = enumerate(table.names)
        return tuple((label, place) for place, label in every if place not in special)
    places = [_place(table, column) for column in described.signal_columns]
    for place in places:
        # A column can be meant twice: by its name and by its number.
        if place in special or places.count(place) > 1:
            use = "holds the time or the marker" if place in special else "is a signal already"
            raise LoadError(
                f"{table.name}: column {place + 1} cannot be a signal as {described.name} says; "
                f"it {use}"
            )
    labels = described.signal_names or [table.names[place] for place in places]
    return tuple(zip(labels, places, strict=True))


def _wanted(
    signals: tuple[tuple[str, int], ...], wanted: tuple[str, ...], name: str
) -> tuple[tuple[str, int], ...]:
    labels = tuple(label for label, _ in signals)
    if not labels:
        raise LoadError(f"{name}: no signal column")
    return tuple(signals[index] for index in positions(labels, wanted or labels, name=name))


def _optional_place(table: TextTable, column: Column | None) -> int | None:
    return None if column is None else _place(table, column)


def _place(table: TextTable, column: Column) -> int:
    """Return the index of a column, from 0."""
    if isinstance(column, int):
        if column > len(table.names):
            raise LoadError(
                f"{table.name}: no column {column}; the file has {len(table.names)} columns"
            )
        return column - 1
    count = table.names.count(column)
    if count != 1:
        how = f"is there {count} times" if count else "is not there"
        raise LoadError(
            f"{table.name}: column '{column}' {how}; the file has {listed(table.names)}"
        )
    return table.names.index(column)
