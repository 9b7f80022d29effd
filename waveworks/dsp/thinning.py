"""What of a trace a fit of shapes needs: not all of a long one, and not every sample of a fine one.

The cost of a fit grows with the cube of its samples.
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy  # its signal is slow to import and is loaded when first used
from numpy.typing import NDArray

from waveworks.dsp.wave_shapes import WaveShape
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]
Window = tuple[float, float]

_FAR_WIDTHS = 40
"""Further from the response window than so many widths of wave V (24 ms) nothing is used."""

_SAMPLES_PER_WIDTH = 7
"""Traces sampled more finely than twice this are thinned: the rest costs time and says nothing."""


@dataclass(frozen=True, eq=False)
class Thinning:
    """Which part of traces to fit, and every how many samples.

    Parameters
    ----------
    times_ms : ndarray, shape (n_near,)
        Of the part, before it is thinned, in ms.
    step_ms : float
        Time between two samples that are left, in ms.
    near : ndarray of bool, shape (n_samples,)
        Which samples are of the part.
    every : int
        Every how many of them are left.
    """

    times_ms: FloatArray
    step_ms: float
    near: NDArray[np.bool_]
    every: int

    @property
    def n_samples(self) -> int:
        """Samples that are left."""
        return math.ceil(len(self.times_ms) / self.every)

    def cropped(self, traces: FloatArray) -> FloatArray:
        """Return the part of traces, all samples of it.

        Parameters
        ----------
        traces : ndarray, shape (..., n_samples)
            On the whole axis.

        Returns
        -------
        ndarray, shape (..., n_near)
            A copy.
        """
        return traces[..., self.near]

    def thinned(self, traces: FloatArray) -> FloatArray:
        """Return the part of traces, low-passed and thinned.

        Parameters
        ----------
        traces : ndarray, shape (..., n_samples)
            On the whole axis.

        Returns
        -------
        ndarray, shape (..., n_left)
            A copy.
        """
        near = self.cropped(traces)
        if self.every == 1 or not near.size:
            return near
        return np.asarray(scipy.signal.resample_poly(near, 1, self.every, axis=-1, padtype="line"))


def thinning(
    times_ms: FloatArray, step_ms: float, response_ms: Window, shape: WaveShape
) -> Thinning:
    """Say what of traces to fit.

    Parameters
    ----------
    times_ms : ndarray, shape (n_samples,)
        In ms, uniform.
    step_ms : float
        Between two samples, in ms.
    response_ms : tuple of float
        Where shapes are fitted, in ms.
    shape : WaveShape
        The middle of the bank.

    Returns
    -------
    Thinning

    Raises
    ------
    DataError
        If the window is nowhere near the traces.
    """
    far_ms = _FAR_WIDTHS * shape.v_width_ms
    near = (times_ms >= response_ms[0] - far_ms) & (times_ms <= response_ms[1] + far_ms)
    if not near.any():
        raise DataError(
            f"response window {response_ms[0]:g} to {response_ms[1]:g} ms is nowhere near the "
            f"trace, {times_ms[0]:g} to {times_ms[-1]:g} ms"
        )
    every = max(1, int(shape.v_width_ms / _SAMPLES_PER_WIDTH / step_ms))
    return Thinning(times_ms[near], step_ms * every, near, every)
