"""The frame of a picture: title and key above the axes, ticks, labels and words below."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import cast

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator, NullLocator
from matplotlib.transforms import Affine2DBase, ScaledTranslation

from waveworks.plots.style import Look, new_axes
from waveworks.plots.text import (
    FONT,
    INK,
    NORMAL_PT,
    SMALL_PT,
    fitted,
    short,
    text_width_pt,
    wrapped,
    write,
)

_ROW_PT = 10.5
_SAMPLE_PT = 19.0
_GAP_PT = 12.0
_AXIS_LABELS_PT = 31.0
_MOST_KEY_LETTERS = 90
_MOST_TITLE_LETTERS = 100


@dataclass(frozen=True)
class Entry:
    """What one kind of line or marker means.

    Parameters
    ----------
    label : str
        In words.
    look : mapping
        Properties of the line that shows it.
    """

    label: str
    look: Look


@dataclass(frozen=True)
class Frame:
    """What stands around the axes.

    Parameters
    ----------
    x_label, y_label : str
        Of the axes; empty is none.
    title : str
        Any text; shortened to its place.
    key : tuple of Entry
        In rows above the axes, where it covers nothing.
    notes : tuple of str
        Sentences below the axes.
    left_in, right_in : float
        Margins in inches.
    """

    x_label: str
    y_label: str = ""
    title: str = ""
    key: tuple[Entry, ...] = ()
    notes: tuple[str, ...] = field(default=())
    left_in: float = 0.76
    right_in: float = 0.2


def framed(ax: Axes | None, size_in: tuple[float, float], frame: Frame) -> Axes:
    """Put the frame around the axes, or around the axes of a new figure.

    Parameters
    ----------
    ax : Axes or None
        None makes a figure.
    size_in : tuple of float
        Width and height of new axes in inches.
    frame : Frame
        What to write.

    Returns
    -------
    Axes
    """
    # Given axes have neighbours: nothing reaches beyond their sides.
    left_in, right_in = (frame.left_in, frame.right_in) if ax is None else (0.0, 0.0)
    wide_in = size_in[0] if ax is None else width_in(ax)
    room_pt = 72 * (wide_in + left_in + right_in) - 6
    rows = _key_rows(frame.key, room_pt)
    lines = wrapped(" ".join(note for note in frame.notes if note), room_pt)
    title = fitted(frame.title, room_pt, NORMAL_PT, most=_MOST_TITLE_LETTERS)
    if ax is None:
        ax = new_axes(
            *size_in,
            left_in=frame.left_in,
            right_in=frame.right_in,
            top_in=(6 + (len(rows) + bool(title)) * _ROW_PT) / 72 + 0.08,
            bottom_in=(_AXIS_LABELS_PT + len(lines) * _ROW_PT) / 72 + 0.05,
        )
    _plain(ax)
    left_pt = 4 - 72 * left_in
    if title:
        top = 6 + len(rows) * _ROW_PT
        write(
            ax, title, (0, 1), coords="axes fraction", offset_pt=(left_pt, top), size_pt=NORMAL_PT
        )
    for number, row in enumerate(rows):
        _draw_row(ax, row, left_pt, 6 + (len(rows) - 1 - number) * _ROW_PT)
    if lines:
        below = (left_pt, -_AXIS_LABELS_PT)
        write(ax, "\n".join(lines), (0, 0), coords="axes fraction", offset_pt=below, va="top")
    words: Look = {"family": FONT, "fontsize": NORMAL_PT, "color": INK, "parse_math": False}
    if frame.x_label:
        ax.set_xlabel(frame.x_label, labelpad=3, **words)
    if frame.y_label:
        ax.set_ylabel(frame.y_label, labelpad=3, **words)
    return ax


def linear_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers between two limits.

    Parameters
    ----------
    low, high : float
        The limits.
    most : int
        How many intervals at most.

    Returns
    -------
    list of float
    """
    ticks = MaxNLocator(most, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    slack = 1e-9 * (high - low)
    return [float(f"{tick:.12g}") for tick in ticks if low - slack <= tick <= high + slack]


def log_ticks(low: float, high: float) -> list[float]:
    """Return numbers that start with 1, 2 or 5 between two limits; decades where they are many.

    Parameters
    ----------
    low, high : float
        The limits, above zero.

    Returns
    -------
    list of float
        Round numbers at even distances where fewer than two start with 1, 2 or 5.
    """
    decades = np.arange(np.floor(np.log10(low)), np.ceil(np.log10(high)) + 1)
    for leading in ((1, 2, 5), (1, 3), (1,)):
        ticks = [float(f"{digit}e{int(d)}") for d in decades for digit in leading]
        ticks = [tick for tick in ticks if low <= tick <= high]
        if len(ticks) <= 6:
            break
    stride = 1 + (len(ticks) - 1) // 6
    return ticks[::stride] if len(ticks) >= 2 else linear_ticks(low, high, 3)


def set_ticks(
    ax: Axes, *, x: Sequence[float] | None = None, y: Sequence[float] | None = None
) -> None:
    """Give an axis a few ticks with plain numbers; an empty sequence is none.

    Parameters
    ----------
    ax : Axes
        To draw in.
    x, y : sequence of float, optional
        Where.
    """
    for axis, ticks in ((ax.xaxis, x), (ax.yaxis, y)):
        if ticks is not None:
            labels = [short(tick) for tick in ticks]
            axis.set_minor_locator(NullLocator())
            axis.set_ticks(list(ticks), labels)


def say(ax: Axes, words: str) -> None:
    """Write why there is nothing to see into the middle of the axes.

    Parameters
    ----------
    ax : Axes
        Of a picture without data.
    words : str
        Our own.
    """
    lines = wrapped(words, 72 * width_in(ax) - 8)
    write(ax, "\n".join(lines), (0.5, 0.5), coords="axes fraction", ha="center", va="center")


def width_in(ax: Axes) -> float:
    """Return how wide axes are.

    Parameters
    ----------
    ax : Axes
        Of any figure.

    Returns
    -------
    float
        In inches.
    """
    return float(ax.get_window_extent().width / ax.figure.dpi)


def _plain(ax: Axes) -> None:
    ax.set_facecolor("white")
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set(color=INK, linewidth=0.6)
    ax.tick_params(
        labelsize=NORMAL_PT, labelfontfamily=FONT, labelcolor=INK, color=INK, width=0.6, length=3
    )
    ax.grid(visible=False)


def _key_rows(entries: Sequence[Entry], room_pt: float) -> list[list[tuple[Entry, str, float]]]:
    """Break the entries into rows; each with its text and its place from the left in points."""
    rows: list[list[tuple[Entry, str, float]]] = []
    at = room_pt
    for entry in entries:
        text = fitted(entry.label, room_pt - _SAMPLE_PT, most=_MOST_KEY_LETTERS)
        width = _SAMPLE_PT + text_width_pt(text, SMALL_PT)
        if not rows or at + width > room_pt:
            rows.append([])
            at = 0.0
        rows[-1].append((entry, text, at))
        at += width + _GAP_PT
    return rows


def _draw_row(ax: Axes, row: list[tuple[Entry, str, float]], left_pt: float, up_pt: float) -> None:
    for entry, text, at in row:
        shift = ScaledTranslation(
            (left_pt + at) / 72, (up_pt + 2.5) / 72, ax.figure.dpi_scale_trans
        )
        places = [7.0] if entry.look.get("linestyle") == "none" else [0.0, 7.0, 14.0]
        corner = ScaledTranslation(0, 1, cast(Affine2DBase, ax.transAxes))
        sample = Line2D(
            [place / 72 for place in places],
            [0.0] * len(places),
            transform=ax.figure.dpi_scale_trans + corner + shift,
            clip_on=False,
            **{**entry.look, "markevery": [len(places) // 2]},
        )
        ax.add_artist(sample)
        write(
            ax,
            text,
            (0, 1),
            coords="axes fraction",
            offset_pt=(left_pt + at + _SAMPLE_PT - 1, up_pt),
        )
