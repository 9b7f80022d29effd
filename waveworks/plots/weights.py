"""The weights of blocks of sweeps over time."""

import numpy as np
from matplotlib.axes import Axes

from waveworks.dsp.averaging import WeightedAverage
from waveworks.errors import DataError
from waveworks.plots.curves import CURVE, EXPECTED, add_curve
from waveworks.plots.frame import Entry, Frame, framed, linear_ticks, set_ticks
from waveworks.plots.style import SMALL_IN


def plot_weights(weighted: WeightedAverage, n_per_block: int, *, ax: Axes | None = None) -> Axes:
    """Draw the weight of each block of sweeps in the order of recording.

    Parameters
    ----------
    weighted : WeightedAverage
        With its weights.
    n_per_block : int
        Sweeps that share a weight; 1 where each has its own.
    ax : Axes, optional
        To draw in; a new figure by default.

    Returns
    -------
    Axes
        In sweeps and shares of 1. The dashed line is the share of each if all were equal.

    Raises
    ------
    DataError
        If `n_per_block` is not at least 1.
    """
    if n_per_block < 1:
        raise DataError(f"n_per_block is {n_per_block} sweeps; it must be at least 1")
    weights = weighted.weights
    edges = n_per_block * np.arange(weights.size + 1)
    equal = 1 / weights.size
    what = "sweep" if n_per_block == 1 else f"block of {n_per_block} sweeps"
    key = (Entry(f"weight of a {what}", CURVE), Entry(f"equal share, {equal:.3g}", EXPECTED))
    note = ""
    if weights.size == 1:
        note = "One block alone has all the weight."
    elif n_per_block > 1:
        note = "Sweeps left over join the last block."
    ax = framed(ax, SMALL_IN, Frame("sweeps", "weight", key=key, notes=(note,)))
    high = 1.1 * max(float(weights.max()), equal)
    ax.set(xlim=(0, edges[-1]), ylim=(0, high))
    set_ticks(ax, x=linear_ticks(0, float(edges[-1]), 5), y=linear_ticks(0, high, 4))
    ax.axhline(equal, **EXPECTED, zorder=1, label="equal share")
    steps = np.append(weights, weights[-1])
    add_curve(ax, edges, steps, **CURVE, drawstyle="steps-post", zorder=3, label="weight")
    return ax
