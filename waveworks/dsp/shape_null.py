"""What the largest of all fitted shapes is in noise alone: drawn from its spectrum, not assumed."""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.evidence import KNOWN, null_z
from waveworks.dsp.fit_plan import FitPlan
from waveworks.dsp.looks import ranked
from waveworks.dsp.shape_fit import shape_fit

FloatArray = NDArray[np.float64]

N_DRAWS = 20_000
"""Of noise that is known: a p of 0.001 then has a standard error of a fifth."""

_SEED = 60_221
_CHUNK = 2000


@lru_cache(maxsize=64)
def largest_in_noise(plan: FitPlan, spectrum: int, learned: int) -> FloatArray:
    """Return the largest z of draws of noise, rising.

    Parameters
    ----------
    plan : FitPlan
        Where what is fitted.
    spectrum : int
        Of the grid, which the noise has.
    learned : int
        Class of how well the noise is known, of `learned_class`.

    Returns
    -------
    ndarray, shape (n_draws,)
    """
    if learned != KNOWN:
        return np.sort(null_z(plan, spectrum, learned).max(axis=(1, 2)).astype(np.float64))
    return np.sort(_paths_of_largest(plan, spectrum, (1.0,), N_DRAWS, _SEED)[:, 0])


@lru_cache(maxsize=16)
def p_paths(plan: FitPlan, spectrum: int, counts: tuple[float, ...], n_paths: int) -> FloatArray:
    """Return the p of the largest z at each look of recordings without a response.

    Parameters
    ----------
    plan : FitPlan
        Where what is fitted.
    spectrum : int
        Of the grid, which the noise has.
    counts : tuple of float
        Sweeps at each look, rising.
    n_paths : int
        Recordings to draw.

    Returns
    -------
    ndarray, shape (n_paths, n_looks)
        Ranked among all draws and looks.
    """
    return ranked(_paths_of_largest(plan, spectrum, counts, n_paths, _SEED + 1))


def _paths_of_largest(
    plan: FitPlan, spectrum: int, counts: tuple[float, ...], n_paths: int, seed: int
) -> FloatArray:
    to_z = shape_fit(plan).of_normals(spectrum)
    rng = np.random.default_rng(seed)
    largest = np.empty((n_paths, len(counts)))
    for start in range(0, n_paths, _CHUNK):
        rows = slice(start, min(start + _CHUNK, n_paths))
        summed = np.zeros((rows.stop - rows.start, plan.n_samples), dtype=np.float32)
        for look, added in enumerate(np.diff(counts, prepend=0.0)):
            normals = rng.standard_normal(summed.shape, dtype=np.float32)
            summed += np.float32(math.sqrt(added)) * normals
            largest[rows, look] = (summed @ to_z).max(axis=1) / math.sqrt(counts[look])
    return largest
