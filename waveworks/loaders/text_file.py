"""Opening a text file: its bytes are decoded and the lines above its data taken off."""

import csv
from typing import NoReturn

from waveworks.errors import LoadError
from waveworks.loaders.text_table import TextTable, split_cells


def open_table(
    data: bytes,
    *,
    name: str,
    encoding: str = "utf-8",
    separator: str = ",",
    decimal: str = ".",
    skip_lines: int = 0,
    header: bool = True,
    names: tuple[str, ...] = (),
) -> TextTable:
    """Decode a file and take off the lines above its data.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        What to call it in an error.
    encoding : str
        Of the text; a byte order mark of UTF-8 is skipped.
    separator, decimal : str
        One character each.
    skip_lines : int
        Lines above the header.
    header : bool
        Whether a row of names comes before the data.
    names : tuple of str
        Of the columns of a file without header; empty for numbers from 1.

    Returns
    -------
    TextTable

    Raises
    ------
    LoadError
        If the bytes are not text of that encoding, or the file ends before its data.
    """
    text = _decoded(data, name=name, encoding=encoding)
    start = 0
    for _ in range(skip_lines):
        start = text.find("\n", start) + 1
        if not start:
            n_lines = text.count("\n")
            raise LoadError(
                f"{name}: {n_lines} lines in the file; the first {skip_lines} are to be skipped"
            )
    text = text[start:]
    if not text or text.isspace():
        raise LoadError(f"{name}: no data row" if skip_lines else f"{name}: the file is empty")
    stop = text.find("\n") + 1
    first_line = text[:stop] if header else text.lstrip("\n").partition("\n")[0]
    try:
        cells = split_cells(first_line, separator)
    except csv.Error as fault:
        raise LoadError(f"{name}: row {skip_lines + 1}: {fault}") from None
    if not header:
        if names and len(names) != len(cells):
            raise LoadError(
                f"{name}: row {skip_lines + 1}: {len(cells)} cells; the description names "
                f"{len(names)} columns"
            )
        names = names or tuple(str(number) for number in range(1, len(cells) + 1))
        return TextTable(name, names, text, skip_lines + 1, separator, decimal)
    return TextTable(name, cells, text[stop:], skip_lines + 2, separator, decimal)


def _decoded(data: bytes, *, name: str, encoding: str) -> str:
    """Return the text with plain line feeds, the last line ended too."""
    try:
        text = data.decode("utf-8-sig" if encoding.lower() in ("utf-8", "utf8") else encoding)
    except UnicodeDecodeError as fault:
        _not_text(data, fault, name=name, encoding=encoding)
    except UnicodeError:
        raise LoadError(f"{name}: not {encoding.upper()} text") from None
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    nul = text.find("\0")
    if nul >= 0:
        row = text.count("\n", 0, nul) + 1
        raise LoadError(f"{name}: row {row}: a NUL byte; not text")
    return text if text.endswith("\n") else text + "\n"


def _not_text(data: bytes, fault: UnicodeDecodeError, *, name: str, encoding: str) -> NoReturn:
    # The decoder of a byte order mark counts from behind the mark.
    position = fault.start + len(data) - len(fault.object)
    row = data.count(b"\n", 0, position) + 1
    raise LoadError(
        f"{name}: row {row}: byte {data[position]:#04x} is not {encoding.upper()} text"
    ) from None
