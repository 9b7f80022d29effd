"""What a picture of traces shows at a time: windows, and the stimulus."""

from matplotlib.axes import Axes

from waveworks.model import TimeAxis
from waveworks.plots.style import DOTTED, GREY, WINDOW


def shade_window(ax: Axes, window_ms: tuple[float, float] | None, axis: TimeAxis) -> None:
    """Shade the part of a window that lies in the data.

    Parameters
    ----------
    ax : Axes
        To draw in.
    window_ms : tuple of float or None
        In ms; None is no window.
    axis : TimeAxis
        Of the data.
    """
    seen = visible_part(window_ms, axis)
    if seen is not None:
        ax.axvspan(*seen, facecolor=WINDOW, edgecolor="none", zorder=0)


def window_note(window_ms: tuple[float, float] | None, axis: TimeAxis) -> str:
    """Say what is shaded.

    Parameters
    ----------
    window_ms : tuple of float or None
        In ms; None is no window.
    axis : TimeAxis
        Of the data.

    Returns
    -------
    str
        Empty where nothing is.
    """
    if window_ms is None or visible_part(window_ms, axis) is None:
        return ""
    return f"Shaded: window for wave V, {window_ms[0]:g} to {window_ms[1]:g} ms."


def visible_part(
    window_ms: tuple[float, float] | None, axis: TimeAxis
) -> tuple[float, float] | None:
    """Return the part of a window that lies in the data.

    Parameters
    ----------
    window_ms : tuple of float or None
        In ms, perhaps without end.
    axis : TimeAxis
        Of the data.

    Returns
    -------
    tuple of float or None
        None where there is none.
    """
    if window_ms is None:
        return None
    start, stop = max(window_ms[0], axis.start_ms), min(window_ms[1], axis.stop_ms)
    return (start, stop) if start < stop else None


def draw_stimulus(ax: Axes, start_ms: float, stop_ms: float) -> None:
    """Draw a line at the stimulus where the data begin before it.

    Parameters
    ----------
    ax : Axes
        To draw in.
    start_ms, stop_ms : float
        First and last time of the data in ms.
    """
    if start_ms < 0 < stop_ms:
        ax.axvline(0.0, color=GREY, linewidth=0.8, linestyle=DOTTED, zorder=0.5)


def stimulus_note(start_ms: float, stop_ms: float) -> str:
    """Say what the dotted line is.

    Parameters
    ----------
    start_ms, stop_ms : float
        First and last time of the data in ms.

    Returns
    -------
    str
        Empty where there is none.
    """
    return "Dotted line: stimulus." if start_ms < 0 < stop_ms else ""
