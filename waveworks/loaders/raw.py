"""What a reader hands on before anybody knows what the signals mean."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import LoadError
from waveworks.model import TimeAxis

FloatArray = NDArray[np.float64]

_LABELS_SHOWN = 8


@dataclass(frozen=True, eq=False)
class Signals:
    """Signals that share a time axis relative to the stimulus: sweeps, blocks, buffers, averages.

    Parameters
    ----------
    labels : tuple of str
        Names of the signals as the file gives them.
    values_nv : ndarray, shape (n_signals, n_samples)
        Amplitude in nV.
    axis : TimeAxis
        Of every signal.
    accepted : ndarray of bool, shape (n_signals,), or None
        False where the file flags a sweep out; None where it has no flags.
    notes : tuple of str
        What was found while reading.
    """

    labels: tuple[str, ...]
    values_nv: FloatArray
    axis: TimeAxis
    accepted: NDArray[np.bool_] | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Continuous:
    """Channels of a continuous recording, with the sample at which each stimulus began.

    Parameters
    ----------
    labels : tuple of str
        Names of the channels as the file gives them.
    values_nv : ndarray, shape (n_channels, n_samples)
        Amplitude in nV.
    sfreq_hz : float
        Sampling rate in Hz.
    onsets : ndarray of int, shape (n_stimuli,)
        Index of the sample nearest to each stimulus that was asked for.
    notes : tuple of str
        What was found while reading.
    """

    labels: tuple[str, ...]
    values_nv: FloatArray
    sfreq_hz: float
    onsets: NDArray[np.int64]
    notes: tuple[str, ...] = ()


def pick(signals: Signals, wanted: tuple[str, ...], *, name: str) -> Signals:
    """Return the signals that are asked for by name, in that order.

    Parameters
    ----------
    signals : Signals
        All that the file holds.
    wanted : tuple of str
        Labels; empty is all of them.
    name : str
        The file to name in an error.

    Returns
    -------
    Signals

    Raises
    ------
    LoadError
        If a label is not in the file, or is there more than once.
    """
    if not wanted or signals.labels == wanted:
        return signals
    places = positions(signals.labels, wanted, name=name)
    return replace(
        signals,
        labels=wanted,
        values_nv=signals.values_nv[places],
        accepted=None if signals.accepted is None else signals.accepted[places],
    )


def positions(labels: tuple[str, ...], wanted: tuple[str, ...], *, name: str) -> list[int]:
    """Return where the wanted labels are.

    Parameters
    ----------
    labels : tuple of str
        All that the file holds.
    wanted : tuple of str
        Those that are asked for.
    name : str
        The file to name in an error.

    Returns
    -------
    list of int
        In the order in which they are asked for.

    Raises
    ------
    LoadError
        If a label is not in the file, or is there more than once.
    """
    for label in wanted:
        count = labels.count(label)
        if count != 1:
            how = f"is there {count} times" if count else "is not there"
            raise LoadError(f"{name}: signal '{label}' {how}; the file holds {listed(labels)}")
    return [labels.index(label) for label in wanted]


def listed(labels: tuple[str, ...]) -> str:
    """Return labels for an error message, the first few of many.

    Parameters
    ----------
    labels : tuple of str
        Names of signals.

    Returns
    -------
    str
    """
    shown = ", ".join(f"'{label}'" for label in labels[:_LABELS_SHOWN])
    hidden = len(labels) - _LABELS_SHOWN
    return f"{shown} and {hidden} more" if hidden > 0 else shown
