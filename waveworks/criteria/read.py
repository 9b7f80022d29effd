"""Criteria files: TOML, every key known, every clause complete."""

from importlib.resources import files
from pathlib import Path

from waveworks.criteria.model import Clause, Criteria
from waveworks.errors import SettingsError
from waveworks.toml_files import Table, TomlFile

UNITS = {
    "rn_nv": "nV",
    "gap_nv": "nV",
    "v_sn10_nv": "nV",
    "v_sn10_gap_ratio": "",
    "fmp": "",
    "n_sweeps": "sweeps",
}
"""What can be limited, and its unit."""

OPERATORS = ("<=", ">=")
STATUSES = ("published in ", "common practice, no source", "from memory", "own choice")

_TOP_KEYS = ("name", "version", "clause")
_CLAUSE_KEYS = ("id", "quantity", "operator", "value", "unit", "meaning", "source", "status")


def default_criteria() -> Criteria:
    """Return the example set that the package ships.

    Returns
    -------
    Criteria
        An example, not any body's protocol.
    """
    data = files("waveworks.criteria").joinpath("example.toml").read_bytes()
    return _parse(TomlFile(data, name="example.toml", error=SettingsError))


def read_criteria(path: Path, *, name: str | None = None) -> Criteria:
    """Return the criteria of a file.

    Parameters
    ----------
    path : Path
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
    return _parse(TomlFile.read(path, name=name, error=SettingsError))


def _parse(toml: TomlFile) -> Criteria:
    toml.check_keys(toml.root, _TOP_KEYS)
    clauses = tuple(
        _clause(toml, table, number)
        for number, table in enumerate(toml.tables(toml.root, "clause"), start=1)
    )
    ids = [clause.id for clause in clauses]
    for number, one in enumerate(ids, start=1):
        if one in ids[: number - 1]:
            raise toml.fail(f"clause {number}: a second clause '{one}'")
    return Criteria(
        name=toml.text(toml.root, "name", default=toml.name),
        version=toml.text(toml.root, "version"),
        sha256=toml.sha256,
        clauses=clauses,
    )


def _clause(toml: TomlFile, table: Table, number: int) -> Clause:
    place = f"clause {number}"
    toml.check_keys(table, _CLAUSE_KEYS, place=place)
    for key in _CLAUSE_KEYS:
        if key not in table and key != "source":
            raise toml.fail(f"'{place}.{key}' is missing")
    name = toml.text(table, "id", place=place)
    place = f"clause '{name}'"
    if not name:
        raise toml.fail(f"'clause {number}.id' is empty")
    quantity = toml.choice(table, "quantity", UNITS, place=place)
    unit = toml.text(table, "unit", place=place)
    if unit != UNITS[quantity]:
        raise toml.fail(f"'{place}.unit' is '{unit}'; {quantity} is in '{UNITS[quantity]}'")
    value = toml.number(table, "value", place=place, above=0.0, unit=unit)
    assert value is not None  # the key is there
    status = toml.text(table, "status", place=place)
    if not any(status.startswith(known) for known in STATUSES):
        raise toml.fail(
            f"'{place}.status' is '{status}'; it must be one of {'..., '.join(STATUSES)}"
        )
    return Clause(
        id=name,
        quantity=quantity,
        operator=toml.choice(table, "operator", OPERATORS, place=place),
        value=value,
        unit=unit,
        meaning=toml.text(table, "meaning", place=place),
        source=toml.text(table, "source", place=place),
        status=status,
    )
