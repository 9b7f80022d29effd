"""Criteria files: TOML, every key known, every clause complete."""

import math
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from waveworks.criteria.model import (
    CR,
    ONE_TRACE_CR,
    RA,
    Clause,
    Criteria,
    Discharge,
    EhlOffset,
    ThresholdRule,
)
from waveworks.errors import SettingsError
from waveworks.model.condition import STIMULI, TRANSDUCERS
from waveworks.toml_files import Table, TomlFile, quoted

SCOPES = ("each trace", "combined")
_COMBINED = ("combined",)
_AT_MOST, _AT_LEAST = ("<=", "<"), (">=", ">")
_EITHER = (*_AT_MOST, *_AT_LEAST)
_MOST_NV = 10_000.0
"""Far above any average of the brainstem's, so that a slip of the unit is caught (own choice)."""


@dataclass(frozen=True)
class _Quantity:
    """What can be limited: on which side, in which unit, of which trace."""

    operators: tuple[str, ...]
    unit: str = ""
    scopes: tuple[str, ...] = _COMBINED
    from_zero: bool = False
    most: float = math.inf
    whole: bool = False


QUANTITIES = {
    "rn_nv": _Quantity(_AT_MOST, "nV", SCOPES, most=_MOST_NV),
    "gap_nv": _Quantity(_AT_MOST, "nV", most=_MOST_NV),
    "v_sn10_nv": _Quantity(_AT_LEAST, "nV", SCOPES, most=_MOST_NV),
    "v_sn10_corrected_nv": _Quantity(_AT_LEAST, "nV", most=_MOST_NV),
    "v_sn10_gap_ratio": _Quantity(_AT_LEAST),
    "fmp": _Quantity(_AT_LEAST),
    "f_pvalue": _Quantity(_EITHER, most=1),
    "shape_pvalue": _Quantity(_EITHER, most=1),
    "r": _Quantity(_AT_LEAST, most=1),
    "r_pvalue": _Quantity(_EITHER, most=1),
    "n_sweeps": _Quantity(_AT_LEAST, "sweeps", SCOPES, whole=True),
    "n_traces": _Quantity(_AT_LEAST, "traces", most=2, whole=True),
    "v_outside_ms": _Quantity(_AT_MOST, "ms", from_zero=True),
    "order_breaks": _Quantity(_AT_MOST, from_zero=True, whole=True),
    "clinician_marks": _Quantity(_AT_MOST, from_zero=True, whole=True),
    "suggested_marks": _Quantity(_AT_MOST, from_zero=True, whole=True),
    "polarity_buffers": _Quantity(_AT_MOST, from_zero=True, whole=True),
}
"""By name: columns of levels.csv and traces.csv, and counts of what speaks for or against a grade.
"""

GRADES = (CR, ONE_TRACE_CR, RA)

FROM_MEMORY = "from memory"
STATUSES = ("common practice, no source", FROM_MEMORY, "own choice")
PUBLISHED = "published in "

_TOP_KEYS = ("name", "version", "clause", "threshold", "discharge", "ehl_offset")
_NOT_NEEDED = ("source", "grades", "needed")
_CLAUSE_KEYS = (
    "id",
    "quantity",
    "scope",
    "operator",
    "value",
    "unit",
    "meaning",
    "source",
    "status",
    "grades",
    "needed",
)
_STATED = ("source", "status")
_THRESHOLD_KEYS = ("step_db", *_STATED)
_CASE = ("stimulus", "frequency_hz", "transducer")
_DISCHARGE_KEYS = (*_CASE, "level_db_ehl", *_STATED)
_OFFSET_KEYS = (*_CASE, "age_weeks", "offset_db", "prediction_sd_db", *_STATED)
_OPTIONAL = ("source", "frequency_hz", "prediction_sd_db")
_TONAL = ("tone-burst", "narrowband-chirp")

# Own choice: far outside any clinic's, so that a slip of a digit or a unit is caught.
_LARGEST_STEP_DB, _LARGEST_OFFSET_DB, _LEVELS_DB_EHL = 40.0, 60.0, (-20.0, 130.0)


def default_criteria() -> Criteria:
    """Return the example set that the package ships.

    Returns
    -------
    Criteria
        An example, not any body's protocol.
    """
    data = files("waveworks.criteria").joinpath("example.toml").read_bytes()
    return _parse(TomlFile(data, name="example.toml", error=SettingsError))


