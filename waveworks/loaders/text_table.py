"""The one parser of separated text: numbers at full precision, faults named by row and column.

A fast pass reads what is as it should be. Whatever it refuses is read again cell by cell, which
either names the exact fault or shows that there is none.
"""

import csv
import io
import re
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import LoadError
from waveworks.plain_numbers import is_plain_number

FloatArray = NDArray[np.float64]

# Python also reads '1_000' and digits of other scripts as numbers; a table of amplitudes must not.
_NOT_FINITE = ("nan", "inf", "infinity")


@dataclass(frozen=True, eq=False)
class TableCells:
    """The cells below the header.

    Parameters
    ----------
    numbers : ndarray, shape (n_rows, n_number_columns)
        The columns of numbers, in the order of the file.
    number_columns : tuple of int
        Which columns these are, from 0.
    texts : dict of int to tuple of str
        The columns of text, white space stripped.
    flags : tuple of str or None
        The cells of the row set apart by its first cell; None where there is no such row.
    flags_row : int
        Line of the file that holds them; 0 where there is no such row.
    """

    numbers: FloatArray
    number_columns: tuple[int, ...]
    texts: dict[int, tuple[str, ...]]
    flags: tuple[str, ...] | None = None
    flags_row: int = 0

    def column(self, column: int) -> FloatArray:
        """Return one column of numbers.

        Parameters
        ----------
        column : int
            From 0.

        Returns
        -------
        ndarray, shape (n_rows,)
        """
        return self.numbers[:, self.number_columns.index(column)]

    def columns(self, columns: Collection[int]) -> FloatArray:
        """Return some of the columns of numbers.

        Parameters
        ----------
        columns : collection of int
            From 0, in the order wanted.

        Returns
        -------
        ndarray, shape (n_rows, n_columns)
        """
        places = {column: place for place, column in enumerate(self.number_columns)}
        return self.numbers[:, [places[column] for column in columns]]


