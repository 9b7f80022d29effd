"""Everything that is measured on one recording."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from waveworks.dsp.averaging import combine
from waveworks.errors import DataError
from waveworks.measures.detection import DetectionMeasure, detection
from waveworks.measures.final_traces import check_axes
from waveworks.measures.noise import NoiseMeasure, noise_among, own_noise, shared_counts
from waveworks.measures.pooling import mean_trace, without_copies
from waveworks.model import Recording, Session
from waveworks.settings import Settings, StimulusWindows


@dataclass(frozen=True, kw_only=True)
class RecordingMeasures:
    """The measures of one recording.

    Parameters
    ----------
    recording : Recording
        What was measured.
    noise : NoiseMeasure
        Its residual noise.
    detection : DetectionMeasure
        Its F statistics.
    notes : tuple of str
        What a reader of the numbers should know.
    faults : tuple of str
        Why something that was asked for could not be measured.
    """

    recording: Recording
    noise: NoiseMeasure = field(default_factory=NoiseMeasure)
    detection: DetectionMeasure = field(default_factory=DetectionMeasure)
    notes: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()


def windows_of(recording: Recording, settings: Settings) -> StimulusWindows:
    """Return the windows that the settings give a recording.

    Parameters
    ----------
    recording : Recording
        Whose stimulus counts.
    settings : Settings
        Of the analysis.

    Returns
    -------
    StimulusWindows

    Raises
    ------
    DataError
        If the settings have no row for the stimulus.
    """
    condition = recording.condition
    windows = settings.windows_for(condition.stimulus, condition.frequency_hz)
    if windows is None:
        raise DataError(f"the settings have no row for the stimulus '{condition.stimulus}'")
    return windows


def measure_recordings(session: Session, settings: Settings) -> tuple[RecordingMeasures, ...]:
    """Measure every recording of a session.

    Parameters
    ----------
    session : Session
        Its recordings, usable or not.
    settings : Settings
        Windows per stimulus.

    Returns
    -------
    tuple of RecordingMeasures
        One a recording, in the order of the session.
    """
    replicates = session.replicates()
    by_name = {recording.name: recording for recording in session.recordings}
    return tuple(
        _measure(recording, replicates.get(recording.condition, ()), by_name, settings)
        for recording in session.recordings
    )


def _measure(
    recording: Recording,
    replicates: Sequence[Recording],
    by_name: Mapping[str, Recording],
    settings: Settings,
) -> RecordingMeasures:
    if recording.waveforms is None:
        return RecordingMeasures(recording=recording, faults=(recording.problem,))
    try:
        windows = windows_of(recording, settings)
    except DataError as fault:
        return RecordingMeasures(recording=recording, notes=recording.notes, faults=(str(fault),))
    noise = own_noise(recording, windows.noise_ms)
    if not noise.known and not noise.fault and recording.is_replicate:
        noise = _noise_from_replicates(recording, replicates, windows) or noise
    detected = detection(recording.data, windows)
    notes = (*recording.notes, noise.note, detected.note, *_parts_note(recording, by_name))
    return RecordingMeasures(
        recording=recording,
        noise=noise,
        detection=detected,
        notes=tuple(note for note in notes if note),
        faults=tuple(fault for fault in (noise.fault, detected.fault) if fault),
    )


def _noise_from_replicates(
    recording: Recording, replicates: Sequence[Recording], windows: StimulusWindows
) -> NoiseMeasure | None:
    usable, _ = without_copies([other for other in replicates if other.waveforms is not None])
    if len(usable) < 2 or recording not in usable:
        return None
    try:
        check_axes(usable)
        return noise_among(usable, windows.noise_ms).left_in([recording])
    except DataError:
        # What keeps the replicates apart is told once, by their level.
        return None


def _parts_note(recording: Recording, by_name: Mapping[str, Recording]) -> tuple[str, ...]:
    """Compare a stored combination with the count-weighted average of its parts."""
    if not recording.parts:
        return ()
    parts = [by_name[name] for name in recording.parts]
    unusable = [part.name for part in parts if part.waveforms is None]
    if unusable:
        return (f"not compared with its parts: {', '.join(unusable)} could not be read",)
    elsewhere = [part.name for part in parts if part.condition != recording.condition]
    notes = (f"parts {', '.join(elsewhere)} are of another condition",) if elsewhere else ()
    try:
        check_axes([recording, *parts])
    except DataError as fault:
        return (*notes, f"not compared with its parts: {fault}")
    counts, count_note = shared_counts(parts)
    expected = combine([mean_trace(part.data) for part in parts], n_sweeps=counts).trace_nv
    farthest = float(np.abs(mean_trace(recording.data) - expected).max())
    comparison = (
        f"differs by at most {farthest:.3g} nV from the count-weighted average of its parts"
    )
    return tuple(note for note in (*notes, comparison, count_note) if note)
