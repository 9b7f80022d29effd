"""`recordings.csv`: one row a recording, checked cell by cell before any data file is opened."""

import csv
import io
import math
from collections.abc import Iterator
from dataclasses import dataclass

from waveworks.errors import SessionError
from waveworks.loaders.cells import Cells
from waveworks.model import (
    BUFFER_SPLITS,
    CONDITION_COLUMNS,
    KINDS,
    LAYOUTS,
    ClinicianMarks,
    Condition,
    Reported,
)
from waveworks.model.condition import EARS, POLARITIES, STIMULI, TRANSDUCERS, UNMASKED
from waveworks.model.session import MANIFEST

KNOWN_COLUMNS = (
    *("recording", "file", "layout", "kind", *CONDITION_COLUMNS, "unit", "csv_format", "signals"),
    *("event", "epoch_start_ms", "epoch_stop_ms", "earphone_delay_ms"),
    *("n_sweeps", "n_a", "n_b", "n_per_block", "n_rejected", "buffer_split", "parts", "group"),
    *("rate_hz", "reject_uv", "mains_hz", "impedance_kohm", "started", "system", "comment"),
    *("reported_rn_nv", "reported_fsp", "reported_fmp", "reported_n_sweeps", "reported_grade"),
    *("v_ms", "sn10_ms"),
)
"""The columns that mean something here; others are kept and shown as they are."""

_REQUIRED = ("recording", "file", "layout", "ear", "transducer", "stimulus")
_NEED_FREQUENCY = ("tone-burst", "narrowband-chirp")
_FAULTS_SHOWN = 20


@dataclass(frozen=True, kw_only=True)
class ManifestRow:
    """One row of `recordings.csv`, understood.

    Parameters
    ----------
    number : int
        Row in the file, the header being row 1.
    name, kind, layout : str
        As in `Recording`.
    condition : Condition
        What it was recorded at.
    files : tuple of str
        Paths relative to the folder, with forward slashes: one, or two that hold A and B.
    unit, csv_format : str
        Of CSV data; empty where not given.
    signals : tuple of str
        Columns or EDF signals that are meant; empty is all.
    event : str
        Text or code that marks a stimulus in continuous data; empty is none.
    epoch_start_ms : float
        Start of the data relative to the stimulus, in ms; NaN where not given.
    epoch_stop_ms : float
        Stop of the data relative to the stimulus, in ms; NaN where not given.
    earphone_delay_ms : float
        Delay that the recorded time axis has not allowed for, in ms.
    n_sweeps, n_a, n_b, n_rejected : int or None
        Counts; None where not given.
    n_per_block : tuple of int
        One count for all blocks, one a block, or none.
    buffer_split : str or None
        As in `Recording`.
    parts : tuple of str
        As in `Recording`.
    group : int or None
        As in `Recording`.
    rate_hz : float or None
        Stimulus rate in Hz.
    marks : ClinicianMarks
        As written, the earphone delay not yet taken off.
    reported : Reported
        As written.
    cells : tuple of (str, str)
        Every column and its text.
    """

    number: int
    name: str
    kind: str
    layout: str
    condition: Condition
    files: tuple[str, ...]
    unit: str
    csv_format: str
    signals: tuple[str, ...]
    event: str
    epoch_start_ms: float
    epoch_stop_ms: float
    earphone_delay_ms: float
    n_sweeps: int | None
    n_a: int | None
    n_b: int | None
    n_rejected: int | None
    n_per_block: tuple[int, ...]
    buffer_split: str | None
    parts: tuple[str, ...]
    group: int | None
    rate_hz: float | None
    marks: ClinicianMarks
    reported: Reported
    cells: tuple[tuple[str, str], ...]

    @property
    def where(self) -> str:
        """The place to name in an error."""
        return f"{MANIFEST} row {self.number}, recording '{self.name}'"


def read_manifest(data: bytes) -> tuple[ManifestRow, ...]:
    """Return the rows of `recordings.csv`.

    Parameters
    ----------
    data : bytes
        The file: UTF-8, commas, a header row.

    Returns
    -------
    tuple of ManifestRow
        In the order of the file.

    Raises
    ------
    SessionError
        With one line a fault: a missing column, an unknown word, a number that is none, two
        recordings of one name, both or neither level column, parts that do not exist.
    """
    rows = []
    faults: list[str] = []
    for number, cells in _table(data):
        reader = _reader(cells, number)
        rows.append(_row(reader, number))
        faults.extend(reader.faults)
    faults.extend(_across_rows(rows))
    if faults:
        hidden = len(faults) - _FAULTS_SHOWN
        more = [f"{MANIFEST}: {hidden} more faults"] if hidden > 0 else []
        raise SessionError("\n".join(faults[:_FAULTS_SHOWN] + more))
    return tuple(rows)


def row_of_cells(cells: dict[str, str], number: int) -> ManifestRow:
    """Understand one row once more.

    Parameters
    ----------
    cells : dict of str to str
        Column and text of a row that `read_manifest` has understood.
    number : int
        Row in the file, the header being row 1.

    Returns
    -------
    ManifestRow
    """
    return _row(_reader(cells, number), number)


def _reader(cells: dict[str, str], number: int) -> Cells:
    return Cells(cells, where=f"{MANIFEST} row {number}")


