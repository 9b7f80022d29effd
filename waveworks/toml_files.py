"""Reading a TOML file of known keys; every fault becomes one plain line that names file and key."""

import hashlib
import math
import tomllib
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any, Self

from waveworks.errors import WaveworksError

Table = Mapping[str, Any]

_LONGEST = 80

_LARGEST = 10**300
"""A whole number above this is no quantity, and soon no float."""


def quoted(value: object) -> str:
    """Return a value for an error line: on one line, without control characters, shortened.

    Parameters
    ----------
    value : object
        What a file said.

    Returns
    -------
    str
        In quotes if it is text.
    """
    try:
        text = ascii(value) if not str(value).isprintable() else repr(value)
    except ValueError:  # a whole number of thousands of digits
        return "a number that is too large"
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


class TomlFile:
    """The parsed tables of one TOML file, asked for key by key.

    Parameters
    ----------
    data : bytes
        The file's bytes, UTF-8.
    name : str
        What to call the file in an error.
    error : type of WaveworksError
        What to raise.

    Raises
    ------
    WaveworksError
        Of the type `error`, if the bytes are not TOML.
    """

    def __init__(self, data: bytes, *, name: str, error: type[WaveworksError]) -> None:
        self._error = error
        self.name = name
        self.sha256 = hashlib.sha256(data).hexdigest()
        try:
            self.root: Table = tomllib.loads(data.decode("utf-8-sig"))
        except UnicodeDecodeError as fault:
            raise error(f"{name}: byte {fault.start + 1} is not UTF-8 text") from None
        except ValueError as fault:  # TOMLDecodeError, or a whole number of thousands of digits
            raise error(f"{name}: not valid TOML: {fault}") from None

    @classmethod
    def read(cls, path: Path, *, name: str | None, error: type[WaveworksError]) -> Self:
        """Return the parsed tables of a file.

        Parameters
        ----------
        path : Path
            A TOML file.
        name : str or None
            What to call it in an error; None is the path itself.
        error : type of WaveworksError
            What to raise.

        Returns
        -------
        TomlFile

        Raises
        ------
        WaveworksError
            Of the type `error`, if the file cannot be read or is not TOML.
        """
        name = str(path) if name is None else name
        try:
            data = path.read_bytes()
        except OSError as fault:
            raise error(f"{name}: cannot be read: {fault.strerror}") from None
        return cls(data, name=name, error=error)

    def fail(self, message: str) -> WaveworksError:
        """Return the error for `message`, with the file's name before it.

        Parameters
        ----------
        message : str
            What is wrong.

        Returns
        -------
        WaveworksError
            To be raised by the caller.
        """
        return self._error(f"{self.name}: {message}")

    def check_keys(self, table: Table, known: Collection[str], *, place: str = "") -> None:
        """Refuse a key that nobody reads.

        Parameters
        ----------
        table : mapping
            The table to check.
        known : collection of str
            The keys that it may have.
        place : str
            Name of the table for the error; empty for the top of the file.

        Raises
        ------
        WaveworksError
            Naming the unknown key and the known ones.
        """
        for key in table:
            if key not in known:
                raise self.fail(f"unknown key {quoted(_at(place, key))}; known: {', '.join(known)}")

    def table(self, table: Table, key: str) -> Table:
        """Return a sub-table, empty where it is absent.

        Parameters
        ----------
        table : mapping
            Where to look.
        key : str
            Name of the sub-table.

        Returns
        -------
        mapping

        Raises
        ------
        WaveworksError
            If the value is not a table.
        """
        value = table.get(key, {})
        if not isinstance(value, Mapping):
            raise self.fail(f"'{key}' must be a table, [{key}]")
        return value

    def tables(self, table: Table, key: str) -> list[Table]:
        """Return an array of tables, empty where it is absent.

        Parameters
        ----------
        table : mapping
            Where to look.
        key : str
            Name of the array.

        Returns
        -------
        list of mapping

        Raises
        ------
        WaveworksError
            If the value is not an array of tables.
        """
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
            raise self.fail(f"'{key}' must be tables, each headed [[{key}]]")
        return value

    def text(self, table: Table, key: str, *, place: str = "", default: str = "") -> str:
        """Return a text value.

        Parameters
        ----------
        table : mapping
            Where to look.
        key : str
            Name of the value.
        place : str
            Name of the table for the error.
        default : str
            Used where the key is absent.

        Returns
        -------
        str

        Raises
        ------
        WaveworksError
            If the value is not text.
        """
        value = table.get(key, default)
        if not isinstance(value, str):
            raise self.fail(f"'{_at(place, key)}' is {quoted(value)}; it must be text in quotes")
        return value

    def choice(
        self,
        table: Table,
        key: str,
        allowed: Collection[str],
        *,
        place: str = "",
        default: str = "",
    ) -> str:
        """Return a text value that must be one of a few.

        Parameters
        ----------
        table : mapping
            Where to look.
        key : str
            Name of the value.
        allowed : collection of str
            The choices.
        place : str
            Name of the table for the error.
        default : str
            Used where the key is absent; it need not be one of the choices.

        Returns
        -------
        str

        Raises
        ------
        WaveworksError
            If the value is none of the choices.
        """
        if key not in table:
            return default
        value = self.text(table, key, place=place)
        if value not in allowed:
            raise self.fail(
                f"'{_at(place, key)}' is {quoted(value)}; it must be one of "
                + ", ".join(map(_named, allowed))
            )
        return value

    def choices(
        self, table: Table, key: str, allowed: Collection[str], *, place: str = ""
    ) -> tuple[str, ...]:
        """Return a list of texts that must each be one of a few, empty where it is absent.

        Parameters
        ----------
        table : mapping
            Where to look.
        key : str
            Name of the value.
        allowed : collection of str
            The choices.
        place : str
            Name of the table for the error.

        Returns
        -------
        tuple of str

        Raises
        ------
        WaveworksError
            If the value is no list, or holds something else or the same twice.
        """
        value = table.get(key, [])
        if not isinstance(value, list) or any(one not in allowed for one in value):
            raise self.fail(
                f"'{_at(place, key)}' is {quoted(value)}; it must be a list of "
                + ", ".join(map(_named, allowed))
            )
        if len(set(value)) < len(value):
            raise self.fail(f"'{_at(place, key)}' is {quoted(value)}; it holds one twice")
        return tuple(value)

    def flag(self, table: Table, key: str, *, place: str = "", default: bool) -> bool:
        """Return a value that is true or false.

        Parameters
        ----------
        table : mapping
            Where to look.
        key : str
            Name of the value.
        place : str
            Name of the table for the error.
        default : bool
            Used where the key is absent.

        Returns
        -------
        bool

        Raises
        ------
        WaveworksError
            If the value is something else.
        """
        value = table.get(key, default)
        if not isinstance(value, bool):
            raise self.fail(f"'{_at(place, key)}' is {quoted(value)}; it must be true or false")
        return value

    def number(
        self, table: Table, key: str, *, place: str = "", above: float = -math.inf, unit: str = ""
    ) -> float | None:
        """Return a finite number, None where it is absent.

        Parameters
        ----------
        table : mapping
            Where to look.
        key : str
            Name of the value.
        place : str
            Name of the table for the error.
        above : float
            The number must be larger than this.
        unit : str
            For the error.

        Returns
        -------
        float or None

        Raises
        ------
        WaveworksError
            If the value is not a finite number above the limit.
        """
        if key not in table:
            return None
        value = table[key]
        if not _is_number(value) or not math.isfinite(value):
            raise self.fail(f"'{_at(place, key)}' is {quoted(value)}; it must be a finite number")
        if not value > above:
            raise self.fail(
                f"'{_at(place, key)}' is {value:g} {unit}".rstrip()
                + f"; it must be above {above:g}"
            )
        return float(value)

    def pair(
        self, table: Table, key: str, *, place: str = "", above: float | None = None, unit: str = ""
    ) -> tuple[float, float]:
        """Return two rising numbers, of which either may be infinite.

        Parameters
        ----------
        table : mapping
            Where to look.
        key : str
            Name of the value.
        place : str
            Name of the table for the error.
        above : float, optional
            The first number must be larger than this.
        unit : str
            For the error.

        Returns
        -------
        tuple of float

        Raises
        ------
        WaveworksError
            If the key is absent or its value is not two rising numbers.
        """
        if key not in table:
            raise self.fail(f"'{_at(place, key)}' is missing")
        value = table[key]
        rising = (
            isinstance(value, list)
            and len(value) == 2
            and all(map(_is_number, value))
            and value[0] < value[1]
            and (above is None or value[0] > above)
        )
        if not rising:
            limit = "" if above is None else f" above {above:g}"
            raise self.fail(
                f"'{_at(place, key)}' is {quoted(value)}; it must be two rising numbers{limit}"
                f"{', in ' + unit if unit else ''}"
            )
        return float(value[0]), float(value[1])

    def numbers(
        self, table: Table, key: str, *, place: str = "", above: float = -math.inf, unit: str = ""
    ) -> tuple[float, ...] | None:
        """Return one or more finite numbers, None where they are absent.

        Parameters
        ----------
        table : mapping
            Where to look.
        key : str
            Name of the value.
        place : str
            Name of the table for the error.
        above : float
            Each number must be larger than this.
        unit : str
            For the error.

        Returns
        -------
        tuple of float or None

        Raises
        ------
        WaveworksError
            If the value is not a list of finite numbers above the limit.
        """
        if key not in table:
            return None
        value = table[key]
        fits = (
            isinstance(value, list)
            and value
            and all(_is_number(one) and math.isfinite(one) and one > above for one in value)
        )
        if not fits:
            limit = "" if math.isinf(above) else f" above {above:g}"
            raise self.fail(
                f"'{_at(place, key)}' is {quoted(value)}; it must be a list of finite "
                f"numbers{limit}{', in ' + unit if unit else ''}"
            )
        return tuple(map(float, value))


def _at(place: str, key: str) -> str:
    return f"{place}.{key}" if place else key


def _named(choice: str) -> str:
    return choice or "empty"


def _is_number(value: object) -> bool:
    if isinstance(value, int) and not isinstance(value, bool):
        return abs(value) < _LARGEST
    return isinstance(value, float)
