"""The response of the validation scenarios: wave V and SN10 as two Gaussians, and a level series.

``R(L, a)`` is ``g(t; L, 0.6) - 1.1 g(t; L + 3.2, 1.5)``, g a Gaussian of unit height with that SD
in ms, scaled so that its maximum minus its minimum is a.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waveworks.errors import DataError

FloatArray = NDArray[np.float64]

_COMPLEX = ((1.0, 0.0, 0.6), (-1.1, 3.2, 1.5))
"""Wave V and SN10: height, lag behind the latency in ms, SD in ms."""

_EARLY = ((0.3, -5.0, 0.25), (0.4, -2.4, 0.35))
"""Waves I and III, for display only (common practice, no source)."""

_TOP_LATENCY_MS = 7.6
_TOP_AMPLITUDE_NV = 160.0
_LATENCY_STEP_MS = 0.5
_AMPLITUDE_STEP = 2 / 3
_LEVEL_STEP_DB = 10.0


@dataclass(frozen=True)
class LevelResponse:
    """The response at one level of a series.

    Parameters
    ----------
    latency_ms : float
        L of ``R(L, a)`` in ms; NaN below the true threshold.
    amplitude_nv : float
        V to SN10 in nV; 0 below the true threshold.
    """

    latency_ms: float
    amplitude_nv: float


def response(
    times_ms: ArrayLike, latency_ms: float, amplitude_nv: float, *, early_waves: bool = False
) -> FloatArray:
    """Return the noiseless response.

    Parameters
    ----------
    times_ms : array_like
        Time after the stimulus in ms.
    latency_ms : float
        L in ms: the centre of wave V's Gaussian. Wave V itself is a little earlier, see
        `true_v_ms`. Without meaning, and may be NaN, where `amplitude_nv` is 0.
    amplitude_nv : float
        Maximum minus minimum of wave V and SN10, in nV; 0 for no response.
    early_waves : bool
        Add waves I and III, for display only; they leave wave V and SN10 as they are.

    Returns
    -------
    ndarray, shape of `times_ms`
        In nV; wave V is positive.

    Raises
    ------
    DataError
        If a number is not finite or the amplitude is negative.
    """
    times = np.asarray(times_ms, dtype=np.float64)
    if not np.isfinite(times).all():
        raise DataError("times_ms: every time must be a finite number")
    if not (math.isfinite(amplitude_nv) and amplitude_nv >= 0):
        raise DataError(f"amplitude_nv is {amplitude_nv:g} nV; it must be a number of at least 0")
    if amplitude_nv == 0:
        return np.zeros_like(times)
    waves = _COMPLEX + _EARLY if early_waves else _COMPLEX
    return amplitude_nv / _SWING * _sum(waves, times - _finite(latency_ms))


def true_v_ms(latency_ms: float) -> float:
    """Return the latency of wave V: the maximum of the noiseless response.

    Parameters
    ----------
    latency_ms : float
        L of ``R(L, a)`` in ms.

    Returns
    -------
    float
        In ms, to rounding; 0.0546 ms before `latency_ms`, because SN10 has begun.

    Raises
    ------
    DataError
        If the latency is not a finite number.
    """
    return _finite(latency_ms) + _V_LAG_MS


def true_sn10_ms(latency_ms: float) -> float:
    """Return the latency of SN10: the minimum of the noiseless response.

    Parameters
    ----------
    latency_ms : float
        L of ``R(L, a)`` in ms.

    Returns
    -------
    float
        In ms, to rounding.

    Raises
    ------
    DataError
        If the latency is not a finite number.
    """
    return _finite(latency_ms) + _SN10_LAG_MS


def series_response(
    level_db_nhl: float, *, top_db_nhl: float, threshold_db_nhl: float
) -> LevelResponse:
    """Return the response at one level of a series.

    At the top it has L = 7.6 ms and a = 160 nV; for each 10 dB down L grows by 0.5 ms and a falls
    by a third, steadily in between. Below the true threshold there is none.

    Parameters
    ----------
    level_db_nhl : float
        Level of the stimulus in dB nHL.
    top_db_nhl : float
        Highest level of the series in dB nHL.
    threshold_db_nhl : float
        True threshold in dB nHL: the lowest level with a response.

    Returns
    -------
    LevelResponse

    Raises
    ------
    DataError
        If a level is not finite or lies above the top.
    """
    for name, level in (
        ("level_db_nhl", level_db_nhl),
        ("top_db_nhl", top_db_nhl),
        ("threshold_db_nhl", threshold_db_nhl),
    ):
        if not math.isfinite(level):
            raise DataError(f"{name} is {level:g} dB nHL; it must be a finite number")
    if level_db_nhl > top_db_nhl:
        raise DataError(
            f"level_db_nhl is {level_db_nhl:g} dB nHL; the series begins at {top_db_nhl:g} dB nHL"
        )
    if level_db_nhl < threshold_db_nhl:
        return LevelResponse(math.nan, 0.0)
    steps = (top_db_nhl - level_db_nhl) / _LEVEL_STEP_DB
    return LevelResponse(
        _TOP_LATENCY_MS + _LATENCY_STEP_MS * steps, _TOP_AMPLITUDE_NV * _AMPLITUDE_STEP**steps
    )


def _sum(waves: tuple[tuple[float, float, float], ...], lag_ms: FloatArray) -> FloatArray:
    """Return the sum of Gaussians at times relative to the latency."""
    total = np.zeros_like(lag_ms)
    for height, centre_ms, sd_ms in waves:
        total += height * np.exp(-0.5 * ((lag_ms - centre_ms) / sd_ms) ** 2)
    return total


def _extremum(lag_ms: float) -> float:
    """Return the extremum of wave V and SN10 near a lag, by Newton's method on the slope."""
    for _ in range(10):  # each step doubles the digits; the start is good to one
        slope = curvature = 0.0
        for height, centre_ms, sd_ms in _COMPLEX:
            z = (lag_ms - centre_ms) / sd_ms
            value = height * math.exp(-0.5 * z**2)
            slope -= value * z / sd_ms
            curvature += value * (z**2 - 1) / sd_ms**2
        lag_ms -= slope / curvature
    return lag_ms


def _finite(latency_ms: float) -> float:
    if not math.isfinite(latency_ms):
        raise DataError(f"latency_ms is {latency_ms:g} ms; it must be a finite number")
    return latency_ms


_V_LAG_MS, _SN10_LAG_MS = (_extremum(centre_ms) for _, centre_ms, _ in _COMPLEX)
_SWING = float(np.ptp(_sum(_COMPLEX, np.array([_V_LAG_MS, _SN10_LAG_MS]))))
"""Maximum minus minimum before scaling."""
