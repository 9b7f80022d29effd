"""Out to mne's objects and back: nV become V, ms become s, and nothing else happens to a sample.

V are nV divided by 1e9 and nV are V multiplied by 1e9, each rounded once, as mne itself converts.
Near some amplitudes floating-point numbers in nV are denser than those in V, near others sparser,
so no conversion can give all of them back to the last bit. With this one a trip there and back
errs by one unit in the last place at most; and nV that came from mne go there and back bit for bit.
"""

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waveworks.dsp.averaging import combine
from waveworks.errors import DataError
from waveworks.loaders.mne_epochs import (
    rejected,
    stated_condition,
    voltage_channel,
    what_mne_did,
)
from waveworks.model import (
    Average,
    Blocks,
    Buffers,
    Condition,
    Counts,
    Recording,
    Sweeps,
    TimeAxis,
    Waveforms,
)
from waveworks.units import NV_PER_UNIT

if TYPE_CHECKING:
    import mne

FloatArray = NDArray[np.float64]

_NV_PER_V = NV_PER_UNIT["V"]
_MS_PER_S = 1e3
_REJECTED = ("REJECTED",)


def from_mne_epochs(
    epochs: "mne.BaseEpochs",
    channel: str | None = None,
    *,
    name: str = "mne epochs",
    condition: Condition | None = None,
    earphone_delay_ms: float = 0.0,
) -> Recording:
    """Take the sweeps of one channel from mne.

    Parameters
    ----------
    epochs : mne.BaseEpochs
        All of its epochs become sweeps; ``epochs["name"]`` takes those of one event. They are
        used as mne gives them, so that its own baseline correction, filters and active
        projections show in them.
    channel : str, optional
        Needed where several channels hold a voltage.
    name : str
        What to call the recording.
    condition : Condition, optional
        What it was recorded at. By default everything is 'other', with the channel and filter
        corners that mne knows and the names of the events.
    earphone_delay_ms : float
        Delay that the time axis of mne has not allowed for, in ms; it is subtracted.

    Returns
    -------
    Recording
        With layout 'sweeps'; its `data` are `Sweeps`. The entries of mne's drop log are its
        rejected sweeps, except those that were not chosen or not recorded; without an entry or
        a rejection limit their number is not known. `notes` say what mne did before.

    Raises
    ------
    DataError
        If these are no epochs, there are fewer than two, the channel is not there, not named or
        holds no voltage, a projection for it is not applied, or an amplitude is not a finite
        real number.
    """
    import mne

    if not isinstance(epochs, mne.BaseEpochs):
        raise DataError(f"from_mne_epochs needs epochs of mne, not {_kind(epochs)}")
    channel = voltage_channel(epochs, channel)
    if not epochs.preload:
        with mne.use_log_level("WARNING"):
            epochs = epochs.copy().load_data()
    if len(epochs) < 2:
        raise DataError(f"epochs of mne: {len(epochs)} given, at least 2 are needed")
    volts = epochs.get_data(picks=[channel], verbose="WARNING")[:, 0]
    if np.iscomplexobj(volts):
        raise DataError(f"epochs of mne: channel '{channel}' is complex; sweeps are real")
    axis = TimeAxis(
        sfreq_hz=float(epochs.info["sfreq"]),
        start_ms=float(epochs.times[0]) * _MS_PER_S - earphone_delay_ms,
        n_samples=volts.shape[1],
    )
    return Recording(
        name=name,
        kind="test",
        layout="sweeps",
        condition=stated_condition(epochs, channel) if condition is None else condition,
        waveforms=Sweeps(volts * _NV_PER_V, axis),
        counts=Counts(len(volts), rejected(epochs)),
        notes=what_mne_did(epochs, channel),
    )


