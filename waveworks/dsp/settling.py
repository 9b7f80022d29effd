"""How an average settles: its change from step to step, and its peaks on the way.

Amplitudes are in nV; the caller has cut the window. A step is a number of sweeps.
"""

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from waveworks.dsp._validate import finite_array, sweeps_array, whole_number
from waveworks.dsp.residual_noise import noise_from_sweeps
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]
Number = TypeVar("Number", bound=np.generic)


@dataclass(frozen=True, eq=False)
class RunningAverage:
    """The average of the sweeps so far.

    Parameters
    ----------
    n_sweeps : ndarray of int, shape (n_steps,)
        Sweeps in each average.
    averages_nv : ndarray, shape (n_steps, n_samples)
        In nV.
    """

    n_sweeps: NDArray[np.int64]
    averages_nv: FloatArray


@dataclass(frozen=True, eq=False)
class Settling:
    """How far the running average moved in each step, and how far noise alone would move it.

    Parameters
    ----------
    n_sweeps : ndarray of int, shape (n_steps - 1,)
        Sweeps at the end of each step but the first.
    step : int
        Sweeps in a step.
    change_nv : ndarray, shape (n_steps - 1,)
        RMS over the samples of the average at the end of the step minus that at its start, in nV.
    expected_nv : ndarray, shape (n_steps - 1,)
        Root of the mean square that noise alone would give, in nV.
    low_nv, high_nv : ndarray, shape (n_steps - 1,)
        In 95 % of the steps noise alone would stay between them, in nV; NaN without noise.
    """

    n_sweeps: NDArray[np.int64]
    step: int
    change_nv: FloatArray
    expected_nv: FloatArray
    low_nv: FloatArray
    high_nv: FloatArray


@dataclass(frozen=True, eq=False)
class MarkCourse:
    """Wave V and SN10 in the running average.

    Parameters
    ----------
    n_sweeps : ndarray of int, shape (n_steps,)
        Sweeps in each average.
    v_ms, sn10_ms : ndarray, shape (n_steps,)
        Latency in ms; NaN where there is no turning point within reach.
    v_sn10_nv : ndarray, shape (n_steps,)
        Amplitude between them in nV.
    reach_ms : float
        How far from the given marks they were looked for, in ms.
    """

    n_sweeps: NDArray[np.int64]
    v_ms: FloatArray
    sn10_ms: FloatArray
    v_sn10_nv: FloatArray
    reach_ms: float


def running_average(sweeps: ArrayLike, step: int) -> RunningAverage:
    """Return the average after every full step of sweeps.

    Parameters
    ----------
    sweeps : array_like, shape (n_sweeps, n_samples)
        One sweep a row, in nV, in the order in which they were recorded.
    step : int
        Sweeps in a step, at most the number of sweeps.

    Returns
    -------
    RunningAverage

    Raises
    ------
    DataError
        If the sweeps are too few or not finite, or the step is out of range.
    """
    array = sweeps_array(sweeps)
    size = whole_number(step, name="step", least=1, most=len(array))
    n_steps = len(array) // size
    means = array[: n_steps * size].reshape(n_steps, size, -1).mean(axis=1)
    # Summed about the first, so that a large offset costs no digits.
    steps = np.arange(1, n_steps + 1)
    averages = means[0] + np.cumsum(means - means[0], axis=0) / steps[:, np.newaxis]
    return RunningAverage(_protected(size * steps), _protected(averages))