def read_criteria(path: str | Path, *, name: str | None = None) -> Criteria:
    """Return the criteria of a file.

    Parameters
    ----------
    path : path
        A TOML file.
    name : str, optional
        What to call it in an error; the path itself by default.

    Returns
    -------
    Criteria

    Raises
    ------
    SettingsError
        If the file cannot be read, has an unknown key or an impossible value.
    """
    return _parse(TomlFile.read(Path(path), name=name, error=SettingsError))


def _parse(toml: TomlFile) -> Criteria:
    toml.check_keys(toml.root, _TOP_KEYS)
    clauses = tuple(
        _clause(toml, table, number)
        for number, table in enumerate(toml.tables(toml.root, "clause"), start=1)
    )
    ids = [clause.id for clause in clauses]
    for number, one in enumerate(ids, start=1):
        if one in ids[: number - 1]:
            raise toml.fail(f"clause {number}: a second clause {quoted(one)}")
    absent = [clause for clause in clauses if RA in clause.grades]
    if absent and not any(clause.quantity == "rn_nv" for clause in absent):
        raise toml.fail("no clause of RA limits rn_nv; without quiet traces silence says nothing")
    return Criteria(
        name=toml.text(toml.root, "name", default=toml.name),
        version=toml.text(toml.root, "version"),
        sha256=toml.sha256,
        clauses=clauses,
        threshold=_threshold(toml),
        discharge=_discharge(toml),
        ehl_offsets=_ehl_offsets(toml),
    )


def _clause(toml: TomlFile, table: Table, number: int) -> Clause:
    place = f"clause {number}"
    toml.check_keys(table, _CLAUSE_KEYS, place=place)
    for key in _CLAUSE_KEYS:
        if key not in table and key not in _NOT_NEEDED:
            raise toml.fail(f"'{place}.{key}' is missing")
    name = toml.text(table, "id", place=place)
    if not name:
        raise toml.fail(f"'{place}.id' is empty")
    place = f"clause {number} ({quoted(name)[1:-1]})"
    quantity = toml.choice(table, "quantity", QUANTITIES, place=place)
    limited = QUANTITIES[quantity]
    operator = toml.choice(table, "operator", limited.operators, place=place)
    toml.choice(table, "unit", (limited.unit,), place=place)
    lowest = -math.inf if limited.from_zero else 0.0
    value = toml.number(table, "value", place=place, above=lowest, unit=limited.unit)
    assert value is not None  # the key is there
    if value < 0:
        raise toml.fail(f"'{place}.value' is {value:g}; it must be at least 0")
    if value > limited.most or (limited.whole and value != int(value)):
        kind = "a whole number of at most" if limited.whole else "at most"
        raise toml.fail(f"'{place}.value' is {value:g}; it must be {kind} {limited.most:g}")
    meaning = toml.text(table, "meaning", place=place)
    if not meaning.strip() or "\n" in meaning:
        raise toml.fail(f"'{place}.meaning' is {quoted(meaning)}; it must be one line")
    clause = Clause(
        id=name,
        quantity=quantity,
        scope=toml.choice(table, "scope", limited.scopes, place=place),
        operator=operator,
        value=value,
        unit=limited.unit,
        meaning=meaning,
        source=toml.text(table, "source", place=place),
        status=_status(toml, table, place),
        grades=toml.choices(table, "grades", GRADES, place=place),
        needed=toml.flag(table, "needed", default=True, place=place),
    )
    _check_side(toml, clause, place)
    return clause


def _check_side(toml: TomlFile, clause: Clause, place: str) -> None:
    """Refuse a p on the wrong side: a small one speaks for a response."""
    if not clause.quantity.endswith("pvalue"):
        return
    small = clause.operator in _AT_MOST
    if small and RA in clause.grades:
        raise toml.fail(f"'{place}.operator' is '{clause.operator}'; RA needs a p above a limit")
    if not small and {CR, ONE_TRACE_CR} & {*clause.grades}:
        raise toml.fail(f"'{place}.operator' is '{clause.operator}'; CR needs a p below a limit")


def _status(toml: TomlFile, table: Table, place: str) -> str:
    status = toml.text(table, "status", place=place)
    published = status.startswith(PUBLISHED) and status.removeprefix(PUBLISHED).strip()
    if status not in STATUSES and not published:
        raise toml.fail(
            f"'{place}.status' is {quoted(status)}; it must be one of {', '.join(STATUSES)}, "
            f"{PUBLISHED}..."
        )
    if status == FROM_MEMORY and not toml.text(table, "source", place=place):
        raise toml.fail(f"'{place}.source' is missing; say from memory of what")
    return status


