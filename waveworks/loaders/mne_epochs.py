"""What mne's epochs say about one of their channels."""

from collections import Counter
from typing import Any

from waveworks.errors import DataError
from waveworks.loaders.raw import listed
from waveworks.model import Condition

# The channel types that mne holds in V (notes of `mne.EpochsArray`).
_VOLTAGE_TYPES = ("eeg", "eog", "ecg", "emg", "bio", "seeg", "ecog", "dbs")
# Reasons in a drop log of mne that are no rejection (documentation of `mne.Epochs`).
_NOT_REJECTED = ("IGNORED", "NO_DATA", "TOO_SHORT", "EQUALIZED_COUNT")


def voltage_channel(epochs: Any, channel: str | None) -> str:
    """Return the channel that is meant.

    Parameters
    ----------
    epochs : mne.BaseEpochs
        That hold it.
    channel : str or None
        Its name; None is the only channel that holds a voltage.

    Returns
    -------
    str

    Raises
    ------
    DataError
        If it is not there, holds no voltage, or several channels could be meant; or if a
        projection for it is not applied, so that its reference is not the one that mne states.
    """
    types = dict(zip(epochs.ch_names, epochs.get_channel_types(), strict=True))
    if channel is None:
        voltages = tuple(label for label, kind in types.items() if kind in _VOLTAGE_TYPES)
        if len(voltages) != 1:
            what = "several channels hold a voltage" if voltages else "no channel holds a voltage"
            raise DataError(
                f"epochs of mne: {what}: {listed(voltages or tuple(types))}; name the one that "
                "is meant"
            )
        (channel,) = voltages
    if channel not in types:
        raise DataError(
            f"epochs of mne: channel '{channel}' is not there; they hold {listed(tuple(types))}"
        )
    if types[channel] not in _VOLTAGE_TYPES:
        raise DataError(
            f"epochs of mne: channel '{channel}' is of type '{types[channel]}'; only "
            f"{', '.join(_VOLTAGE_TYPES)} are in V"
        )
    unapplied = tuple(p["desc"] for p in _projections(epochs, channel) if not p["active"])
    if unapplied:
        raise DataError(
            f"epochs of mne: a projection of channel '{channel}' is not applied: "
            f"{listed(unapplied)}; use apply_proj() or del_proj() first"
        )
    return channel


def stated_condition(epochs: Any, channel: str) -> Condition:
    """Return the little that mne knows about the condition.

    Parameters
    ----------
    epochs : mne.BaseEpochs
        All of one condition.
    channel : str
        The channel.

    Returns
    -------
    Condition
        Ear, transducer and stimulus are 'other'; the names of the events say what.
    """
    highpass_hz, lowpass_hz = epochs.info["highpass"], epochs.info["lowpass"]
    return Condition(
        ear="other",
        transducer="other",
        stimulus="other",
        channel=channel,
        # mne writes 0 and half the sampling rate where it does not know the corner.
        highpass_hz=float(highpass_hz) if highpass_hz else None,
        lowpass_hz=float(lowpass_hz) if lowpass_hz < epochs.info["sfreq"] / 2 else None,
        condition=", ".join(epochs.event_id),
    )


def rejected(epochs: Any) -> int | None:
    """Return the number of rejected sweeps.

    Parameters
    ----------
    epochs : mne.BaseEpochs
        Loaded, so that bad ones are dropped.

    Returns
    -------
    int or None
        None where nothing was dropped and nothing says that it would have been.
    """
    number = sum(n for reason, n in _dropped(epochs).items() if reason not in _NOT_REJECTED)
    return number if number or epochs.reject or epochs.flat else None


def what_mne_did(epochs: Any, channel: str) -> tuple[str, ...]:
    """Return what a reader of the numbers should know about them.

    Parameters
    ----------
    epochs : mne.BaseEpochs
        Loaded.
    channel : str
        The channel.

    Returns
    -------
    tuple of str
    """
    notes = []
    if len(epochs.event_id) > 1:
        per_event = Counter(epochs.events[:, 2].tolist())
        each = (f"{per_event[code]} '{event}'" for event, code in epochs.event_id.items())
        notes.append(f"sweeps of several events together: {', '.join(each)}")
    dropped = _dropped(epochs)
    each = (f"{dropped[reason]} {reason}" for reason in _NOT_REJECTED if dropped[reason])
    if left_out := ", ".join(each):
        notes.append(f"events without a sweep that do not count as rejected: {left_out}")
    if epochs.baseline is not None:
        start_ms, stop_ms = (1e3 * limit for limit in epochs.baseline)
        notes.append(f"mne subtracted the mean from {start_ms:g} to {stop_ms:g} ms of each sweep")
    if epochs.detrend is not None:
        notes.append(f"mne removed a trend of order {epochs.detrend} from each sweep")
    notes.extend(f"mne applied '{p['desc']}'" for p in _projections(epochs, channel))
    if channel in epochs.info["bads"]:
        notes.append(f"channel '{channel}' is marked as bad in mne")
    return tuple(notes)


def _projections(epochs: Any, channel: str) -> list[Any]:
    return [p for p in epochs.info["projs"] if channel in p["data"]["col_names"]]


def _dropped(epochs: Any) -> Counter[str]:
    return Counter(reasons[0] for reasons in epochs.drop_log if reasons)
