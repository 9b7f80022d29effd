"""The cells of one row of a hand-made table, read by column; faults are collected, not raised."""

import math
from collections.abc import Collection, Mapping

from waveworks.plain_numbers import is_plain_number


class Cells:
    """The cells of one row.

    Parameters
    ----------
    cells : mapping of str to str
        Text of each column, white space stripped.
    where : str
        File and row, to begin every fault with.
    """

    def __init__(self, cells: Mapping[str, str], *, where: str) -> None:
        self._cells = cells
        self._where = where
        self.faults: list[str] = []

    def items(self) -> tuple[tuple[str, str], ...]:
        """Return every column and its text."""
        return tuple(self._cells.items())

    def fault(self, column: str, message: str) -> None:
        """Remember a fault.

        Parameters
        ----------
        column : str
            Where it is.
        message : str
            What is wrong, to follow the column's name.
        """
        self.faults.append(f"{self._where}: {column} {message}")

    def text(self, column: str, *, required: bool = False) -> str:
        """Return the text of a column, empty where it is absent.

        Parameters
        ----------
        column : str
            Its name.
        required : bool
            Whether an empty cell is a fault.

        Returns
        -------
        str
        """
        value = self._cells.get(column, "")
        if required and not value:
            self.fault(column, "is empty")
        return value

    def texts(self, column: str) -> tuple[str, ...]:
        """Return the texts of a column that are separated by ';'.

        Parameters
        ----------
        column : str
            Its name.

        Returns
        -------
        tuple of str
            Empty texts left out.
        """
        return tuple(part.strip() for part in self.text(column).split(";") if part.strip())

    def choice(self, column: str, allowed: Collection[str], *, required: bool = False) -> str:
        """Return a text that must be one of a few, or empty.

        Parameters
        ----------
        column : str
            Its name.
        allowed : collection of str
            The choices.
        required : bool
            Whether an empty cell is a fault.

        Returns
        -------
        str
        """
        value = self.text(column, required=required)
        if value and value not in allowed:
            self.fault(column, f"is '{value}'; it must be one of {', '.join(allowed)}")
        return value

    def number(
        self, column: str, *, above: float = -math.inf, at_least: float = -math.inf
    ) -> float | None:
        """Return a number, None where the cell is empty or faulty.

        Parameters
        ----------
        column : str
            Its name.
        above, at_least : float
            Limits of the number.

        Returns
        -------
        float or None
        """
        return self._number(column, self.text(column), above=above, at_least=at_least)

    def count(self, column: str, *, at_least: int, at_most: float = math.inf) -> int | None:
        """Return a whole number, None where the cell is empty or faulty.

        Parameters
        ----------
        column : str
            Its name.
        at_least : int
            The smallest number allowed.
        at_most : float
            The largest number allowed.

        Returns
        -------
        int or None
        """
        return self._count(column, self.text(column), at_least=at_least, at_most=at_most)

    def counts(self, column: str) -> tuple[int, ...]:
        """Return whole numbers of at least 1 that are separated by ';'.

        Parameters
        ----------
        column : str
            Its name.

        Returns
        -------
        tuple of int
            Faulty ones left out.
        """
        values = (self._count(column, text, at_least=1) for text in self.texts(column))
        return tuple(value for value in values if value is not None)

    def _count(
        self, column: str, text: str, *, at_least: int, at_most: float = math.inf
    ) -> int | None:
        value = self._number(column, text, at_least=at_least)
        if value is None:
            return None
        if value != int(value) or value > at_most:
            upper = "" if math.isinf(at_most) else f" to {at_most:g}"
            self.fault(column, f"is '{text}'; it must be a whole number from {at_least}{upper}")
            return None
        return int(value)

    def _number(
        self, column: str, text: str, *, above: float = -math.inf, at_least: float = -math.inf
    ) -> float | None:
        if not text:
            return None
        value = float(text) if is_plain_number(text) else math.nan
        if not math.isfinite(value):
            self.fault(column, f"is '{text}', which is not a number")
            return None
        if not value > above:
            self.fault(column, f"is '{text}'; it must be above {above:g}")
            return None
        if not value >= at_least:
            self.fault(column, f"is '{text}'; it must be at least {at_least:g}")
            return None
        return value
