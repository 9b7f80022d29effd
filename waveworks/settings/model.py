"""The settings as frozen records."""

import math
from dataclasses import dataclass, replace
from typing import Any

from waveworks.settings.expectation import ExpectedWave

Window = tuple[float, float]


@dataclass(frozen=True)
class StimulusWindows:
    """The windows that one kind of recording is measured in.

    Parameters
    ----------
    stimulus : str
        As in a condition.
    frequency_hz : float or None
        None serves every frequency that has no row of its own.
    response_ms : tuple of float
        Window of F statistics, agreement and shape test, in ms.
    noise_ms : tuple of float
        Window of residual noise and gap, in ms.
    v_ms : tuple of float or None
        Window of the search for wave V, in ms; None is no search.
    fsp_point_ms : float
        Latency of the single point of Fsp in ms; NaN is the middle of the response window.
    source : str
        What the values rest on.
    """

    stimulus: str
    frequency_hz: float | None
    response_ms: Window
    noise_ms: Window
    v_ms: Window | None = None
    fsp_point_ms: float = math.nan
    source: str = ""


@dataclass(frozen=True)
class Settings:
    """All settings of an analysis.

    Parameters
    ----------
    name : str
        What the file calls itself.
    sha256 : str
        Of the file's bytes.
    stimuli : tuple of StimulusWindows
        One row a stimulus and frequency.
    bandpass_hz : tuple of float or None
        Corners of the band-pass of continuous data in Hz; None is off.
    reject_uv : float or None
        Limit of the absolute value of a sweep in microvolt; None is off.
    changed : tuple of str
        What was set by hand over the file.
    expectations : tuple of ExpectedWave
        What is expected of wave V, a row for each kind of recording.
    """

    name: str
    sha256: str
    stimuli: tuple[StimulusWindows, ...]
    bandpass_hz: Window | None = None
    reject_uv: float | None = None
    changed: tuple[str, ...] = ()
    expectations: tuple[ExpectedWave, ...] = ()

    def windows_for(self, stimulus: str, frequency_hz: float | None) -> StimulusWindows | None:
        """Return the row that serves a stimulus.

        Parameters
        ----------
        stimulus : str
            As in a condition.
        frequency_hz : float or None
            Its nominal frequency.

        Returns
        -------
        StimulusWindows or None
            The row of this frequency, else the row without a frequency, else None.
        """
        rows = {row.frequency_hz: row for row in self.stimuli if row.stimulus == stimulus}
        return rows.get(frequency_hz, rows.get(None))

    def expectation_for(
        self,
        stimulus: str,
        frequency_hz: float | None,
        transducer: str,
        corrected_age_weeks: float | None,
    ) -> ExpectedWave | None:
        """Return the row of expectations that serves a recording.

        Parameters
        ----------
        stimulus : str
            As in a condition.
        frequency_hz : float or None
            Its nominal frequency in Hz.
        transducer : str
            As in a condition.
        corrected_age_weeks : float or None
            Corrected age; None is unknown, and then no row of certain ages serves.

        Returns
        -------
        ExpectedWave or None
            Of the rows that serve it, one that names the transducer before one that does not;
            where that leaves a choice, one that names the age; then one that names the
            frequency. None where no row serves it.
        """
        serving = [
            row
            for row in self.expectations
            if row.serves(stimulus, frequency_hz, transducer, corrected_age_weeks)
        ]
        return max(serving, key=lambda row: row.named, default=None)

    def override(
        self,
        *,
        response_ms: Window | None = None,
        v_ms: Window | None = None,
        noise_ms: Window | None = None,
        fsp_point_ms: float | None = None,
        bandpass_hz: Window | None = None,
        reject_uv: float | None = None,
    ) -> "Settings":
        """Return settings in which the given values replace those of every row.

        Parameters
        ----------
        response_ms, v_ms, noise_ms : tuple of float, optional
            Windows in ms. A V window given here is searched whole, whatever latency is expected.
        fsp_point_ms : float, optional
            Point of Fsp in ms.
        bandpass_hz : tuple of float, optional
            Corners in Hz.
        reject_uv : float, optional
            Limit in microvolt.

        Returns
        -------
        Settings
            With the changes named in `changed`.
        """
        per_row = _given(
            response_ms=response_ms, v_ms=v_ms, noise_ms=noise_ms, fsp_point_ms=fsp_point_ms
        )
        overall = _given(bandpass_hz=bandpass_hz, reject_uv=reject_uv)
        changed = tuple(f"{name} = {value}" for name, value in {**per_row, **overall}.items())
        expectations = self.expectations
        if v_ms is not None:
            expectations = tuple(replace(row, spread_ms=math.inf) for row in expectations)
        return replace(
            self,
            expectations=expectations,
            stimuli=tuple(replace(row, **per_row) for row in self.stimuli),
            changed=self.changed + changed,
            **overall,
        )


def _given(**values: object) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value is not None}
