"""What would go wrong in measuring a session, found without measuring it."""

from collections.abc import Iterator

from waveworks.errors import DataError
from waveworks.measures.final_traces import check_axes
from waveworks.measures.recordings import windows_of
from waveworks.model import Recording, Session
from waveworks.settings import Settings


def faults_of(session: Session, settings: Settings) -> tuple[str, ...]:
    """Return one plain line for each thing that cannot be measured.

    Parameters
    ----------
    session : Session
        That was read.
    settings : Settings
        Windows per stimulus.

    Returns
    -------
    tuple of str
        Unusable recordings, windows outside the data, replicates that differ in time.
    """
    of_recordings = (
        f"recording '{recording.name}': {fault}"
        for recording in session.recordings
        for fault in _recording_faults(recording, settings)
    )
    return (*of_recordings, *_level_faults(session))


def notes_of(session: Session) -> tuple[str, ...]:
    """Return one plain line for each thing that looks odd in data that are usable.

    Parameters
    ----------
    session : Session
        That was read.

    Returns
    -------
    tuple of str
        A note that several recordings share is told once, with their number.
    """
    lines = [
        f"note: recordings.csv: column '{column}' means nothing here; it is kept as it is"
        for column in session.unknown_columns
    ]
    named: dict[str, list[str]] = {}
    for recording in session.recordings:
        for note in recording.notes:
            named.setdefault(note, []).append(recording.name)
    for note, names in named.items():
        others = f" and {len(names) - 1} more" if len(names) > 1 else ""
        lines.append(f"note: recording '{names[0]}'{others}: {note}")
    return tuple(lines)


def _recording_faults(recording: Recording, settings: Settings) -> Iterator[str]:
    try:
        axis = recording.data.axis
        windows = windows_of(recording, settings)
    except DataError as fault:
        yield str(fault)
        return
    asked = {"noise window": windows.noise_ms, "response window": windows.response_ms}
    if windows.v_ms is not None and recording.kind == "test":
        asked["V window"] = windows.v_ms
    for name, window_ms in asked.items():
        try:
            axis.window(*window_ms, name=name)
        except DataError as fault:
            yield str(fault)


def _level_faults(session: Session) -> Iterator[str]:
    for condition, replicates in session.replicates().items():
        usable = [recording for recording in replicates if recording.waveforms is not None]
        try:
            if usable:
                check_axes(usable)
        except DataError as fault:
            yield f"level '{condition}': {fault}"
