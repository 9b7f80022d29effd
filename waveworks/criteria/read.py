"""Criteria files: TOML, every key known, every clause complete."""

from importlib.resources import files
from pathlib import Path

from waveworks.criteria.model import Clause, Criteria
from waveworks.errors import SettingsError
from waveworks.toml_files import Table, TomlFile, quoted

SCOPES = ("each trace", "combined")
_COMBINED = ("combined",)
QUANTITIES = {
    "rn_nv": ("<=", "nV", SCOPES),
    "gap_nv": ("<=", "nV", _COMBINED),
    "v_sn10_nv": (">=", "nV", SCOPES),
    "v_sn10_corrected_nv": (">=", "nV", _COMBINED),
    "v_sn10_gap_ratio": (">=", "", _COMBINED),
    "fmp": (">=", "", _COMBINED),
    "n_sweeps": (">=", "sweeps", SCOPES),
}
"""What can be limited: on which side, in which unit, of which trace."""

STATUSES = ("common practice, no source", "from memory", "own choice")
PUBLISHED = "published in "

_TOP_KEYS = ("name", "version", "clause")
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
)


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
    if not name:
        raise toml.fail(f"'{place}.id' is empty")
    place = f"clause {number} ({quoted(name)[1:-1]})"
    quantity = toml.choice(table, "quantity", QUANTITIES, place=place)
    operator, unit, scopes = QUANTITIES[quantity]
    toml.choice(table, "operator", (operator,), place=place)
    toml.choice(table, "unit", (unit,), place=place)
    value = toml.number(table, "value", place=place, above=0.0, unit=unit)
    assert value is not None  # the key is there
    status = toml.text(table, "status", place=place)
    published = status.startswith(PUBLISHED) and status.removeprefix(PUBLISHED).strip()
    if status not in STATUSES and not published:
        raise toml.fail(
            f"'{place}.status' is {quoted(status)}; it must be one of {', '.join(STATUSES)}, "
            f"{PUBLISHED}..."
        )
    return Clause(
        id=name,
        quantity=quantity,
        scope=toml.choice(table, "scope", scopes, place=place),
        operator=operator,
        value=value,
        unit=unit,
        meaning=toml.text(table, "meaning", place=place),
        source=toml.text(table, "source", place=place),
        status=status,
    )
