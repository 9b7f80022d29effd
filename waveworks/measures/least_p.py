"""The least p that a test can show: below it a level is never reached."""

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.average_noise import block_size
from waveworks.dsp.detectors import N_FLIPS
from waveworks.dsp.evidence import KNOWN, learned_class
from waveworks.dsp.evidence import N_DRAWS as N_DRAWS_OF_FEW
from waveworks.dsp.shape_null import N_DRAWS

FloatArray = NDArray[np.float64]


def least_p(test: str, n_epochs: int) -> float:
    """Return the least p that a detector can show.

    Parameters
    ----------
    test : str
        Its name.
    n_epochs : int
        Sweeps, or equal blocks of them, that it is made on.

    Returns
    -------
    float
        0 where any p is possible.
    """
    if test == "sign-flip":
        # There are 2^(n - 1) flips that differ of n epochs, which few epochs do not exceed.
        return max(1 / (N_FLIPS + 1), 2.0 ** (1 - n_epochs))
    if test == "shape":
        return least_p_of_shape(n_epochs // block_size(n_epochs) - 1)
    return 0.0


def least_p_of_shape(n_independent: int) -> float:
    """Return the least p that the shape test can show.

    Parameters
    ----------
    n_independent : int
        Noise-only traces that the noise was learned from.

    Returns
    -------
    float
    """
    known = learned_class(n_independent) == KNOWN
    return 1 / ((N_DRAWS if known else N_DRAWS_OF_FEW) + 1)


def least_p_note(least: FloatArray, levels: FloatArray) -> str:
    """Say at how many looks a test cannot find anything.

    Parameters
    ----------
    least : ndarray, shape (n_looks,)
        The least p that it can show at each look.
    levels : ndarray, shape (n_looks,)
        Nominal level at each look.

    Returns
    -------
    str
        Empty if there is no such look.
    """
    low = levels < least
    if not low.any():
        return ""
    shown = f"its p is never below {least[low].min():.3g}"
    if len(levels) == 1:
        return f"{shown}, its level is {levels[0]:.3g}: it cannot find anything"
    return (
        f"{shown}, above its level at {low.sum()} of {len(levels)} looks: "
        "it cannot find anything there"
    )
