"""Tables as CSV that a spreadsheet opens safely and a program reads exactly."""

import csv
import io
import json
import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from waveworks.plain_numbers import is_plain_number

# A text cell that begins with one of these would run as a formula in a spreadsheet.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\n")


def table_text(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a table as CSV text.

    Parameters
    ----------
    columns : sequence of str
        The header.
    rows : iterable of sequence
        The cells; None and NaN become empty cells, floats keep ten significant digits, and
        text that a spreadsheet would run as a formula gets an apostrophe before it.

    Returns
    -------
    str
        Comma-separated, a header row first, lines ended by a line feed.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([cell_text(column) for column in columns])
    for row in rows:
        writer.writerow([cell_text(cell) for cell in row])
    return buffer.getvalue()


def cell_text(value: object) -> str:
    """Return one cell as text.

    Parameters
    ----------
    value : object
        A number, a text, None or NaN.

    Returns
    -------
    str
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.10g}"
    # A lone carriage return would end the row for some readers.
    text = str(value).replace("\r\n", "\n").replace("\r", "\n")
    # A sign alone, such as the relation of a threshold, is no formula.
    harmless = len(text) < 2 or not text.startswith(_FORMULA_STARTS) or is_plain_number(text)
    return text if harmless else f"'{text}"


def write_json(path: Path, content: dict[str, Any]) -> None:
    """Write strict JSON, in which NaN and infinity do not exist.

    Parameters
    ----------
    path : Path
        The file; it is overwritten.
    content : dict
        Of plain JSON values.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(f"{text}\n", encoding="utf-8", newline="")