def settling(sweeps: ArrayLike, step: int) -> Settling:
    """Compare each change of the running average with what noise alone would do.

    Parameters
    ----------
    sweeps : array_like, shape (n_sweeps, n_samples)
        One sweep a row, in nV, in the order in which they were recorded.
    step : int
        Sweeps in a step; at least two full steps are needed.

    Returns
    -------
    Settling

    Raises
    ------
    DataError
        As `running_average`, or if there are fewer than two full steps.

    Notes
    -----
    Sweeps of independent noise of variance s^2 move the average of n by an RMS of
    ``s sqrt(step / (n (n - step)))`` in the last step; s is that of all sweeps together. The square
    of the RMS is taken as chi-square with the degrees of freedom of one sweep, those of
    `noise_from_sweeps` divided by the number of deviations. A response that stays the same does not
    move the average; one that comes, goes or shifts does, and so does noise that changes its power.

    Own simulation, 145 samples of 1000 independent sweeps of noise at 12 kHz, step 100, 2000 runs a
    kind, seed 2024: 95.5 (white), 95.9 (Q33) and 95.4 % (Q100) of the changes lie in the range, and
    95.2, 95.5 and 95.6 % where sweeps of 25 ms are cut from one stretch (500 runs). The mean square
    is within 1 % of what is expected. The range is that of one step: at least one of nine changes
    lies outside in a third of the runs.
    """
    array = sweeps_array(sweeps)
    size = whole_number(step, name="step", least=1, most=len(array))
    if len(array) < 2 * size:
        raise DataError(f"step is {size} sweeps; {len(array)} sweeps hold fewer than two steps")
    running = running_average(array, size)
    change = np.sqrt(np.mean(np.diff(running.averages_nv, axis=0) ** 2, axis=1))
    noise = noise_from_sweeps(array)
    after = running.n_sweeps[1:]
    before = running.n_sweeps[:-1]
    expected = noise.rn_nv * np.sqrt(len(array) * size / (after * before))
    df = noise.df / (len(array) - 1)
    # Without noise there are no degrees of freedom, and the range is NaN.
    low, high = (expected * math.sqrt(float(special.chdtri(df, p)) / df) for p in (0.975, 0.025))
    return Settling(
        n_sweeps=after,
        step=size,
        change_nv=_protected(change),
        expected_nv=_protected(expected),
        low_nv=_protected(low),
        high_nv=_protected(high),
    )


def follow_marks(
    running: RunningAverage,
    times_ms: ArrayLike,
    v_ms: float,
    sn10_ms: float,
    reach_ms: float = 1.0,
) -> MarkCourse:
    """Follow wave V and SN10 through the running average.

    At every step wave V is the highest point within reach of its given place and SN10 the lowest
    within reach of its own and after wave V, each between samples by a parabola. They are looked
    for near where they ended up, so every point of the course lies near the final mark by
    construction, in noise alone too: it shows when the average came to rest, and is no evidence
    that there is a response.

    Parameters
    ----------
    running : RunningAverage
        Of the whole trace.
    times_ms : array_like, shape (n_samples,)
        Uniform time axis in ms.
    v_ms, sn10_ms : float
        The final marks in ms; NaN is not marked.
    reach_ms : float
        How far from them to look, in ms; positive.

    Returns
    -------
    MarkCourse
        A highest or lowest point on the border of its reach is no turning point, and NaN.

    Raises
    ------
    DataError
        If the time axis does not fit the averages, or the reach is not positive.
    """
    times = finite_array(times_ms, name="times_ms", ndim=1)
    averages = running.averages_nv
    if times.size != averages.shape[1]:
        raise DataError(f"times_ms has {times.size} samples; the averages have {averages.shape[1]}")
    if not reach_ms > 0:
        raise DataError(f"reach_ms is {reach_ms:g} ms; it must be above 0")
    anywhere = np.full(len(averages), -math.inf)
    v, at_v = _turning_points(averages, times, v_ms, reach_ms, anywhere)
    after_v = np.where(np.isnan(v), anywhere, v)
    sn10, at_sn10 = _turning_points(-averages, times, sn10_ms, reach_ms, after_v)
    return MarkCourse(
        n_sweeps=running.n_sweeps,
        v_ms=_protected(v),
        sn10_ms=_protected(sn10),
        v_sn10_nv=_protected(at_v + at_sn10),
        reach_ms=reach_ms,
    )


def _turning_points(
    averages: FloatArray, times: FloatArray, near_ms: float, reach_ms: float, after_ms: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return latency and height of the highest point near a place, NaN where it does not turn.

    `after_ms` holds for each average the time that it must come after.
    """
    latency = np.full(len(averages), math.nan)
    height = np.full(len(averages), math.nan)
    near = np.flatnonzero(np.abs(times - near_ms) <= reach_ms)  # none for NaN
    for row, (average, after) in enumerate(zip(averages, after_ms, strict=True)):
        allowed = near[times[near] > after]
        if allowed.size == 0:
            continue
        top = int(allowed[np.argmax(average[allowed])])
        if top in (allowed[0], allowed[-1]):
            continue
        # The first of equals is lower on its left, so that the parabola has a summit.
        left, middle, right = average[top - 1 : top + 2]
        shift = 0.5 * (left - right) / (left - 2 * middle + right)
        latency[row] = times[top] + shift * (times[1] - times[0])
        height[row] = middle - 0.25 * (left - right) * shift
    return latency, height


def _protected(array: NDArray[Number]) -> NDArray[Number]:
    array.setflags(write=False)
    return array