def _table(data: bytes) -> Iterator[tuple[int, dict[str, str]]]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise SessionError(f"{MANIFEST}: byte {fault.start + 1} is not UTF-8 text") from None
    lines = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = [cell.strip() for cell in next(lines, [])]
        _check_header(header)
        found = False
        for line in lines:
            if not any(cell.strip() for cell in line):
                continue
            if len(line) != len(header):
                raise SessionError(
                    f"{MANIFEST} row {lines.line_num}: {len(line)} cells, the header has "
                    f"{len(header)}"
                )
            found = True
            yield lines.line_num, dict(zip(header, map(str.strip, line), strict=True))
    except csv.Error as fault:
        raise SessionError(f"{MANIFEST} row {lines.line_num}: not a CSV row: {fault}") from None
    if not found:
        raise SessionError(f"{MANIFEST}: no recording; at least one row is needed")


def _check_header(header: list[str]) -> None:
    missing = [column for column in _REQUIRED if column not in header]
    if missing and len(header) == 1 and ";" in header[0]:
        raise SessionError(f"{MANIFEST}: separated by ';'; it must be separated by commas")
    if missing:
        raise SessionError(f"{MANIFEST}: column missing: {', '.join(missing)}")
    repeated = sorted({column for column in header if header.count(column) > 1})
    if repeated:
        raise SessionError(f"{MANIFEST}: column given twice: {', '.join(repeated)}")


def _row(cells: Cells, number: int) -> ManifestRow:
    kind = cells.choice("kind", KINDS) or "test"
    layout = cells.choice("layout", LAYOUTS, required=True)
    return ManifestRow(
        number=number,
        name=_name(cells),
        kind=kind,
        layout=layout,
        condition=_condition(cells, kind),
        files=_files(cells, layout),
        unit=cells.text("unit"),
        csv_format=cells.text("csv_format").replace("\\", "/"),
        signals=_signals(cells),
        event=cells.text("event"),
        epoch_start_ms=_or_nan(cells.number("epoch_start_ms")),
        epoch_stop_ms=_or_nan(cells.number("epoch_stop_ms")),
        earphone_delay_ms=cells.number("earphone_delay_ms", at_least=0.0) or 0.0,
        n_sweeps=cells.count("n_sweeps", at_least=1),
        n_a=cells.count("n_a", at_least=1),
        n_b=cells.count("n_b", at_least=1),
        n_per_block=cells.counts("n_per_block"),
        n_rejected=cells.count("n_rejected", at_least=0),
        buffer_split=cells.choice("buffer_split", BUFFER_SPLITS) or None,
        parts=cells.texts("parts"),
        group=cells.count("group", at_least=1, at_most=2),
        rate_hz=cells.number("rate_hz", above=0.0),
        marks=ClinicianMarks(_or_nan(cells.number("v_ms")), _or_nan(cells.number("sn10_ms"))),
        reported=Reported(
            rn_nv=cells.text("reported_rn_nv"),
            fsp=cells.text("reported_fsp"),
            fmp=cells.text("reported_fmp"),
            n_sweeps=cells.text("reported_n_sweeps"),
            grade=cells.text("reported_grade"),
        ),
        cells=cells.items(),
    )


def _condition(cells: Cells, kind: str) -> Condition:
    stimulus = cells.choice("stimulus", STIMULI, required=True)
    frequency = cells.number("frequency_hz", above=0.0)
    if stimulus in _NEED_FREQUENCY and frequency is None:
        cells.fault("frequency_hz", f"is empty; a {stimulus} needs it")
    nhl, ehl = cells.number("level_db_nhl"), cells.number("level_db_ehl")
    if nhl is not None and ehl is not None:
        cells.fault("level_db_nhl and level_db_ehl", "are both given; exactly one is needed")
    unlevelled = not cells.text("level_db_nhl") and not cells.text("level_db_ehl")
    if unlevelled and stimulus != "other" and kind != "control":
        cells.fault("level_db_nhl and level_db_ehl", "are both empty; exactly one is needed")
    masking: float | str | None = cells.text("masking_db")
    if masking != UNMASKED:
        masking = cells.number("masking_db")
    return Condition(
        ear=cells.choice("ear", EARS, required=True),
        transducer=cells.choice("transducer", TRANSDUCERS, required=True),
        stimulus=stimulus,
        frequency_hz=frequency,
        level_db_nhl=nhl,
        level_db_ehl=ehl,
        masking_db=masking,
        channel=cells.text("channel"),
        polarity=cells.choice("polarity", POLARITIES) or None,
        highpass_hz=cells.number("highpass_hz", at_least=0.0),
        lowpass_hz=cells.number("lowpass_hz", above=0.0),
        condition=cells.text("condition"),
    )


def _files(cells: Cells, layout: str) -> tuple[str, ...]:
    # A path written on Windows means the same folder everywhere.
    files = tuple(file.replace("\\", "/") for file in cells.texts("file"))
    if not files:
        cells.fault("file", "is empty")
    if len(files) > 2 or (len(files) == 2 and layout != "buffers"):
        cells.fault("file", f"names {len(files)} files; two are for the layout 'buffers', else one")
    return files


def _name(cells: Cells) -> str:
    name = cells.text("recording", required=True)
    if not name.isprintable():
        cells.fault("recording", f"is {name!r}; it must hold printable characters only")
    return name


def _signals(cells: Cells) -> tuple[str, ...]:
    signals = cells.texts("signals")
    if len(set(signals)) < len(signals):
        cells.fault("signals", f"is '{cells.text('signals')}'; it names a signal twice")
    return signals


def _across_rows(rows: list[ManifestRow]) -> Iterator[str]:
    first: dict[str, int] = {}
    for row in rows:
        if row.name in first:
            yield f"{row.where}: the name is already used in row {first[row.name]}"
        first.setdefault(row.name, row.number)
    combined = {row.name for row in rows if row.parts}
    for row in rows:
        for part in row.parts:
            if part not in first:
                yield f"{row.where}: parts names '{part}', which is no recording of this session"
            elif part in combined:
                yield f"{row.where}: parts names '{part}', which is a combination itself"


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value
