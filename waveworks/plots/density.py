"""The spectrum of the noise that is left in an average."""

from matplotlib.axes import Axes

from waveworks.dsp.noise_density import NoiseDensity
from waveworks.plots.curves import CURVE, EXPECTED_BAND, add_curve, draw_band, log_span
from waveworks.plots.frame import Entry, Frame, framed, log_ticks, say, set_ticks
from waveworks.plots.style import SMALL_IN, Look
from waveworks.plots.text import drawable

_MOST_DECADES = 4


def plot_noise_density(density: NoiseDensity, *, ax: Axes | None = None) -> Axes:
    """Draw the noise that is left in an average against frequency.

    Parameters
    ----------
    density : NoiseDensity
        With its intervals.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In Hz and nV/sqrt(Hz), both logarithmic. The band is the 95 % interval at each frequency
        by itself. What lies four decades below the highest value is left out.
    """
    labels = ("frequency in Hz", "density in nV/\u221aHz")
    span = log_span(density.density)
    start, stop = log_span(density.frequency_hz) or (1.0, 10.0)
    if span is None:
        ax = framed(ax, SMALL_IN, Frame(*labels))
        ax.set(xscale="log", xlim=(start, stop), ylim=(0, 1))
        set_ticks(ax, x=log_ticks(start, stop), y=())
        say(ax, "No noise: there is nothing to show a spectrum of.")
        return ax
    low, high = log_span(density.density, density.low, density.high) or span
    floor = high / 10**_MOST_DECADES
    n_points = density.frequency_hz.size
    look: Look = {**CURVE, "linewidth": 1.0, "marker": "." if n_points < 3 else "none"}
    key = (Entry("noise", look), Entry("95 % at each frequency by itself", EXPECTED_BAND))
    notes = (
        f"From {drawable(density.method, 60)}.",
        f"What lies below {floor:.2g} is not shown." if low < floor else "",
    )
    ax = framed(ax, SMALL_IN, Frame(*labels, key=key, notes=notes))
    low = max(low, floor)
    ax.set(xscale="log", yscale="log", xlim=(start, stop), ylim=(low, high))
    set_ticks(ax, x=log_ticks(start, stop), y=log_ticks(low, high))
    draw_band(ax, density.frequency_hz, density.low, density.high)
    add_curve(ax, density.frequency_hz, density.density, **look, zorder=3, label="noise")
    return ax
