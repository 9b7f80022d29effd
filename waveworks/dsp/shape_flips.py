"""The shape test with signs of the recording's own blocks in place of a model of its noise."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waveworks.dsp._validate import even_times, sweeps_array
from waveworks.dsp.shape_fit import shape_fit
from waveworks.dsp.shapes_in_noise import block_deviations, detection_plan, shapes_in_noise
from waveworks.dsp.sign_flips import SignFlipTest, sign_flip_test

FloatArray = NDArray[np.float64]
Window = tuple[float, float]


def shape_flip_test(
    sweeps: ArrayLike,
    times_ms: ArrayLike,
    window_ms: Window,
    n_flips: int = 9999,
    seed: int | np.random.Generator | None = None,
    *,
    n_per_block: int = 10,
) -> SignFlipTest:
    """Rank the largest shape among blocks of sweeps turned over, instead of draws of noise.

    Parameters
    ----------
    sweeps : array_like, shape (n_sweeps, n_samples)
        In nV in the order of recording.
    times_ms : array_like, shape (n_samples,)
        Time of every sample in ms, uniform.
    window_ms : tuple of float
        Response window, as in `shape_test`.
    n_flips : int
        Flips to draw.
    seed : int or numpy.random.Generator, optional
        Decides the flips; a generator moves on.
    n_per_block : int
        Successive sweeps that are turned over together.

    Returns
    -------
    SignFlipTest
        `statistic` is that of `shape_test`.

    Raises
    ------
    DataError
        As `shape_test` and `sign_flip_test`.

    Notes
    -----
    The filters are those of the noise as observed and stay the same under all flips, so the rank
    is exact but for what the observed signs had to do with the choice of the filters.
    """
    rows = sweeps_array(sweeps)
    plan, part = detection_plan(even_times(times_ms, n_samples=rows.shape[1]), window_ms)
    deviations, n_independent = block_deviations(rows)
    average, noise = part.thinned(rows.mean(axis=0)), part.thinned(deviations)
    shapes = shapes_in_noise(plan, average, noise, n_independent)

    def largest(averages: FloatArray) -> FloatArray:
        z = shape_fit(plan).refit(part.thinned(averages), shapes.fit) / shapes.sd
        return np.asarray(z.max(axis=(1, 2)))

    return sign_flip_test(rows, n_flips, seed, statistic=largest, n_per_block=n_per_block)
