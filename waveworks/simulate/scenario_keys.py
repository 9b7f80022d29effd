"""The keys of one table of a scenario, which may be given in a table above it instead."""

import math
from collections.abc import Collection
from typing import Any

from waveworks.errors import WaveworksError
from waveworks.toml_files import Table, TomlFile, quoted


class Keys:
    """The values of a table; what it leaves out is taken from the tables above it.

    Parameters
    ----------
    toml : TomlFile
        The file, which words the errors.
    *layers : tuple of (mapping, str)
        The table and its place in the file, then the tables above it and theirs.
    """

    def __init__(self, toml: TomlFile, *layers: tuple[Table, str]) -> None:
        self._toml = toml
        self._layers = layers

    def has(self, key: str) -> bool:
        """Tell whether a key is given.

        Parameters
        ----------
        key : str
            Its name.

        Returns
        -------
        bool
        """
        return any(key in table for table, _ in self._layers)

    def text(self, key: str, *, default: str | None = "") -> str:
        """Return a text.

        Parameters
        ----------
        key : str
            Its name.
        default : str or None
            Used where it is not given; None: it must be.

        Returns
        -------
        str

        Raises
        ------
        WaveworksError
            If it is no text, or missing.
        """
        table, place = self._layer(key, needed=default is None)
        return self._toml.text(table, key, place=place, default=default or "")

    def choice(self, key: str, allowed: Collection[str], *, default: str | None = None) -> str:
        """Return a text that must be one of a few.

        Parameters
        ----------
        key : str
            Its name.
        allowed : collection of str
            The choices.
        default : str, optional
            Used where it is not given; None: it must be.

        Returns
        -------
        str

        Raises
        ------
        WaveworksError
            If it is none of the choices, or missing.
        """
        table, place = self._layer(key, needed=default is None)
        return self._toml.choice(table, key, allowed, place=place, default=default or "")

    def choices(self, key: str, allowed: Collection[str]) -> tuple[str, ...]:
        """Return any number of texts, each one of a few.

        Parameters
        ----------
        key : str
            Its name.
        allowed : collection of str
            The choices.

        Returns
        -------
        tuple of str
            Empty where it is not given.

        Raises
        ------
        WaveworksError
            If it is no list, or holds what is none of the choices.
        """
        value = self._value(key, [])
        if not isinstance(value, list) or any(one not in allowed for one in value):
            raise self.fault(
                key, f"is {quoted(value)}; it must be a list of some of {', '.join(allowed)}"
            )
        return tuple(value)

    def flag(self, key: str) -> bool:
        """Return true or false.

        Parameters
        ----------
        key : str
            Its name.

        Returns
        -------
        bool
            False where it is not given.

        Raises
        ------
        WaveworksError
            If it is neither.
        """
        value = self._value(key, False)
        if not isinstance(value, bool):
            raise self.fault(key, f"is {quoted(value)}; it must be true or false")
        return value

    def number(
        self, key: str, low: float, high: float, *, unit: str = "", default: float | None = None
    ) -> float:
        """Return a number between two limits, both allowed.

        Parameters
        ----------
        key : str
            Its name.
        low, high : float
            The limits.
        unit : str
            For the error.
        default : float, optional
            Used where it is not given; None: it must be.

        Returns
        -------
        float

        Raises
        ------
        WaveworksError
            If it is no number within the limits, or missing.
        """
        self._layer(key, needed=default is None)
        return self._within(key, self._value(key, default), low, high, unit)

    def optional_number(self, key: str, low: float, high: float, *, unit: str = "") -> float | None:
        """Return a number between two limits, None where it is not given.

        Parameters
        ----------
        key : str
            Its name.
        low, high : float
            The limits, both allowed.
        unit : str
            For the error.

        Returns
        -------
        float or None

        Raises
        ------
        WaveworksError
            If it is no number within the limits.
        """
        return self.number(key, low, high, unit=unit) if self.has(key) else None

    def number_or_none(
        self, key: str, low: float, high: float, *, unit: str = ""
    ) -> float | str | None:
        """Return a number between two limits or the word 'none', None where it is not given.

        Parameters
        ----------
        key : str
            Its name.
        low, high : float
            The limits, both allowed.
        unit : str
            For the error.

        Returns
        -------
        float, 'none' or None

        Raises
        ------
        WaveworksError
            If it is neither.
        """
        if isinstance(value := self._value(key, None), str):
            if value != "none":
                raise self.fault(key, f"is {quoted(value)}; it must be a number or 'none'")
            return value
        return self.optional_number(key, low, high, unit=unit)

    def pair(
        self, key: str, low: float, high: float, *, default: tuple[float, float]
    ) -> tuple[float, float]:
        """Return two numbers between two limits, in any order.

        Parameters
        ----------
        key : str
            Its name.
        low, high : float
            The limits, both allowed.
        default : tuple of float
            Used where it is not given.

        Returns
        -------
        tuple of float

        Raises
        ------
        WaveworksError
            If it is no list of two such numbers.
        """
        value = self._value(key, list(default))
        if not isinstance(value, list) or len(value) != 2:
            raise self.fault(key, f"is {quoted(value)}; it must be two numbers, [first, last]")
        first, last = (self._within(key, one, low, high, "") for one in value)
        return first, last

    def whole(self, key: str, low: int, high: int, *, default: int | None = None) -> int:
        """Return a whole number between two limits, both allowed.

        Parameters
        ----------
        key : str
            Its name.
        low, high : int
            The limits.
        default : int, optional
            Used where it is not given; None: it must be.

        Returns
        -------
        int

        Raises
        ------
        WaveworksError
            If it is no such number, or missing.
        """
        self._layer(key, needed=default is None)
        value = self._value(key, default)
        if not _is_whole(value, low, high):
            raise self.fault(
                key, f"is {quoted(value)}; it must be a whole number from {low} to {high}"
            )
        return int(value)

    def whole_numbers(self, key: str, low: int, high: int) -> tuple[int, ...]:
        """Return a list of whole numbers between two limits, both allowed.

        Parameters
        ----------
        key : str
            Its name.
        low, high : int
            The limits.

        Returns
        -------
        tuple of int

        Raises
        ------
        WaveworksError
            If it is no list, or holds anything else.
        """
        value = self._value(key, [])
        if not isinstance(value, list) or not all(_is_whole(one, low, high) for one in value):
            raise self.fault(
                key, f"is {quoted(value)}; it must be a list of whole numbers from {low} to {high}"
            )
        return tuple(value)

    def fault(self, key: str, message: str) -> WaveworksError:
        """Return the error for a key.

        Parameters
        ----------
        key : str
            Its name.
        message : str
            What is wrong, to follow the key.

        Returns
        -------
        WaveworksError
            To be raised by the caller.
        """
        _, place = self._layer(key)
        return self._toml.fail(f"'{f'{place}.' if place else ''}{key}' {message}")

    def _value(self, key: str, default: object) -> Any:
        return self._layer(key)[0].get(key, default)

    def _layer(self, key: str, *, needed: bool = False) -> tuple[Table, str]:
        """Return the nearest table that has the key, else the nearest."""
        for table, place in self._layers:
            if key in table:
                return table, place
        if needed:
            raise self.fault(key, "is missing")
        return self._layers[0]

    def _within(self, key: str, value: object, low: float, high: float, unit: str) -> float:
        # Compared before anything else: this refuses not-a-number and a whole number of any size.
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if not (is_number and low <= value <= high):  # type: ignore[operator]
            ends = f"at least {low:g}" if math.isinf(high) else f"from {low:g} to {high:g}"
            raise self.fault(
                key, f"is {quoted(value)}; it must be a number {ends}{f' {unit}' if unit else ''}"
            )
        return float(value)  # type: ignore[arg-type]


def _is_whole(value: object, low: int, high: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and low <= value <= high