@dataclass(frozen=True)
class TextTable:
    """A table of separated text with its header taken off.

    Parameters
    ----------
    name : str
        The file to name in an error.
    names : tuple of str
        Of the columns; numbers from 1 where the file has no header.
    body : str
        The lines below the header; every line ends in one line feed.
    first_row : int
        Line of the file, from 1, at which the body begins.
    separator : str
        One character between the cells.
    decimal : str
        The decimal sign.
    """

    name: str
    names: tuple[str, ...]
    body: str
    first_row: int
    separator: str = ","
    decimal: str = "."

    def at(self, row: int, column: int) -> str:
        """Return the place of a cell, to begin an error with.

        Parameters
        ----------
        row : int
            Line of the file, from 1.
        column : int
            From 0.

        Returns
        -------
        str
        """
        number, label = str(column + 1), self.names[column]
        called = "" if label in ("", number) else f" ('{label}')"
        return f"{self.name}: row {row}, column {number}{called}"

    def number(self, text: str, *, row: int, column: int) -> float:
        """Return the number that a cell holds.

        Parameters
        ----------
        text : str
            The cell.
        row : int
            Its line of the file, from 1.
        column : int
            Its column, from 0.

        Returns
        -------
        float

        Raises
        ------
        LoadError
            If it is empty, not a number or not finite.
        """
        text = text.strip()
        where = self.at(row, column)
        if not text:
            raise LoadError(f"{where}: the cell is empty; a number is needed")
        if text.lower().lstrip("+-") in _NOT_FINITE:
            raise LoadError(f"{where}: '{text}' is not a finite number")
        plain = text
        if self.decimal != ".":
            plain = text.replace(".", "?").replace(self.decimal, ".")
        if not is_plain_number(plain):
            raise LoadError(f"{where}: '{text}' is not a number")
        value = float(plain)
        if not np.isfinite(value):
            raise LoadError(f"{where}: '{text}' is too large to be a finite number")
        return value

    def scaled(self, values: FloatArray, factor: float) -> FloatArray:
        """Return numbers of the table in another unit.

        Parameters
        ----------
        values : ndarray
            Finite numbers.
        factor : float
            To multiply them by.

        Returns
        -------
        ndarray

        Raises
        ------
        LoadError
            If one becomes too large to be a finite number.
        """
        with np.errstate(over="ignore"):
            scaled: FloatArray = values * factor
        if not np.isfinite(scaled).all():
            raise LoadError(
                f"{self.name}: {np.abs(values).max():g} times {factor:g} is too large to be a "
                "finite number; is the unit right?"
            )
        return scaled

    def row_of(self, index: int) -> int:
        """Return the line of the file that holds a data row.

        Parameters
        ----------
        index : int
            Of the row among all rows that are not blank, from 0.

        Returns
        -------
        int
        """
        for position, (row, _) in enumerate(self._rows()):
            if position == index:
                return row
        raise IndexError(index)

    def cells(self, *, text_columns: Collection[int] = (), flag_word: str = "") -> TableCells:
        """Read the table.

        Parameters
        ----------
        text_columns : collection of int
            Columns, from 0, that hold text; all others must hold finite numbers.
        flag_word : str
            A row whose first cell is this word is handed back apart; empty for none.

        Returns
        -------
        TableCells

        Raises
        ------
        LoadError
            If there is no data row, a row is too short or too long, or a cell is not a number.
        """
        cells = self._fast(frozenset(text_columns), flag_word)
        return self._exact(frozenset(text_columns), flag_word) if cells is None else cells

    def _fast(self, text_columns: frozenset[int], flag_word: str) -> TableCells | None:
        import pandas as pd

        body, flags, flags_row = self.body, None, 0
        found = body.find(flag_word) if flag_word else -1
        if found >= 0:
            start, stop = body.rfind("\n", 0, found) + 1, body.find("\n", found) + 1
            try:
                flags = split_cells(body[start:stop], self.separator)
            except csv.Error:
                return None
            if flags[0] != flag_word or len(flags) != len(self.names):
                return None
            flags_row = self.first_row + body.count("\n", 0, start)
            body = body[:start] + body[stop:]
        if '"' in body and '"' in self._without_quoted_cells(body):
            # A quote anywhere else is read more leniently by the fast pass: it may swallow rows.
            return None
        try:
            frame = pd.read_csv(
                io.BytesIO(body.encode()),
                header=None,
                sep=self.separator,
                decimal=self.decimal,
                # Numbers are left to find their type: asked for floats, pandas makes 1 of 'True'.
                dtype=dict.fromkeys(text_columns, object),
                engine="c",
                na_filter=False,
                low_memory=False,
                **_exact_precision(pd.__version__),
            )
        except (ValueError, OverflowError):
            return None
        if frame.shape[1] != len(self.names):
            return None
        number_columns = tuple(n for n in range(len(self.names)) if n not in text_columns)
        table = frame[list(number_columns)] if text_columns else frame
        if not all(dtype.kind in "iuf" for dtype in table.dtypes):
            return None
        numbers = table.to_numpy(np.float64)
        if not np.isfinite(numbers).all():
            return None
        texts = {column: _clean(frame[column]) for column in text_columns}
        if "" in texts.get(len(self.names) - 1, ()):
            # An empty last cell may also mean a row that is too short.
            return None
        return TableCells(numbers, number_columns, texts, flags, flags_row)

    def _exact(self, text_columns: frozenset[int], flag_word: str) -> TableCells:
        number_columns = tuple(n for n in range(len(self.names)) if n not in text_columns)
        numbers: list[list[float]] = []
        texts: dict[int, list[str]] = {column: [] for column in text_columns}
        flags, flags_row = None, 0
        for row, cells in self._rows():
            if len(cells) != len(self.names):
                raise LoadError(
                    f"{self.name}: row {row}: {len(cells)} cells; {len(self.names)} are needed, "
                    "one for each column"
                )
            if flag_word and cells[0].strip() == flag_word:
                if flags is not None:
                    raise LoadError(f"{self.name}: row {row}: a second row '{flag_word}'")
                flags, flags_row = _clean(cells), row
                continue
            numbers.append([self.number(cells[n], row=row, column=n) for n in number_columns])
            for column in text_columns:
                texts[column].append(cells[column].strip())
        if not numbers:
            raise LoadError(f"{self.name}: no data row")
        return TableCells(
            np.array(numbers, dtype=np.float64).reshape(len(numbers), len(number_columns)),
            number_columns,
            {column: tuple(values) for column, values in texts.items()},
            flags,
            flags_row,
        )

    def _rows(self) -> Iterator[tuple[int, list[str]]]:
        """Yield the line and the cells of every row that is not blank."""
        reader = csv.reader(io.StringIO(self.body), delimiter=self.separator, strict=True)
        while True:
            row = self.first_row + reader.line_num
            try:
                cells = next(reader)
            except StopIteration:
                return
            except csv.Error as fault:
                raise LoadError(f"{self.name}: row {row}: {fault}") from None
            if self.first_row + reader.line_num > row + 1:
                # A stray quote looks just like this, and the rows in it would be lost.
                raise LoadError(
                    f"{self.name}: row {row}: a cell in quotes runs on into row {row + 1}"
                )
            if len(cells) > 1 or (cells and cells[0].strip()):
                yield row, cells

    def _without_quoted_cells(self, body: str) -> str:
        sign = re.escape(self.separator)
        cell = rf'(?:^|(?<={sign}))"[^"\n]*"(?={sign}|$)'
        return re.sub(cell, "", body, flags=re.MULTILINE)


def _exact_precision(pandas_version: str) -> dict[str, Any]:
    """Return what makes pandas read the nearest float.

    Before 3.1 its default may miss it by one unit in the last place; since then the default is
    exact and the option is deprecated.
    """
    major, minor = (int(part) for part in pandas_version.split(".")[:2])
    return {} if (major, minor) >= (3, 1) else {"float_precision": "round_trip"}


def split_cells(line: str, separator: str) -> tuple[str, ...]:
    """Return the cells of one line.

    Parameters
    ----------
    line : str
        The line.
    separator : str
        One character.

    Returns
    -------
    tuple of str
        White space stripped.

    Raises
    ------
    csv.Error
        If a quote is not closed or stands inside a cell.
    """
    return _clean(next(csv.reader([line], delimiter=separator, strict=True), []))


def _clean(cells: Iterable[str]) -> tuple[str, ...]:
    return tuple(cell.strip() for cell in cells)
