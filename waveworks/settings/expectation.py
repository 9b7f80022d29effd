"""What is expected of wave V and SN10, as data: latency, its scatter, amplitude and shape."""

import math
from bisect import bisect_left
from dataclasses import dataclass

import numpy as np

Span = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class ExpectedWave:
    """The wave V that one kind of recording is expected to show, level by level.

    Parameters
    ----------
    stimulus : str
        As in a condition.
    frequency_hz : float or None
        None serves every frequency.
    transducer : str or None
        As in a condition; None serves every transducer.
    age_weeks : tuple of float or None
        Corrected ages that the row serves, the first included and the second not; None serves
        every age, an unknown one among them.
    level_db_nhl : tuple of float
        Levels of the values below in dB nHL, strictly rising.
    v_ms : tuple of float
        Latency of wave V at each level in ms, never rising with level.
    v_sd_ms : tuple of float or None
        Its standard deviation between ears in ms; None is not known.
    slope_ms_per_db : float
        Change of latency with level where a single level is given; NaN where the levels tell.
    v_sn10_nv, v_sn10_sd_nv : tuple of float or None
        Amplitude from wave V to SN10 at each level, and its standard deviation between ears, in
        nV; None is not known.
    step_ms_per_10_db : tuple of float
        Least and most by which the latency of one ear grows for 10 dB less.
    v_width_ms, sn10_width_ms : float
        Standard deviations of the Gaussians that draw V and SN10, in ms.
    sn10_lag_ms : float
        How much later the second Gaussian has its centre, in ms.
    spread_ms : float
        Least half width of the search window about the expected latency, in ms.
    source : str
        What the values rest on.
    """

    stimulus: str
    frequency_hz: float | None = None
    transducer: str | None = None
    age_weeks: Span | None = None
    level_db_nhl: tuple[float, ...]
    v_ms: tuple[float, ...]
    v_sd_ms: tuple[float, ...] | None = None
    slope_ms_per_db: float = math.nan
    v_sn10_nv: tuple[float, ...] | None = None
    v_sn10_sd_nv: tuple[float, ...] | None = None
    # Own choice: the steps between published levels, 0.4 to 0.9 ms, with room.
    step_ms_per_10_db: Span = (0.1, 1.0)
    # Own choice: the response of the project's own validation scenarios.
    v_width_ms: float = 0.6
    sn10_width_ms: float = 1.5
    sn10_lag_ms: float = 3.2
    # Own choice: a conductive loss or a young age makes wave V late.
    spread_ms: float = 2.5
    source: str

    @property
    def named(self) -> tuple[bool, bool, bool]:
        """Whether the row names a transducer, ages, a frequency: the larger, the more specific."""
        parts = (self.transducer, self.age_weeks, self.frequency_hz)
        transducer, ages, frequency = (part is not None for part in parts)
        return transducer, ages, frequency

    def serves(
        self,
        stimulus: str,
        frequency_hz: float | None,
        transducer: str,
        corrected_age_weeks: float | None,
    ) -> bool:
        """Tell whether the row is for a recording.

        Parameters
        ----------
        stimulus : str
            As in a condition.
        frequency_hz : float or None
            Its nominal frequency in Hz.
        transducer : str
            As in a condition.
        corrected_age_weeks : float or None
            Corrected age; None is unknown.

        Returns
        -------
        bool
            Whatever the row does not name fits all.
        """
        if self.age_weeks is not None:
            start, stop = self.age_weeks
            if corrected_age_weeks is None or not start <= corrected_age_weeks < stop:
                return False
        return (
            stimulus == self.stimulus
            and self.frequency_hz in (None, frequency_hz)
            and self.transducer in (None, transducer)
        )

    def v_at(self, level_db_nhl: float) -> float:
        """Return the expected latency of wave V at a level.

        Parameters
        ----------
        level_db_nhl : float
            Level in dB nHL; beyond the stated levels the line goes on.

        Returns
        -------
        float
            In ms.
        """
        levels, latencies = self.level_db_nhl, self.v_ms
        if level_db_nhl in levels:
            return latencies[levels.index(level_db_nhl)]
        if len(levels) == 1:
            return latencies[0] + self.slope_ms_per_db * (level_db_nhl - levels[0])
        high = min(max(bisect_left(levels, level_db_nhl), 1), len(levels) - 1)
        low = high - 1
        slope = (latencies[high] - latencies[low]) / (levels[high] - levels[low])
        return latencies[high] + slope * (level_db_nhl - levels[high])

    def v_sd_at(self, level_db_nhl: float) -> float:
        """Return the standard deviation of the latency between ears at a level.

        Parameters
        ----------
        level_db_nhl : float
            Level in dB nHL.

        Returns
        -------
        float
            In ms, interpolated between the stated levels and that of the nearest one beyond them;
            NaN where it is not known.
        """
        if self.v_sd_ms is None:
            return math.nan
        return float(np.interp(level_db_nhl, self.level_db_nhl, self.v_sd_ms))

    def amplitude_at(self, level_db_nhl: float) -> float:
        """Return the expected amplitude from wave V to SN10 at a level.

        Parameters
        ----------
        level_db_nhl : float
            Level in dB nHL.

        Returns
        -------
        float
            In nV, interpolated between the stated levels; NaN beyond them, since amplitude is no
            straight line, and where it is not known.
        """
        return self._inside(level_db_nhl, self.v_sn10_nv)

    def amplitude_sd_at(self, level_db_nhl: float) -> float:
        """Return the standard deviation of the amplitude between ears at a level.

        Parameters
        ----------
        level_db_nhl : float
            Level in dB nHL.

        Returns
        -------
        float
            In nV, interpolated between the stated levels; NaN beyond them and where it is not
            known.
        """
        return self._inside(level_db_nhl, self.v_sn10_sd_nv)

    def window(self, level_db_nhl: float) -> Span:
        """Return the window to search for wave V at a level.

        Parameters
        ----------
        level_db_nhl : float
            Level in dB nHL.

        Returns
        -------
        tuple of float
            Start and stop in ms: two standard deviations either way of the expected latency, and
            at least `spread_ms`.
        """
        sd_ms = self.v_sd_at(level_db_nhl)
        half = self.spread_ms if math.isnan(sd_ms) else max(2 * sd_ms, self.spread_ms)
        v_ms = self.v_at(level_db_nhl)
        return v_ms - half, v_ms + half

    def _inside(self, level_db_nhl: float, values: tuple[float, ...] | None) -> float:
        if values is None:
            return math.nan
        found = np.interp(level_db_nhl, self.level_db_nhl, values, left=math.nan, right=math.nan)
        return float(found)
