"""The search for a peak and the trough after it, in one trace or in many at once."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from waveworks.errors import DataError

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class ParabolaPeak:
    """The top of the parabola through three samples.

    Parameters
    ----------
    offset_samples : float
        From the middle sample.
    height : float
        In the unit of the samples.
    curvature : float
        Second difference, per sample squared; negative at a maximum.
    """

    offset_samples: float
    height: float
    curvature: float


@dataclass(frozen=True)
class Candidate:
    """A local maximum in the V window and the deepest point after it.

    Parameters
    ----------
    v_ms, sn10_ms : float
        Latencies in ms.
    v_sn10_nv : float
        Drop from one to the other in the smoothed trace, in nV.
    lost : str
        Why it was not marked; empty for the one that was.
    """

    v_ms: float
    sn10_ms: float
    v_sn10_nv: float
    lost: str = ""


def parabola_peak(left: float, middle: float, right: float) -> ParabolaPeak:
    """Return the top of the parabola through three samples.

    Parameters
    ----------
    left, middle, right : float
        Three successive samples, the middle one an extremum.

    Returns
    -------
    ParabolaPeak
        At the middle sample where the three lie on a straight line.
    """
    curvature = left - 2 * middle + right
    offset = 0.5 * (left - right) / curvature if curvature else 0.0
    return ParabolaPeak(offset, middle - 0.25 * (left - right) * offset, curvature)


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

    def best_drop(self, traces: FloatArray) -> FloatArray:
        """Return the largest drop of each trace.

        Parameters
        ----------
        traces : ndarray, shape (n_traces, n_samples)
            In nV.

        Returns
        -------
        ndarray, shape (n_traces,)
            In nV; zero where a trace has no maximum at all.
        """
        best: FloatArray = np.maximum(self._drops(traces).max(axis=-1), 0.0)
        return best

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
        found = []
        for index in np.flatnonzero(drops > 0):
            v = int(self.positions[index])
            after = slice(v + self.first, min(v + self.last + 1, len(trace)))
            sn10 = after.start + int(np.argmin(trace[after]))
            found.append(
                Candidate(self._top(trace, v), self._top(-trace, sn10), float(drops[index]))
            )
        return tuple(sorted(found, key=lambda candidate: -candidate.v_sn10_nv))

    def _top(self, trace: FloatArray, index: int) -> float:
        if not 0 < index < len(trace) - 1 or trace[index] < max(trace[index - 1], trace[index + 1]):
            return float(self.times[index])
        peak = parabola_peak(*trace[index - 1 : index + 2].tolist())
        return float(self.times[index] + peak.offset_samples * self.step_ms)