def to_mne_epochs(
    data: Recording | Sweeps,
    *,
    events: ArrayLike | None = None,
    event_id: dict[str, int] | None = None,
) -> "mne.EpochsArray":
    """Give sweeps to mne, as epochs of one EEG channel without baseline correction.

    Parameters
    ----------
    data : Recording or Sweeps
        Recorded sweep by sweep. The rejected sweeps of a recording stand at the end of the drop
        log, because nobody knows their places.
    events : array_like of int, shape (n_sweeps, 3), optional
        Events of mne. By default the sweeps are numbered, because their onsets are not known.
    event_id : dict of str to int, optional
        Names of the events; by default the recording's name.

    Returns
    -------
    mne.EpochsArray
        In V and s. It begins at the time of the first sample, on the grid of samples or not;
        mne's own files keep times on the grid only.

    Raises
    ------
    DataError
        If the data hold no sweeps, or the events do not fit them.
    """
    import mne

    waveforms = _waveforms(data, "to_mne_epochs")
    if not isinstance(waveforms, Sweeps):
        raise DataError(f"to_mne_epochs needs sweeps; these are {_kind(waveforms).lower()}")
    n_sweeps = waveforms.n_sweeps
    if events is None:
        events = np.column_stack(np.broadcast_arrays(np.arange(n_sweeps), 0, 1))
        event_id = {_name(data): 1} if event_id is None else event_id
    events = np.asarray(events)
    if events.shape != (n_sweeps, 3):
        raise DataError(f"events have shape {events.shape}; {n_sweeps} sweeps need ({n_sweeps}, 3)")
    counts = data.counts if isinstance(data, Recording) else Counts()
    n_rejected = (counts.n_rejected or 0) + counts.n_rejected_here
    try:
        epochs = mne.EpochsArray(
            (waveforms.sweeps_nv / _NV_PER_V)[:, np.newaxis],
            _info(data, waveforms.axis),
            events=events,
            tmin=waveforms.axis.start_ms / _MS_PER_S,
            event_id=event_id,
            selection=np.arange(n_sweeps),
            drop_log=((),) * n_sweeps + (_REJECTED,) * n_rejected,
            verbose="WARNING",
        )
    except (ValueError, TypeError, RuntimeError) as fault:
        raise DataError(f"events: mne refuses them: {fault}") from None
    _begin(epochs, waveforms.axis)
    return epochs


def to_mne_evoked(data: Recording | Waveforms) -> "mne.EvokedArray":
    """Give an average to mne, as one EEG channel without baseline correction.

    Parameters
    ----------
    data : Recording, Sweeps, Blocks, Buffers or Average
        All of its sweeps are averaged; blocks and buffers count by theirs.

    Returns
    -------
    mne.EvokedArray
        In V and s, with the number of sweeps as `nave`.

    Raises
    ------
    DataError
        If the recording is unusable, or the number of sweeps is not known.
    """
    import mne

    waveforms = _waveforms(data, "to_mne_evoked")
    n_sweeps = waveforms.n_sweeps
    if n_sweeps is None and isinstance(data, Recording):
        n_sweeps = data.counts.n_sweeps
    if n_sweeps is None:
        raise DataError(
            "to_mne_evoked: the number of sweeps is not known, and mne would take it as 1; "
            "state n_sweeps"
        )
    evoked = mne.EvokedArray(
        (_mean_nv(waveforms) / _NV_PER_V)[np.newaxis],
        _info(data, waveforms.axis),
        tmin=waveforms.axis.start_ms / _MS_PER_S,
        comment=_name(data),
        nave=n_sweeps,
        verbose="WARNING",
    )
    _begin(evoked, waveforms.axis)
    return evoked


def _waveforms(data: Any, function: str) -> Waveforms:
    if isinstance(data, Recording):
        return data.data
    if isinstance(data, Waveforms):
        return data
    raise DataError(f"{function} needs a recording or its waveforms, not {_kind(data)}")


def _mean_nv(waveforms: Waveforms) -> FloatArray:
    match waveforms:
        case Sweeps():
            return np.asarray(waveforms.sweeps_nv.mean(axis=0))
        case Blocks():
            return combine(waveforms.blocks_nv, n_sweeps=waveforms.n_per_block).trace_nv
        case Buffers():
            return combine([waveforms.a_nv, waveforms.b_nv], n_sweeps=waveforms.counts).trace_nv
        case Average():
            return waveforms.trace_nv


def _info(data: Recording | Waveforms, axis: TimeAxis) -> Any:
    import mne

    channel = data.condition.channel if isinstance(data, Recording) else ""
    info = mne.create_info([channel or "EEG"], axis.sfreq_hz, "eeg", verbose="WARNING")
    if isinstance(data, Recording):
        info["description"] = f"{data.name}: {data.condition}"
    return info


def _name(data: Recording | Waveforms) -> str:
    return data.name if isinstance(data, Recording) else "sweeps"


def _begin(made: Any, axis: TimeAxis) -> None:
    """Move the first sample to its time: mne has rounded it to a whole number of samples."""
    start_s = axis.start_ms / _MS_PER_S
    if abs(made.times[0] - start_s) * axis.sfreq_hz > 1e-6:
        made.shift_time(start_s, relative=False)


def _kind(thing: object) -> str:
    return type(thing).__name__
