"""What all pictures share: colours, limits, sane scales and the size of a figure.

The margins of a figure are set in inches from the width of its own text. A layout engine would
find them too, at twice the time of a whole picture, and it would change the scale to do so.
"""

import math
from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from waveworks.criteria import Clause
from waveworks.errors import DataError
from waveworks.plots.text import amount

Look = dict[str, Any]
"""Properties of a line."""

EAR_COLOURS = {"right": "#c01020", "left": "#1050b0", "other": "#555555"}
"""Red is right and blue is left, as on every audiogram."""

NORMAL_95 = 1.96
"""Half the width of a 95 % interval of a normal distribution, in standard deviations."""

GREY = "#767676"
BAND = "#cfcfcf"
WINDOW = "#efefef"

DASHED = (0.0, (4, 1.6))
DOTTED = (0.0, (1, 1.5))

NV_PER_MS = 50.0
LEAST_NV_PER_MS, MOST_NV_PER_MS = 25.0, 100.0

LARGEST_IN = (6.9, 9.0)
"""No figure is larger: width and height in inches."""

SMALL_IN = (2.44, 1.75)
"""Axes of a picture without a time axis of its own, two of which stand side by side on A4."""

LEAST_HEIGHT_NV = 300.0
"""A quiet trace is not blown up beyond this."""

_IN_PER_MS = 0.2
_ROOM_IN = (5.0, 7.2)
_LEAST_IN = (2.0, 0.9)
_LEAST_SPAN_MS = 5.0
_MOST_STRETCH = 3.0


@dataclass(frozen=True)
class Limit:
    """A limit that a picture draws.

    Parameters
    ----------
    value : float
        In the unit of the picture.
    label : str
        What it is called.

    Raises
    ------
    DataError
        If the value is not a finite number.
    """

    value: float
    label: str

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise DataError(f"limit is {self.value}; it must be a finite number")

    @classmethod
    def of(cls, clause: Clause) -> "Limit":
        """Return the limit of a clause.

        Parameters
        ----------
        clause : Clause
            Of a criteria file.

        Returns
        -------
        Limit
        """
        return cls(clause.value, clause.id)


@dataclass(frozen=True)
class Scale:
    """How time and amplitude are drawn.

    Parameters
    ----------
    start_ms, stop_ms : float
        Limits of the time axis in ms.
    low_nv, high_nv : float
        Limits of the amplitude axis in nV.
    nv_per_ms : float
        1 ms is drawn as long as this many nV.
    width_in, height_in : float
        Size of the axes of a new figure in inches.
    note : str
        In words, where the scale is not the one that was asked for; else empty.
    """

    start_ms: float
    stop_ms: float
    low_nv: float
    high_nv: float
    nv_per_ms: float
    width_in: float
    height_in: float
    note: str = ""

    def apply(self, ax: Axes) -> None:
        """Give the axes these limits and this aspect, whatever its size.

        Parameters
        ----------
        ax : Axes
            To draw in.
        """
        ax.set_xlim(self.start_ms, self.stop_ms)
        ax.set_ylim(self.low_nv, self.high_nv)
        ax.set_aspect(1 / self.nv_per_ms, adjustable="box", anchor="W")


def sane_scale(
    span_ms: tuple[float, float],
    span_nv: tuple[float, float],
    nv_per_ms: float = NV_PER_MS,
    *,
    least_height_in: float = 2.5,
) -> Scale:
    """Choose limits and figure size such that 1 ms is drawn as long as `nv_per_ms`.

    Parameters
    ----------
    span_ms, span_nv : tuple of float
        What must be seen, in ms and nV. Both are widened to 5 ms and 300 nV at least.
    nv_per_ms : float
        From 25 to 100.
    least_height_in : float
        Height of the axes in inches where the aspect has to be given up.

    Returns
    -------
    Scale
        With another scale, and a note that says which, where no axes of 2 by 0.9 to 5 by 7.2
        inches can show the data at that aspect.

    Raises
    ------
    DataError
        If `nv_per_ms` is outside its limits.
    """
    if not LEAST_NV_PER_MS <= nv_per_ms <= MOST_NV_PER_MS:
        raise DataError(
            f"nv_per_ms is {nv_per_ms:g}; 1 ms may be drawn as long as "
            f"{LEAST_NV_PER_MS:g} to {MOST_NV_PER_MS:g} nV"
        )
    start, stop = _at_least(span_ms, _LEAST_SPAN_MS)
    low, high = _at_least(span_nv, LEAST_HEIGHT_NV)
    in_per_ms = inches_per_ms(stop - start)
    # A long quiet trace gets some empty height rather than another scale.
    wished = max(_LEAST_IN[1] / in_per_ms * nv_per_ms, high - low)
    if wished <= _MOST_STRETCH * (high - low):
        low, high = _at_least((low, high), wished)
    length, height = stop - start, (high - low) / nv_per_ms
    least = max(_LEAST_IN[0] / length, _LEAST_IN[1] / height)
    most = min(_ROOM_IN[0] / length, _ROOM_IN[1] / height)
    if least <= most * (1 + 1e-9):
        in_per_ms = min(max(_IN_PER_MS, least), most)
        size = length * in_per_ms, height * in_per_ms
        return Scale(start, stop, low, high, nv_per_ms, *size)
    width_in = min(max(_IN_PER_MS * length, _LEAST_IN[0]), _ROOM_IN[0])
    height_in = min(max(least_height_in, _LEAST_IN[1]), _ROOM_IN[1])
    used = _two_digits((high - low) / height_in * width_in / length)
    low, high = _at_least((low, high), used * length * height_in / width_in)
    note = (
        f"Scale: 1 ms is drawn as long as {amount(used)} nV, not {nv_per_ms:g} nV, because "
        f"{amount(high - low)} nV over {amount(length)} ms do not fit otherwise."
    )
    return Scale(start, stop, low, high, used, width_in, height_in, note)


def inches_per_ms(span_ms: float) -> float:
    """Return how long 1 ms is drawn at most.

    Parameters
    ----------
    span_ms : float
        Of the time axis, in ms.

    Returns
    -------
    float
        In inches.
    """
    return min(_IN_PER_MS, _ROOM_IN[0] / max(span_ms, _LEAST_SPAN_MS))


def new_axes(
    width_in: float,
    height_in: float,
    *,
    left_in: float = 0.76,
    right_in: float = 0.2,
    top_in: float = 0.15,
    bottom_in: float = 0.5,
) -> Axes:
    """Return the axes of a new figure that belongs to nobody else.

    Parameters
    ----------
    width_in, height_in : float
        Of the axes in inches.
    left_in, right_in, top_in, bottom_in : float
        Margins in inches.

    Returns
    -------
    Axes
        Of a figure of at most 6.9 by 9 inches.
    """
    width = min(width_in + left_in + right_in, LARGEST_IN[0])
    height = min(height_in + top_in + bottom_in, LARGEST_IN[1])
    figure = Figure(figsize=(width, height), facecolor="white")
    return figure.add_axes(
        (
            left_in / width,
            bottom_in / height,
            1 - (left_in + right_in) / width,
            1 - (top_in + bottom_in) / height,
        )
    )


def _at_least(span: tuple[float, float], least: float) -> tuple[float, float]:
    low, high = span
    missing = max(0.0, least - (high - low)) / 2
    return low - missing, high + missing


def _two_digits(value: float) -> float:
    """Round up to two digits, so that what has to fit still does."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(f"{math.ceil(value / step - 1e-9) * step:.2g}")
