"""The description of another department's text file, a TOML file of the user's own."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from waveworks.errors import LoadError, SettingsError
from waveworks.loaders.clock_times import clock_format_fault
from waveworks.toml_files import Table, TomlFile
from waveworks.units import nv_per_unit

Column = str | int
"""A column by its name, or by its number from 1."""

TIME_KINDS = ("s", "ms", "clock", "none")
ORIENTATIONS = ("columns", "rows")

KEYS = {
    "text": ("separator", "decimal", "encoding", "skip_lines", "header", "names"),
    "time": ("kind", "column", "column_of", "clock_format", "rate_hz", "start_ms"),
    "signals": ("in", "unit", "columns", "names", "name_column"),
    "marker": ("column", "code"),
}
"""The keys of each table."""


@dataclass(frozen=True)
class CsvFormat:
    """How to read one kind of text file.

    Parameters
    ----------
    name : str
        The description's own file, to name in an error.
    separator, decimal : str
        One character each.
    encoding : str
        Of the text.
    skip_lines : int
        Lines above the header.
    header : bool
        Whether a row of names comes before the data.
    names : tuple of str
        Of all columns, where there is no header; empty for numbers from 1.
    time_kind : str
        ``s``, ``ms``, ``clock`` or ``none``.
    time_column : str, int or None
        The column of time stamps.
    time_column_of : mapping of str to (str or int)
        The column of time stamps of each signal, where they are several.
    clock_format : str
        Of clock times, as `datetime.strptime` reads it.
    rate_hz : float or None
        Sampling rate in Hz where there are no time stamps; in continuous data it also wins over
        stamps that agree with it.
    start_ms : float or None
        Time of the first sample after the stimulus; None where the stamps say it themselves.
    orientation : str
        ``columns`` or ``rows``: what one signal is.
    unit : str
        Of the amplitudes; empty where recordings.csv says it.
    signal_columns : tuple of (str or int)
        The columns that are signals; empty for all that are not of time or marker.
    signal_names : tuple of str
        Names to call the signals by; empty for those of the file.
    name_column : str, int or None
        The column that names the signal of each row.
    marker_column : str, int or None
        The column whose codes mark stimuli; it makes the data continuous.
    marker_code : float or None
        The code of the stimulus, where recordings.csv names none.
    """

    name: str
    separator: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    skip_lines: int = 0
    header: bool = True
    names: tuple[str, ...] = ()
    time_kind: str = "ms"
    time_column: Column | None = None
    time_column_of: Mapping[str, Column] = field(default_factory=dict)
    clock_format: str = ""
    rate_hz: float | None = None
    start_ms: float | None = None
    orientation: str = "columns"
    unit: str = ""
    signal_columns: tuple[Column, ...] = ()
    signal_names: tuple[str, ...] = ()
    name_column: Column | None = None
    marker_column: Column | None = None
    marker_code: float | None = None


def read_csv_format(path: Path, *, name: str | None = None) -> CsvFormat:
    """Return the description that a TOML file gives.

    Parameters
    ----------
    path : Path
        The file.
    name : str, optional
        What to call it in an error; the path itself by default.

    Returns
    -------
    CsvFormat

    Raises
    ------
    SettingsError
        If the file cannot be read, has an unknown key, an impossible value or keys that do not go
        together.
    """
    name = str(path) if name is None else name
    try:
        data = path.read_bytes()
    except OSError as fault:
        raise SettingsError(f"{name}: cannot be read: {fault.strerror}") from None
    toml = TomlFile(data, name=name, error=SettingsError)
    toml.check_keys(toml.root, KEYS)
    text, time, signals, marker = (_known(toml, key) for key in KEYS)
    if "kind" not in time:
        raise toml.fail(f"'time.kind' is missing; it must be one of {', '.join(TIME_KINDS)}")
    if "marker" in toml.root and "column" not in marker:
        raise toml.fail("'marker.column' is missing")
    described = CsvFormat(
        name=name,
        separator=_character(toml, text, "separator", default=","),
        decimal=toml.choice(text, "decimal", (".", ","), place="text", default="."),
        encoding=_encoding(toml, text),
        skip_lines=_skip_lines(toml, text),
        header=_header(toml, text),
        names=_texts(toml, text, "names", place="text"),
        time_kind=toml.choice(time, "kind", TIME_KINDS, place="time"),
        time_column=_column(toml, time, "column", place="time"),
        time_column_of=_column_of(toml, time),
        clock_format=_clock_format(toml, time),
        rate_hz=toml.number(time, "rate_hz", place="time", above=0.0, unit="Hz"),
        start_ms=toml.number(time, "start_ms", place="time"),
        orientation=toml.choice(signals, "in", ORIENTATIONS, place="signals", default="columns"),
        unit=_unit(toml, signals),
        signal_columns=_columns(toml, signals),
        signal_names=_texts(toml, signals, "names", place="signals"),
        name_column=_column(toml, signals, "name_column", place="signals"),
        marker_column=_column(toml, marker, "column", place="marker"),
        marker_code=toml.number(marker, "code", place="marker"),
    )
    impossible = _impossible(described)
    if impossible:
        raise toml.fail(impossible)
    return described


def _impossible(described: CsvFormat) -> str:
    """Return why the keys do not go together, empty where they do."""
    faults = (*_text_faults(described), *_time_faults(described), *_signal_faults(described))
    return next((fault for wrong, fault in faults if wrong), "")


def _text_faults(described: CsvFormat) -> tuple[tuple[bool, str], ...]:
    names = described.names
    return (
        (
            described.separator == described.decimal,
            f"'text.separator' and 'text.decimal' are both '{described.decimal}'",
        ),
        (
            described.header and bool(names),
            "'text.names' goes with 'text.header = false'; a header names the columns itself",
        ),
        (len(set(names)) < len(names), "'text.names' holds a name twice"),
    )


def _time_faults(described: CsvFormat) -> tuple[tuple[bool, str], ...]:
    kind = described.time_kind
    in_columns = described.orientation == "columns"
    has_column = described.time_column is not None
    has_columns = bool(described.time_column_of)
    continuous = described.marker_column is not None
    has_start = described.start_ms is not None
    return (
        (
            kind == "none" and (has_column or has_columns),
            "'time.kind' is 'none', so no 'time.column' or 'time.column_of' can be given",
        ),
        (
            kind == "none" and described.rate_hz is None,
            "'time.rate_hz' is missing; without time stamps it must be given",
        ),
        (
            kind != "none" and described.rate_hz is not None and not continuous,
            f"'time.rate_hz' goes with time.kind = 'none' or with [marker]; with '{kind}' the "
            "stamps give the rate",
        ),
        (
            kind != "none" and in_columns and has_column == has_columns,
            f"time.kind '{kind}' needs one of 'time.column' and 'time.column_of', not "
            f"{'both' if has_column else 'neither'}",
        ),
        (
            not in_columns and (has_column or has_columns),
            "with signals in rows the times are in the header row; leave 'time.column' and "
            "'time.column_of' out",
        ),
        (
            not in_columns and kind in ("s", "ms") and not described.header,
            f"with signals in rows, time.kind '{kind}' needs the header row that holds the times",
        ),
        (
            not in_columns and kind == "clock",
            "clock times are read from a column, so 'signals.in' cannot be 'rows'",
        ),
        (
            (kind == "clock") != bool(described.clock_format),
            "'time.clock_format' and time.kind = 'clock' go together; only one is given",
        ),
        (
            kind in ("clock", "none") and not has_start and not continuous,
            f"'time.start_ms' is missing; with time.kind '{kind}' nothing else says when the "
            "stimulus was",
        ),
        (
            has_start and continuous,
            "'time.start_ms' cannot go with a [marker]; the markers say when the stimuli were",
        ),
    )


def _signal_faults(described: CsvFormat) -> tuple[tuple[bool, str], ...]:
    in_columns = described.orientation == "columns"
    columns, names = described.signal_columns, described.signal_names
    return (
        (
            in_columns and bool(names) and len(names) != len(columns),
            f"'signals.names' has {len(names)} names for {len(columns)} 'signals.columns'",
        ),
        (len(set(columns)) < len(columns), "'signals.columns' holds a column twice"),
        (len(set(names)) < len(names), "'signals.names' holds a name twice"),
        (
            not in_columns and bool(columns),
            "with signals in rows 'signals.columns' means nothing; leave it out",
        ),
        (
            in_columns and described.name_column is not None,
            "'signals.name_column' goes with signals.in = 'rows'",
        ),
        (
            described.name_column is not None and bool(names),
            "'signals.name_column' and 'signals.names' both name the rows; give one",
        ),
        (
            not in_columns and described.marker_column is not None,
            "a [marker] column needs signals.in = 'columns'",
        ),
        (
            described.marker_column is not None and bool(described.time_column_of),
            "a [marker] column marks samples of one time column; leave 'time.column_of' out",
        ),
    )


def _known(toml: TomlFile, key: str) -> Table:
    table = toml.table(toml.root, key)
    toml.check_keys(table, KEYS[key], place=key)
    return table


def _character(toml: TomlFile, table: Table, key: str, *, default: str) -> str:
    value = toml.text(table, key, place="text", default=default)
    if len(value) != 1 or value.isalnum() or value in '"\r\n.+-':
        raise toml.fail(
            f"'text.{key}' is {value!r}; it must be one character such as ',', ';' or a tab"
        )
    return value


def _encoding(toml: TomlFile, table: Table) -> str:
    value = toml.text(table, "encoding", place="text", default="utf-8")
    try:
        "".encode(value)
    except (LookupError, ValueError):
        raise toml.fail(
            f"'text.encoding' is '{value}'; it must be a text encoding such as utf-8, latin-1, "
            "cp1252 or utf-16"
        ) from None
    return value


def _skip_lines(toml: TomlFile, table: Table) -> int:
    value = table.get("skip_lines", 0)
    if type(value) is not int or value < 0:
        raise toml.fail(f"'text.skip_lines' is {value!r}; it must be a whole number from 0")
    return value


def _header(toml: TomlFile, table: Table) -> bool:
    value = table.get("header", True)
    if not isinstance(value, bool):
        raise toml.fail(f"'text.header' is {value!r}; it must be true or false")
    return value


def _clock_format(toml: TomlFile, table: Table) -> str:
    value = toml.text(table, "clock_format", place="time")
    fault = clock_format_fault(value) if value else ""
    if fault:
        raise toml.fail(f"'time.clock_format' is '{value}', which {fault}")
    return value


def _unit(toml: TomlFile, table: Table) -> str:
    unit = toml.text(table, "unit", place="signals")
    if unit:
        try:
            nv_per_unit(unit, where=toml.name)
        except LoadError as fault:
            raise SettingsError(str(fault)) from None
    return unit


def _texts(toml: TomlFile, table: Table, key: str, *, place: str) -> tuple[str, ...]:
    value = table.get(key, [])
    if not isinstance(value, list) or not all(isinstance(item, str) and item for item in value):
        raise toml.fail(f"'{place}.{key}' is {value!r}; it must be a list of texts, none empty")
    return tuple(value)


def _column(toml: TomlFile, table: Table, key: str, *, place: str) -> Column | None:
    return _as_column(toml, table[key], at=f"{place}.{key}") if key in table else None


def _columns(toml: TomlFile, table: Table) -> tuple[Column, ...]:
    value = table.get("columns", [])
    if not isinstance(value, list):
        raise toml.fail(f"'signals.columns' is {value!r}; it must be a list of columns")
    return tuple(_as_column(toml, item, at="signals.columns") for item in value)


def _column_of(toml: TomlFile, table: Table) -> dict[str, Column]:
    value = table.get("column_of", {})
    if not isinstance(value, Mapping):
        raise toml.fail("'time.column_of' must be a table, [time.column_of]")
    return {
        signal: _as_column(toml, column, at=f"time.column_of.{signal}")
        for signal, column in value.items()
    }


def _as_column(toml: TomlFile, value: object, *, at: str) -> Column:
    if isinstance(value, str) and value:
        return value
    if type(value) is int and value >= 1:
        return value
    raise toml.fail(f"'{at}' is {value!r}; it must be a column's name, or its number from 1")
