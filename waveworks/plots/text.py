"""Text that is safe to draw: one line, in glyphs that the font has, no longer than its place.

Names and labels come from files. They may hold anything, so none of it is read as mathematics,
and the font is the one that comes with matplotlib, so that every machine draws the same.
"""

import textwrap
import unicodedata
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.text import Annotation
from matplotlib.textpath import text_to_path

FONT = "DejaVu Sans"
INK = "#1a1a1a"
NORMAL_PT = 8.0
SMALL_PT = 7.0
"""No text is smaller."""

LONGEST_TEXT = 40
"""Characters that remain of a text from a file, unless it is said otherwise."""

_READ_AT_MOST = 2000
# Letters on a screen are set to whole pixels, which makes a line up to so much wider.
_PIXEL_SLACK = 1.08
_ELLIPSIS = "\u2026"
_NO_GLYPH = "\ufffd"


def drawable(text: str, most: int = LONGEST_TEXT) -> str:
    """Return a text as it can be drawn in one line.

    Parameters
    ----------
    text : str
        Anything.
    most : int
        Characters that may remain.

    Returns
    -------
    str
        Line breaks and control characters are spaces, a character without a glyph is a
        replacement character, and what is too long ends in an ellipsis.
    """
    composed = unicodedata.normalize("NFC", text[:_READ_AT_MOST])
    line = " ".join("".join(_glyph(character) for character in composed).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + _ELLIPSIS


def fitted(
    text: str, width_pt: float, size_pt: float = SMALL_PT, *, most: int = LONGEST_TEXT
) -> str:
    """Return a text as it can be drawn in one line of a given width.

    Parameters
    ----------
    text : str
        Anything.
    width_pt : float
        Room in points.
    size_pt : float
        Of the letters in points.
    most : int
        Characters that may remain.

    Returns
    -------
    str
        As `drawable`, shorter where wide letters need it.
    """
    line = drawable(text, most)
    while len(line) > 1 and text_width_pt(line, size_pt) > width_pt:
        line = line.removesuffix(_ELLIPSIS)[:-1].rstrip() + _ELLIPSIS
    return line


def wrapped(text: str, width_pt: float, size_pt: float = SMALL_PT) -> list[str]:
    """Break a text of our own into lines.

    Parameters
    ----------
    text : str
        Drawable.
    width_pt : float
        Room in points.
    size_pt : float
        Of the letters in points.

    Returns
    -------
    list of str
    """
    # Half the size is a narrow estimate of a mean letter; shorter lines are tried until all fit.
    letters = max(10, int(width_pt / (0.5 * size_pt)))
    lines = textwrap.wrap(text, letters)
    while letters > 10 and any(text_width_pt(line, size_pt) > width_pt for line in lines):
        letters -= 1
        lines = textwrap.wrap(text, letters)
    return lines


@lru_cache(maxsize=4096)
def text_width_pt(text: str, size_pt: float) -> float:
    """Return how wide a line of text is.

    Parameters
    ----------
    text : str
        One line.
    size_pt : float
        Of the letters in points.

    Returns
    -------
    float
        In points, with a little to spare.
    """
    font = FontProperties(family=FONT, size=size_pt)
    width, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return _PIXEL_SLACK * float(width)


def amount(value: float) -> str:
    """Return a number with three digits and without an exponent.

    Parameters
    ----------
    value : float
        Finite.

    Returns
    -------
    str
    """
    text = np.format_float_positional(value, precision=3, fractional=False, trim="-")
    return text.replace("-", "\u2212")


def short(value: float) -> str:
    """Return a number in few letters, 0.25 or 4e5.

    Parameters
    ----------
    value : float
        Finite.

    Returns
    -------
    str
    """
    mantissa, _, exponent = f"{value:.4g}".partition("e")
    if abs(value) >= 1e5:
        mantissa, _, exponent = f"{value:e}".partition("e")
    text = f"{float(mantissa):g}" + (f"e{int(exponent)}" if exponent else "")
    return text.replace("-", "\u2212")


def write(
    ax: Axes,
    text: str,
    xy: tuple[float, float],
    *,
    coords: str | tuple[str, str] = "data",
    offset_pt: tuple[float, float] = (0.0, 0.0),
    size_pt: float = SMALL_PT,
    colour: str = INK,
    **look: Any,
) -> Annotation:
    """Write a text at a place of the axes, moved by points.

    Parameters
    ----------
    ax : Axes
        To draw in.
    text : str
        Drawable; never read as mathematics.
    xy : tuple of float
        The place.
    coords : str or tuple of str
        What `xy` is measured in, as for annotations.
    offset_pt : tuple of float
        How far from that place, in points.
    size_pt : float
        Of the letters in points.
    colour : str
        Of the letters.
    **look
        Alignment, weight and rotation, as for any text.

    Returns
    -------
    Annotation
    """
    return ax.annotate(
        text,
        xy,
        xytext=offset_pt,
        xycoords=coords,
        textcoords="offset points",
        annotation_clip=False,
        parse_math=False,
        family=FONT,
        fontsize=size_pt,
        color=colour,
        **look,
    )


def _glyph(character: str) -> str:
    if character.isspace() or unicodedata.category(character) == "Cc":
        return " "
    if unicodedata.category(character) in ("Cf", "Mn", "Me"):
        return ""  # would turn the writing direction, or pile up over other lines
    return character if _has_glyph()(ord(character)) else _NO_GLYPH


@lru_cache(maxsize=1)
def _has_glyph() -> Callable[[int], bool]:
    glyphs = frozenset(get_font(findfont(FontProperties(family=FONT))).get_charmap())
    return glyphs.__contains__
