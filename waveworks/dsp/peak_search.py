"""The plain search for a peak and the trough after it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from waveworks.dsp.marks import Candidate
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class ParabolaPeak:
    """The top of the parabola through three samples.

    Parameters
    ----------
    offset_samples : float or ndarray
        From the middle sample.
    height : float or ndarray
        In the unit of the samples.
    curvature : float or ndarray
        Second difference, per sample squared; negative at a maximum.
    """

    offset_samples: FloatArray
    height: FloatArray
    curvature: FloatArray


def parabola_peak(left: ArrayLike, middle: ArrayLike, right: ArrayLike) -> ParabolaPeak:
    """Return the top of the parabola through three samples.

    Parameters
    ----------
    left, middle, right : array_like
        Three successive samples, the middle one an extremum.

    Returns
    -------
    ParabolaPeak
        At the middle sample where the three lie on a straight line.
    """
    before, top, after = (np.asarray(x, dtype=np.float64) for x in (left, middle, right))
    curvature = np.asarray(before - 2 * top + after)
    rise = 0.5 * (before - after)
    offset = np.divide(rise, curvature, out=np.zeros_like(curvature), where=curvature != 0)
    return ParabolaPeak(offset, top - 0.5 * rise * offset, curvature)


class Search:
    """The search for a drop: a local maximum in a window, the deepest point after it.

    Parameters
    ----------
    times : ndarray, shape (n_samples,)
        Uniform, in ms.
    step_ms : float
        Between samples.
    v_window_ms : tuple of float
        Where the maximum is looked for, in ms.
    sn10_after_ms : tuple of float
        When after the maximum the deepest point is looked for, in ms.

    Raises
    ------
    DataError
        If a window is impossible or leaves no room in the data.
    """

    def __init__(
        self,
        times: FloatArray,
        step_ms: float,
        v_window_ms: tuple[float, float],
        sn10_after_ms: tuple[float, float],
    ) -> None:
        start, stop = v_window_ms
        if not start < stop:
            raise DataError(f"V window {start:g} to {stop:g} ms; it must start before it stops")
        slack = step_ms * (1 + 1e-6)
        if start < times[0] - slack or stop > times[-1] + slack:
            raise DataError(
                f"V window {start:g} to {stop:g} ms is not inside the data, "
                f"{times[0]:g} to {times[-1]:g} ms"
            )
        if not 0 < sn10_after_ms[0] < sn10_after_ms[1]:
            raise DataError(
                f"sn10_after_ms is {sn10_after_ms}; it must be two rising positive times"
            )
        self.times, self.step_ms = times, step_ms
        self.first, self.last = (round(x / step_ms) for x in sn10_after_ms)
        # A candidate needs a neighbour on both sides and the whole SN10 window's beginning.
        inside = (times >= start - 1e-6 * step_ms) & (times <= stop + 1e-6 * step_ms)
        positions = np.flatnonzero(inside)
        self.positions = positions[(positions >= 1) & (positions + self.first + 1 < len(times))]
        if not len(self.positions):
            raise DataError(
                f"V window {start:g} to {stop:g} ms leaves no room for SN10 in data that end at "
                f"{times[-1]:g} ms"
            )

    def _drops(self, traces: FloatArray) -> FloatArray:
        """Return the drop after every position, minus infinity where there is no maximum."""
        at = self.positions
        size = self.last - self.first + 1
        # The filter's window is moved to begin at its own sample; past the end there is no trough.
        deepest = ndimage.minimum_filter1d(
            traces[:, at[0] + self.first : at[-1] + self.last + 1],
            size,
            mode="constant",
            cval=np.inf,
            origin=-(size // 2),
        )
        tops = traces[:, at]
        peaks = (tops > traces[:, at - 1]) & (tops >= traces[:, at + 1])
        return np.where(peaks, tops - deepest[:, : len(at)], -np.inf)

    def candidates(self, trace: FloatArray) -> tuple[Candidate, ...]:
        """Return every maximum that is followed by a drop.

        Parameters
        ----------
        trace : ndarray, shape (n_samples,)
            In nV.

        Returns
        -------
        tuple of Candidate
            The largest drop first.
        """
        drops = self._drops(trace[np.newaxis])[0]
        picked = np.flatnonzero(drops > 0)
        v = self.positions[picked]
        rows = np.broadcast_to(trace, (len(v), len(trace)))
        sn10_ms = self._tops(-rows, self._troughs(rows, v))
        numbers = zip(self._tops(rows, v), sn10_ms, drops[picked], strict=True)
        found = [Candidate(float(v_ms), float(s_ms), float(drop)) for v_ms, s_ms, drop in numbers]
        return tuple(sorted(found, key=lambda candidate: -candidate.v_sn10_nv))

    def _troughs(self, traces: FloatArray, v: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return the deepest sample after the given one of each trace."""
        index = v[:, np.newaxis] + np.arange(self.first, self.last + 1)
        last = traces.shape[-1] - 1
        after = np.take_along_axis(traces, np.minimum(index, last), axis=-1)
        deepest = np.where(index <= last, after, np.inf).argmin(axis=-1)
        return np.asarray(v + self.first + deepest)

    def _tops(self, traces: FloatArray, index: NDArray[np.intp]) -> FloatArray:
        """Return the time of one maximum of each trace, between samples where it turns there."""
        inner = np.clip(index, 1, traces.shape[-1] - 2)
        around = np.take_along_axis(traces, inner[:, np.newaxis] + np.arange(-1, 2), axis=-1)
        turns = (inner == index) & (around.argmax(axis=-1) == 1)
        offsets = parabola_peak(*around.T).offset_samples
        return np.asarray(self.times[index] + np.where(turns, offsets, 0.0) * self.step_ms)