def _threshold(toml: TomlFile) -> ThresholdRule:
    place = "threshold"
    if place not in toml.root:
        return ThresholdRule()
    table = toml.table(toml.root, place)
    _check(toml, table, _THRESHOLD_KEYS, place)
    return ThresholdRule(
        step_db=_db(toml, table, "step_db", place, "dB", 0.0, _LARGEST_STEP_DB, above=True),
        source=toml.text(table, "source", place=place),
        status=_status(toml, table, place),
    )


def _discharge(toml: TomlFile) -> tuple[Discharge, ...]:
    rows: list[Discharge] = []
    for number, table in enumerate(toml.tables(toml.root, "discharge"), start=1):
        place = f"discharge {number}"
        _check(toml, table, _DISCHARGE_KEYS, place)
        row = Discharge(
            stimulus=toml.choice(table, "stimulus", STIMULI, place=place),
            frequency_hz=_frequency(toml, table, place),
            transducer=toml.choice(table, "transducer", TRANSDUCERS, place=place),
            level_db_ehl=_db(toml, table, "level_db_ehl", place, "dB eHL", *_LEVELS_DB_EHL),
            source=toml.text(table, "source", place=place),
            status=_status(toml, table, place),
        )
        for earlier, other in enumerate(rows, start=1):
            if _case(row) == _case(other):
                raise toml.fail(f"{place}: serves what discharge {earlier} serves, {_words(row)}")
        rows.append(row)
    return tuple(rows)


def _ehl_offsets(toml: TomlFile) -> tuple[EhlOffset, ...]:
    rows: list[EhlOffset] = []
    for number, table in enumerate(toml.tables(toml.root, "ehl_offset"), start=1):
        place = f"ehl_offset {number}"
        _check(toml, table, _OFFSET_KEYS, place)
        largest = _LARGEST_OFFSET_DB
        row = EhlOffset(
            stimulus=toml.choice(table, "stimulus", STIMULI, place=place),
            frequency_hz=_frequency(toml, table, place),
            transducer=toml.choice(table, "transducer", TRANSDUCERS, place=place),
            age_weeks=toml.pair(table, "age_weeks", place=place, unit="weeks"),
            offset_db=_db(toml, table, "offset_db", place, "dB", -largest, largest),
            prediction_sd_db=toml.number(
                table, "prediction_sd_db", place=place, above=0.0, unit="dB"
            ),
            source=toml.text(table, "source", place=place),
            status=_status(toml, table, place),
        )
        for earlier, other in enumerate(rows, start=1):
            (first, last), (other_first, other_last) = row.age_weeks, other.age_weeks
            if _case(row) == _case(other) and first < other_last and other_first < last:
                raise toml.fail(
                    f"{place}: serves ages that ehl_offset {earlier} serves, {_words(row)}: "
                    f"{first:g} to {last:g} and {other_first:g} to {other_last:g} weeks"
                )
        rows.append(row)
    return tuple(rows)


def _check(toml: TomlFile, table: Table, keys: tuple[str, ...], place: str) -> None:
    toml.check_keys(table, keys, place=place)
    for key in keys:
        if key not in table and key not in _OPTIONAL:
            raise toml.fail(f"'{place}.{key}' is missing")


def _frequency(toml: TomlFile, table: Table, place: str) -> float | None:
    frequency_hz = toml.number(table, "frequency_hz", place=place, above=0.0, unit="Hz")
    if frequency_hz is None and table["stimulus"] in _TONAL:
        raise toml.fail(f"'{place}.frequency_hz' is missing; a {table['stimulus']} has one")
    return frequency_hz


def _db(
    toml: TomlFile,
    table: Table,
    key: str,
    place: str,
    unit: str,
    least: float,
    most: float,
    *,
    above: bool = False,
) -> float:
    """Return a level or a difference of levels that is possible."""
    value = toml.number(table, key, place=place, above=least if above else -math.inf, unit=unit)
    assert value is not None  # the key is there
    if not least <= value <= most:
        raise toml.fail(
            f"'{place}.{key}' is {value:g} {unit}; it must be from {least:g} to {most:g}"
        )
    return value


def _case(row: Discharge | EhlOffset) -> tuple[str, float | None, str]:
    return row.stimulus, row.frequency_hz, row.transducer


def _words(row: Discharge | EhlOffset) -> str:
    frequency = "" if row.frequency_hz is None else f" {row.frequency_hz:g} Hz,"
    return f"{row.stimulus},{frequency} {row.transducer}"
