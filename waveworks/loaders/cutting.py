"""Sweeps out of a continuous channel: band-pass before the cut, rejection after it."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.filters import apply_bandpass, design_bandpass
from waveworks.errors import LoadError
from waveworks.loaders.raw import Continuous, FloatArray, Signals
from waveworks.model import Processing, TimeAxis
from waveworks.units import NV_PER_UNIT


@dataclass(frozen=True, eq=False)
class Cut:
    """Sweeps, what they were cut from, and what was left behind while making them.

    Parameters
    ----------
    signals : Signals
        The sweeps.
    channel_nv : ndarray, shape (n_total,)
        What they were cut from, filtered.
    starts : ndarray of int, shape (n_sweeps,)
        The sample of it at which each sweep begins.
    processing : Processing
        The filter that was applied.
    n_left_out : int
        Stimuli whose sweep would reach beyond the recording.
    """

    signals: Signals
    channel_nv: FloatArray
    starts: NDArray[np.int64]
    processing: Processing
    n_left_out: int


def cut_sweeps(
    continuous: Continuous,
    *,
    start_ms: float,
    stop_ms: float,
    bandpass_hz: tuple[float, float] | None,
    name: str,
) -> Cut:
    """Cut one sweep at each stimulus of a continuous channel.

    Parameters
    ----------
    continuous : Continuous
        Exactly one channel, with its stimuli.
    start_ms, stop_ms : float
        First and last time of a sweep relative to its stimulus, in ms, both included.
    bandpass_hz : tuple of float or None
        Corners of a zero-phase band-pass in Hz, applied to the whole channel before the cut.
    name : str
        The file to name in an error.

    Returns
    -------
    Cut

    Raises
    ------
    LoadError
        If there is more than one channel, the epoch is not given or reversed, or no stimulus
        leaves a whole sweep inside the recording.
    DataError
        If the band-pass is impossible at this sampling rate.
    """
    if len(continuous.labels) != 1:
        raise LoadError(
            f"{name}: {len(continuous.labels)} channels ({', '.join(continuous.labels)}); "
            "name the one that is meant in the column signals"
        )
    if math.isnan(stop_ms):
        raise LoadError(f"{name}: epoch_stop_ms is empty; cutting at events needs it")
    if not start_ms < stop_ms:
        raise LoadError(
            f"{name}: epoch {start_ms:g} to {stop_ms:g} ms; it must start before it stops"
        )
    channel = continuous.values_nv[0]
    processing = Processing()
    if bandpass_hz is not None:
        bandpass = design_bandpass(*bandpass_hz, continuous.sfreq_hz)
        channel = apply_bandpass(bandpass, channel)
        processing = Processing(bandpass_hz=bandpass_hz, description=bandpass.describe())
    per_ms = continuous.sfreq_hz / 1e3
    first, last = math.ceil(start_ms * per_ms - 1e-6), math.floor(stop_ms * per_ms + 1e-6)
    inside = (continuous.onsets + first >= 0) & (continuous.onsets + last < channel.size)
    starts = continuous.onsets[inside] + first
    if not starts.size:
        raise LoadError(
            f"{name}: none of {inside.size} stimuli leaves a whole sweep in the recording"
        )
    sweeps = channel[starts[:, np.newaxis] + np.arange(last - first + 1)]
    signals = Signals(
        labels=tuple(str(number) for number in range(1, len(starts) + 1)),
        values_nv=sweeps,
        axis=TimeAxis(continuous.sfreq_hz, first / per_ms, last - first + 1),
        notes=continuous.notes,
    )
    return Cut(signals, channel, starts, processing, n_left_out=int(inside.size - starts.size))


def within_limit(sweeps_nv: FloatArray, reject_uv: float) -> NDArray[np.bool_]:
    """Tell which sweeps stay within a limit everywhere.

    Parameters
    ----------
    sweeps_nv : ndarray, shape (n_sweeps, n_samples)
        Amplitude in nV.
    reject_uv : float
        The limit of the absolute value in microvolt.

    Returns
    -------
    ndarray of bool, shape (n_sweeps,)
    """
    largest: FloatArray = np.abs(sweeps_nv).max(axis=1)
    return largest <= reject_uv * NV_PER_UNIT["uV"]
