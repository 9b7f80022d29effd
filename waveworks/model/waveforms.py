"""What a recording holds: sweeps, block averages, a buffer pair or one average."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waveworks.errors import DataError

FloatArray = NDArray[np.float64]

# Time stamps are compared with this share of a sample step, far below any real jitter.
_STEP_TOLERANCE = 1e-6


def protected(values: ArrayLike, *, name: str, ndim: int) -> FloatArray:
    """Return a write-protected float64 copy of `values`.

    Parameters
    ----------
    values : array_like
        Amplitudes in nV.
    name : str
        What to call them in an error.
    ndim : int
        The number of dimensions they must have.

    Returns
    -------
    ndarray of float64

    Raises
    ------
    DataError
        If the dimension is wrong, or the array is empty or not finite.
    """
    # A copy, because write-protecting a view would not protect it from its base.
    array = np.array(values, dtype=np.float64, order="C")
    if array.ndim != ndim:
        raise DataError(f"{name}: {array.ndim} dimensions given, {ndim} needed")
    if array.size == 0:
        raise DataError(f"{name}: empty, shape {array.shape}")
    if not np.isfinite(array).all():
        raise DataError(f"{name}: holds values that are not finite numbers")
    array.setflags(write=False)
    return array


@dataclass(frozen=True)
class TimeAxis:
    """A uniform time axis relative to the stimulus.

    Parameters
    ----------
    sfreq_hz : float
        Sampling rate in Hz.
    start_ms : float
        Time of the first sample in ms after the stimulus.
    n_samples : int
        Number of samples.

    Raises
    ------
    DataError
        If the rate is not positive, the start not finite or there is no sample.
    """

    sfreq_hz: float
    start_ms: float
    n_samples: int

    def __post_init__(self) -> None:
        if not (np.isfinite(self.sfreq_hz) and self.sfreq_hz > 0):
            raise DataError(f"sampling rate is {self.sfreq_hz} Hz; it must be above 0")
        if not np.isfinite(self.start_ms):
            raise DataError(f"start of the data is {self.start_ms} ms; it must be a finite time")
        if self.n_samples < 1:
            raise DataError(f"time axis has {self.n_samples} samples; it needs at least 1")

    @property
    def step_ms(self) -> float:
        """Time between two samples in ms."""
        return 1e3 / self.sfreq_hz

    @property
    def stop_ms(self) -> float:
        """Time of the last sample in ms."""
        return self.start_ms + (self.n_samples - 1) * self.step_ms

    @property
    def times_ms(self) -> FloatArray:
        """Time of every sample in ms, shape (n_samples,)."""
        return self.start_ms + np.arange(self.n_samples, dtype=np.float64) * self.step_ms

    def window(self, start_ms: float, stop_ms: float, *, name: str = "window") -> slice:
        """Return the samples from `start_ms` to `stop_ms`, both ends included.

        Parameters
        ----------
        start_ms, stop_ms : float
            Limits in ms; minus or plus infinity means the end of the data. A finite limit may
            lie at most one sample step beyond the data, because a trace of 25 ms ends one step
            before 25 ms.
        name : str
            What to call the window in an error.

        Returns
        -------
        slice
            Of sample indices.

        Raises
        ------
        DataError
            If the window is reversed, not inside the data or holds no sample.
        """
        if not start_ms < stop_ms:
            raise DataError(
                f"{name} is {start_ms:g} to {stop_ms:g} ms; it must start before it stops"
            )
        slack = self.step_ms * (1 + _STEP_TOLERANCE)
        outside = (np.isfinite(start_ms) and start_ms < self.start_ms - slack) or (
            np.isfinite(stop_ms) and stop_ms > self.stop_ms + slack
        )
        if outside:
            raise DataError(
                f"{name} {start_ms:g} to {stop_ms:g} ms is not inside the data, "
                f"{self.start_ms:g} to {self.stop_ms:g} ms"
            )
        first, last = 0, self.n_samples - 1
        if np.isfinite(start_ms):
            first = max(first, int(np.ceil(self._position(start_ms) - _STEP_TOLERANCE)))
        if np.isfinite(stop_ms):
            last = min(last, int(np.floor(self._position(stop_ms) + _STEP_TOLERANCE)))
        if last < first:
            raise DataError(
                f"{name} {start_ms:g} to {stop_ms:g} ms holds no sample "
                f"(one every {self.step_ms:g} ms)"
            )
        return slice(first, last + 1)

    def nearest(self, time_ms: float, *, name: str = "time") -> int:
        """Return the index of the sample nearest to `time_ms`.

        Parameters
        ----------
        time_ms : float
            Time in ms, at most half a sample step outside the data.
        name : str
            What to call it in an error.

        Returns
        -------
        int

        Raises
        ------
        DataError
            If the time is not inside the data.
        """
        index = round(self._position(time_ms))
        if not 0 <= index < self.n_samples:
            raise DataError(
                f"{name} {time_ms:g} ms is not inside the data, "
                f"{self.start_ms:g} to {self.stop_ms:g} ms"
            )
        return index

    def time_ms(self, index: int) -> float:
        """Return the time of one sample.

        Parameters
        ----------
        index : int
            Of the sample.

        Returns
        -------
        float
            In ms.
        """
        return self.start_ms + index * self.step_ms

    def agrees_with(self, other: "TimeAxis") -> bool:
        """Tell whether two axes have the same rate, start and length.

        Parameters
        ----------
        other : TimeAxis
            The axis to compare with.

        Returns
        -------
        bool
            True where no sample of one lies more than a hundredth of a step from the other's.
        """
        tolerance = 0.01 * self.step_ms
        return (
            self.n_samples == other.n_samples
            and abs(self.start_ms - other.start_ms) <= tolerance
            and abs(self.stop_ms - other.stop_ms) <= tolerance
        )

    def __str__(self) -> str:
        return (
            f"{self.n_samples} samples at {self.sfreq_hz:g} Hz, "
            f"{self.start_ms:g} to {self.stop_ms:g} ms"
        )

    def _position(self, time_ms: float) -> float:
        return (time_ms - self.start_ms) / self.step_ms


@dataclass(frozen=True, eq=False)
class Sweeps:
    """Accepted single sweeps.

    Parameters
    ----------
    sweeps_nv : array_like, shape (n_sweeps, n_samples)
        Amplitude in nV.
    axis : TimeAxis
        Of every sweep.
    """

    sweeps_nv: FloatArray
    axis: TimeAxis

    def __post_init__(self) -> None:
        object.__setattr__(self, "sweeps_nv", protected(self.sweeps_nv, name="sweeps", ndim=2))
        _same_length(self.sweeps_nv, self.axis, name="sweeps")

    @property
    def n_sweeps(self) -> int:
        """Number of accepted sweeps."""
        return len(self.sweeps_nv)


@dataclass(frozen=True, eq=False)
class Blocks:
    """Averages of successive blocks of sweeps.

    Parameters
    ----------
    blocks_nv : array_like, shape (n_blocks, n_samples)
        Amplitude in nV.
    n_per_block : tuple of int or None
        Accepted sweeps in each block; None where nobody said.
    axis : TimeAxis
        Of every block.

    Raises
    ------
    DataError
        If the number of counts differs from the number of blocks.
    """

    blocks_nv: FloatArray
    n_per_block: tuple[int, ...] | None
    axis: TimeAxis

    def __post_init__(self) -> None:
        object.__setattr__(self, "blocks_nv", protected(self.blocks_nv, name="blocks", ndim=2))
        _same_length(self.blocks_nv, self.axis, name="blocks")
        if self.n_per_block is not None and len(self.n_per_block) != len(self.blocks_nv):
            raise DataError(
                f"n_per_block has {len(self.n_per_block)} counts for {len(self.blocks_nv)} blocks"
            )

    @property
    def n_sweeps(self) -> int | None:
        """Number of sweeps in all blocks, None where it is not known."""
        return None if self.n_per_block is None else sum(self.n_per_block)


@dataclass(frozen=True, eq=False)
class Buffers:
    """The two split-buffer averages A and B.

    Parameters
    ----------
    a_nv, b_nv : array_like, shape (n_samples,)
        Amplitude in nV.
    n_a, n_b : int or None
        Accepted sweeps in each; None where nobody said, then they count as equal.
    axis : TimeAxis
        Of both.
    """

    a_nv: FloatArray
    b_nv: FloatArray
    n_a: int | None
    n_b: int | None
    axis: TimeAxis

    def __post_init__(self) -> None:
        for name in ("a_nv", "b_nv"):
            trace = protected(getattr(self, name), name=f"buffer {name[0].upper()}", ndim=1)
            object.__setattr__(self, name, trace)
            _same_length(trace, self.axis, name=f"buffer {name[0].upper()}")
        if (self.n_a is None) != (self.n_b is None):
            raise DataError("n_a and n_b belong together; only one of them is known")

    @property
    def n_sweeps(self) -> int | None:
        """Number of sweeps in both buffers, None where it is not known."""
        return None if self.n_a is None or self.n_b is None else self.n_a + self.n_b

    @property
    def counts(self) -> tuple[int, int]:
        """Sweeps in A and in B as weights: 1 and 1 where nobody said."""
        return (1, 1) if self.n_a is None or self.n_b is None else (self.n_a, self.n_b)


@dataclass(frozen=True, eq=False)
class Average:
    """One final average.

    Parameters
    ----------
    trace_nv : array_like, shape (n_samples,)
        Amplitude in nV.
    n_sweeps : int or None
        Accepted sweeps in it; None where nobody said.
    axis : TimeAxis
        Of the trace.
    """

    trace_nv: FloatArray
    n_sweeps: int | None
    axis: TimeAxis

    def __post_init__(self) -> None:
        object.__setattr__(self, "trace_nv", protected(self.trace_nv, name="average", ndim=1))
        _same_length(self.trace_nv, self.axis, name="average")


Waveforms = Sweeps | Blocks | Buffers | Average
"""What a recording can hold, from the best evidence to the least."""


def _same_length(values: FloatArray, axis: TimeAxis, *, name: str) -> None:
    if values.shape[-1] != axis.n_samples:
        raise DataError(
            f"{name}: {values.shape[-1]} samples given, the time axis has {axis.n_samples}"
        )
