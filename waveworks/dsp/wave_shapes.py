"""A small bank of V-SN10 shapes: two Gaussians, wide and narrow, close and far apart.

Each shape is ``g(t; c, v_width) - 1.1 g(t; c + sn10_lag, sn10_width)``, g a Gaussian of unit height
with that SD, scaled so that wave V stands 1 above SN10. The bank varies both widths together and
the lag, each by three factors. Shape and factors are own choices from own simulation.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import interpolate

from waveworks.errors import DataError

FloatArray = NDArray[np.float64]

SN10_AFTER_MS = (1.5, 6.0)
"""SN10 of the default shape is looked for this long after wave V, in ms (own choice)."""

FACTORS = (0.75, 1.0, 1.3)
"""By which widths, and the lag of SN10, are varied."""

BETWEEN = 4
"""Steps between two lags where SN10 is placed."""

_SN10_HEIGHT = 1.1
_FINE_STEPS = 500


@dataclass(frozen=True)
class WaveShape:
    """The middle shape of a bank.

    Parameters
    ----------
    v_width_ms, sn10_width_ms : float
        SD of the Gaussians that draw wave V and SN10, in ms.
    sn10_lag_ms : float
        How much later the second Gaussian is centred, in ms.

    Raises
    ------
    DataError
        If a number is not positive, or wave V would not stand out.
    """

    v_width_ms: float = 0.6
    sn10_width_ms: float = 1.5
    sn10_lag_ms: float = 3.2

    def __post_init__(self) -> None:
        for name in ("v_width_ms", "sn10_width_ms", "sn10_lag_ms"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise DataError(f"{name} is {value:g} ms; it must be above 0")
        if self.sn10_lag_ms < self.v_width_ms:
            raise DataError(
                f"sn10_lag_ms is {self.sn10_lag_ms:g} ms; SN10 must follow wave V by its width, "
                f"{self.v_width_ms:g} ms, at least"
            )

    @property
    def sn10_after_ms(self) -> tuple[float, float]:
        """When SN10 may follow wave V, in ms: longer for a slower shape."""
        longer = self.sn10_lag_ms / WaveShape.sn10_lag_ms
        return SN10_AFTER_MS[0] * longer, SN10_AFTER_MS[1] * longer


@dataclass(frozen=True, eq=False)
class ShapeBank:
    """Shapes around a middle one.

    Parameters
    ----------
    widths_ms, sn10_widths_ms, lags_ms : ndarray, shape (n_shapes,)
        Of each shape, in ms.
    v_offsets_ms : ndarray, shape (n_shapes,)
        From the first Gaussian's centre to the maximum, in ms.
    sn10_after_ms : ndarray, shape (n_shapes,)
        From the maximum to the minimum, in ms.
    heights : ndarray, shape (n_shapes,)
        Maximum less minimum before scaling.
    n_lags : int
        Different lags; the shapes of one width follow each other.
    """

    widths_ms: FloatArray
    sn10_widths_ms: FloatArray
    lags_ms: FloatArray
    v_offsets_ms: FloatArray
    sn10_after_ms: FloatArray
    heights: FloatArray
    n_lags: int

    def between_lags(self, values: FloatArray, axis: int) -> FloatArray:
        """Return values of shapes with lags between those of the bank, by parabolas over the lags.

        Parameters
        ----------
        values : ndarray
            One for each shape along an axis.
        axis : int
            That axis, from the end.

        Returns
        -------
        ndarray
            With `BETWEEN` times as many steps between the lags of each width.
        """
        if self.n_lags == 1:
            return values
        lags = self.lags_ms[: self.n_lags]
        fine = np.linspace(lags[0], lags[-1], BETWEEN * (self.n_lags - 1) + 1)
        by_width = np.moveaxis(values, axis, -1)
        by_width = by_width.reshape(*by_width.shape[:-1], -1, self.n_lags)
        found = interpolate.KroghInterpolator(lags, by_width, axis=-1)(fine)
        return np.moveaxis(found.reshape(*found.shape[:-2], -1), -1, axis)

    def templates(self, times_ms: ArrayLike, v_ms: ArrayLike) -> FloatArray:
        """Return every shape with wave V at every latency.

        Parameters
        ----------
        times_ms : array_like, shape (n_samples,)
            In ms.
        v_ms : array_like, shape (n_latencies,)
            Of wave V, in ms.

        Returns
        -------
        ndarray, shape (n_shapes, n_latencies, n_samples)
            From wave V to SN10 each is 1.
        """
        times, latencies = np.asarray(times_ms), np.asarray(v_ms)
        column = (slice(None), np.newaxis, np.newaxis)
        after = times - (latencies[:, np.newaxis] - self.v_offsets_ms[column])
        drawn = _gaussian(after / self.widths_ms[column]) - _SN10_HEIGHT * _gaussian(
            (after - self.lags_ms[column]) / self.sn10_widths_ms[column]
        )
        return np.asarray(drawn / self.heights[column])


@lru_cache(maxsize=32)
def shape_bank(middle: WaveShape, sn10_after_ms: tuple[float, float]) -> ShapeBank:
    """Return the bank around a middle shape.

    Parameters
    ----------
    middle : WaveShape
        Its middle.
    sn10_after_ms : tuple of float
        Shapes whose minimum follows the maximum sooner or later than this, in ms, are left out.

    Returns
    -------
    ShapeBank

    Raises
    ------
    DataError
        If no shape is left.
    """
    wide, far = np.meshgrid(FACTORS, FACTORS, indexing="ij")
    widths = middle.v_width_ms * wide.ravel()
    sn10_widths = middle.sn10_width_ms * wide.ravel()
    lags = middle.sn10_lag_ms * far.ravel()
    extremes = np.array(
        [_extremes(*shape) for shape in zip(widths, sn10_widths, lags, strict=True)]
    )
    v_offsets, sn10_after, heights = extremes.T
    # A lag is kept or left for all widths, as it is for the middle one.
    of_middle = sn10_after.reshape(wide.shape)[len(FACTORS) // 2]
    lags_kept = (of_middle >= sn10_after_ms[0]) & (of_middle <= sn10_after_ms[1])
    kept = np.tile(lags_kept, len(FACTORS))
    if not kept.any():
        raise DataError(
            f"sn10_after_ms is {sn10_after_ms}; SN10 of the shapes follows wave V by "
            f"{sn10_after.min():.3g} to {sn10_after.max():.3g} ms"
        )
    return ShapeBank(
        widths[kept],
        sn10_widths[kept],
        lags[kept],
        v_offsets[kept],
        sn10_after[kept],
        heights[kept],
        int(lags_kept.sum()),
    )


def _gaussian(u: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * u**2))


def _extremes(width: float, sn10_width: float, lag: float) -> tuple[float, float, float]:
    """Return where the maximum is, how much later the minimum, and how far below it."""
    step = width / _FINE_STEPS
    times = np.arange(-2 * width, lag + 2 * sn10_width, step)
    shape = _gaussian(times / width) - _SN10_HEIGHT * _gaussian((times - lag) / sn10_width)
    top = int(shape.argmax())
    bottom = top + int(shape[top:].argmin())
    return times[top], times[bottom] - times[top], shape[top] - shape[bottom]
