"""What an invented ear answers: wave V's latency and the V-SN10 amplitude, as data with sources.

Latency is that of the shipped settings, a straight line against level for each stimulus and
frequency. The published values are averages over groups of infants; a single ear differs, which a
scenario says by giving its own.
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from waveworks.errors import DataError
from waveworks.settings import ExpectedWave, default_settings

REFERENCE_AGE_WEEKS = 6.0
"""Corrected age at which the table holds. The ages of the infants behind the published values are
not known here: own choice."""

_MATURE_WEEKS = 78.0
_YOUNGEST_WEEKS = -16.0
_AGE_SLOPE_MS = -0.01
_AGE_GROWTH = 0.002
AGE_SOURCE = (
    "wave V falls until at least 18 months (Gorga et al. 1989, J Speech Hear Res 32:281-288); "
    "0.01 ms a week up to then, and amplitude 0.2 % a week larger: own choice"
)
LEVEL_STEP_DB = 10.0
AMPLITUDE_STEP = 2 / 3
"""Amplitude falls by a third for each 10 dB: the level series of the validation scenarios."""

_AMPLITUDE_LEVEL_DB_NHL = 60.0

AMPLITUDE_AT_60_DB_NV = {
    "narrowband-chirp": (160.0, "level series of the validation scenarios: own choice"),
    "tone-burst": (
        160.0 / 1.64,
        "narrow-band chirps 64 % larger, Ferm, Lightfoot and Stevens 2013, Int J Audiol 52 "
        "(authors from memory); the chirp itself: own choice",
    ),
    "click": (160.0, "own choice"),
    "broadband-chirp": (160.0, "own choice"),
}
"""V-SN10 amplitude at 60 dB nHL in nV, and what it rests on. Infants' chirps at threshold had 105
to 141 nV (the study of the chirp latencies), more than this rule gives there: it errs on the
difficult side."""


@dataclass(frozen=True)
class Expectation:
    """What an ear answers at one level.

    Parameters
    ----------
    v_ms : float
        Latency of wave V in ms; NaN where there is no response.
    v_sn10_nv : float
        Amplitude from wave V to SN10 in nV; 0 where there is no response.
    source : str
        What the values rest on; empty where there is no response.
    """

    v_ms: float
    v_sn10_nv: float
    source: str = ""


NO_RESPONSE = Expectation(math.nan, 0.0)


def expected_response(
    stimulus: str,
    frequency_hz: float | None,
    level_db_nhl: float,
    *,
    threshold_db_nhl: float,
    corrected_age_weeks: float | None = None,
) -> Expectation:
    """Return what an ear answers at one level.

    Parameters
    ----------
    stimulus : str
        As in a condition.
    frequency_hz : float or None
        Its nominal frequency in Hz; between the known ones latency is interpolated over octaves
        (own choice).
    level_db_nhl : float
        Level in dB nHL.
    threshold_db_nhl : float
        True threshold in dB nHL: the lowest level with a response; infinite for none at all.
    corrected_age_weeks : float, optional
        Age corrected for prematurity; the table as it stands, for 6 weeks, if not given.

    Returns
    -------
    Expectation
        `NO_RESPONSE` below the threshold.

    Raises
    ------
    DataError
        If nothing is known about the stimulus or the frequency, or a number is not finite.
    """
    for name, value, unit in (
        ("level_db_nhl", level_db_nhl, "dB nHL"),
        ("corrected_age_weeks", corrected_age_weeks or 0.0, "weeks"),
    ):
        if not math.isfinite(value):
            raise DataError(f"{name} is {value:g} {unit}; it must be a finite number")
    if math.isnan(threshold_db_nhl):
        raise DataError("threshold_db_nhl is nan dB nHL; it must be a number")
    if level_db_nhl < threshold_db_nhl:
        return NO_RESPONSE
    v_ms, source = _latency(stimulus, frequency_hz, level_db_nhl)
    amplitude_nv, amplitude_source = AMPLITUDE_AT_60_DB_NV[stimulus]
    weeks = _weeks_from_reference(corrected_age_weeks)
    steps = (_AMPLITUDE_LEVEL_DB_NHL - level_db_nhl) / LEVEL_STEP_DB
    return Expectation(
        v_ms + _AGE_SLOPE_MS * weeks,
        amplitude_nv * AMPLITUDE_STEP**steps * (1 + _AGE_GROWTH * weeks),
        f"latency: {source}; amplitude: {amplitude_source}",
    )


@cache
def _waves() -> tuple[ExpectedWave, ...]:
    """Return the shipped rows that serve every transducer and every age."""
    rows = default_settings().expectations
    return tuple(row for row in rows if row.transducer is None and row.age_weeks is None)


def _latency(stimulus: str, frequency_hz: float | None, level_db_nhl: float) -> tuple[float, str]:
    waves = sorted(
        (wave for wave in _waves() if wave.stimulus == stimulus),
        key=lambda wave: wave.frequency_hz or 0.0,
    )
    if not waves:
        known = ", ".join(dict.fromkeys(wave.stimulus for wave in _waves()))
        raise DataError(f"nothing is known about the latency of '{stimulus}', only of {known}")
    frequencies = [wave.frequency_hz for wave in waves if wave.frequency_hz is not None]
    if not frequencies:
        return waves[0].v_at(level_db_nhl), waves[0].source
    if frequency_hz is None or not frequencies[0] <= frequency_hz <= frequencies[-1]:
        shown = "missing" if frequency_hz is None else f"{frequency_hz:g} Hz"
        raise DataError(
            f"frequency_hz is {shown}; the latency of a {stimulus} is known from "
            f"{frequencies[0]:g} to {frequencies[-1]:g} Hz"
        )
    latencies_ms = [wave.v_at(level_db_nhl) for wave in waves]
    octaves = np.log2(frequencies)
    return float(np.interp(math.log2(frequency_hz), octaves, latencies_ms)), waves[0].source


def _weeks_from_reference(corrected_age_weeks: float | None) -> float:
    if corrected_age_weeks is None:
        return 0.0
    return min(max(corrected_age_weeks, _YOUNGEST_WEEKS), _MATURE_WEEKS) - REFERENCE_AGE_WEEKS
