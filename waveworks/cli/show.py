"""Short tables for people, and the same as JSON."""

import json
import math
from collections.abc import Mapping, Sequence

import click

Row = Mapping[str, object]


def show_tables(tables: Mapping[str, Sequence[Row]], *, as_json: bool) -> None:
    """Print tables.

    Parameters
    ----------
    tables : mapping of str to sequence of mapping
        Rows by the table's title; every row has the same columns.
    as_json : bool
        Print one JSON object, with null for what is missing, instead of text.
    """
    if as_json:
        plain = {title: [_plain(row) for row in rows] for title, rows in tables.items()}
        click.echo(json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False))
        return
    for title, rows in tables.items():
        click.echo(f"{title}\n{_text(rows)}\n" if rows else f"{title}\n  none\n")


def show_faults(faults: Sequence[str]) -> None:
    """Print one line a fault on standard error.

    Parameters
    ----------
    faults : sequence of str
        Plain lines.
    """
    for fault in faults:
        click.echo(f"waveworks: {fault}", err=True)


def _text(rows: Sequence[Row]) -> str:
    header = [list(rows[0])]
    cells = header + [[_cell(value) for value in row.values()] for row in rows]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    lines = (
        "  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip()
        for line in cells
    )
    return "\n".join(f"  {line}" for line in lines)


def _cell(value: object) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "-"
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _plain(row: Row) -> dict[str, object]:
    return {
        column: None if isinstance(value, float) and not math.isfinite(value) else value
        for column, value in row.items()
    }
