"""A zero-phase band-pass that describes itself.

Design, description and application are three things: a `BandPass` holds the filter and what it
does after both passes, so that the report can say it and a test can check it.
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy  # its signal is slow to import and is loaded when first used
from numpy.typing import ArrayLike

from waveworks.dsp._validate import FloatArray, finite_array, whole_number
from waveworks.errors import DataError

HIGHEST_ORDER = 10
"""Steeper filters ring for longer than any response lasts."""

SETTLED = 0.01
"""The padding lasts until the slowest part of the filter has decayed to this share."""

CORNER_TOLERANCE_DB = 0.1
"""A filter whose corners miss the design by more cannot be computed at this sampling rate."""


@dataclass(frozen=True, eq=False)
class BandPass:
    """A Butterworth band-pass that is run forward and backward.

    Parameters
    ----------
    low_hz, high_hz : float
        The corners in Hz.
    sfreq_hz : float
        The sampling rate that it was designed for, in Hz.
    order : int
        Order of one pass at each corner.
    sos : ndarray, shape (n_sections, 6)
        Second-order sections of one pass, write-protected.
    effective_order : int
        Order at each corner after two passes.
    corner_level_db : float
        Level at both corners after two passes, in dB.
    phase : str
        ``zero``: nothing is moved in time.
    padding_samples : int
        By how many samples the data are extended at either end before filtering.
    """

    low_hz: float
    high_hz: float
    sfreq_hz: float
    order: int
    sos: FloatArray
    effective_order: int
    corner_level_db: float
    phase: str
    padding_samples: int

    def describe(self) -> str:
        """Return the filter in one plain line.

        Returns
        -------
        str
            Kind, corners, orders, level at the corners, phase and sampling rate.
        """
        return (
            f"Butterworth band-pass {self.low_hz:g} to {self.high_hz:g} Hz, order {self.order} "
            f"at each corner, run forward and backward: effective order {self.effective_order}, "
            f"{self.corner_level_db:.1f} dB at {self.low_hz:g} and {self.high_hz:g} Hz, "
            f"{self.phase} phase; data sampled at {self.sfreq_hz:g} Hz"
        )


def design_bandpass(low_hz: float, high_hz: float, sfreq_hz: float, order: int = 2) -> BandPass:
    """Design a Butterworth band-pass for two passes.

    Parameters
    ----------
    low_hz, high_hz : float
        The corners in Hz, 0 < low < high < half the sampling rate. Each pass is 3.01 dB down
        there, so the result is 6.02 dB down.
    sfreq_hz : float
        The sampling rate in Hz.
    order : int
        Order of one pass at each corner, 1 to 10.

    Returns
    -------
    BandPass

    Raises
    ------
    DataError
        If a corner is impossible, the order is not a whole number from 1 to 10, or a corner is so
        near a limit that the arithmetic cannot keep it. An impossible filter is never replaced by
        another one.
    """
    whole = whole_number(order, name="order", least=1, most=HIGHEST_ORDER)
    _check_corners(low_hz, high_hz, sfreq_hz)
    sos: FloatArray = scipy.signal.butter(
        whole, [low_hz, high_hz], btype="bandpass", output="sos", fs=sfreq_hz
    )
    _check_realised(sos, low_hz, high_hz, sfreq_hz)
    slowest = float(np.abs(scipy.signal.sos2zpk(sos)[1]).max())  # the largest pole rings on longest
    sos.setflags(write=False)
    return BandPass(
        low_hz=float(low_hz),
        high_hz=float(high_hz),
        sfreq_hz=float(sfreq_hz),
        order=whole,
        sos=sos,
        effective_order=2 * whole,
        corner_level_db=2 * 10 * math.log10(0.5),
        phase="zero",
        padding_samples=math.ceil(math.log(SETTLED) / math.log(slowest)),
    )


def apply_bandpass(bandpass: BandPass, x: ArrayLike) -> FloatArray:
    """Filter along the last axis, forward and backward, without moving anything in time.

    Both ends are extended by `bandpass.padding_samples`, point-reflected about the end sample.

    Parameters
    ----------
    bandpass : BandPass
        From `design_bandpass`, for the sampling rate of `x`.
    x : array_like, shape (..., n_samples)
        The data in nV; not changed.

    Returns
    -------
    ndarray, shape (..., n_samples)

    Raises
    ------
    DataError
        If the data are not finite, or not longer than the padding.
    """
    data = finite_array(x, name="x", ndim=max(1, np.ndim(x)))
    n_samples, padding = data.shape[-1], bandpass.padding_samples
    if n_samples <= padding:
        raise DataError(
            f"x has {n_samples} samples; a band-pass of {bandpass.low_hz:g} to "
            f"{bandpass.high_hz:g} Hz at {bandpass.sfreq_hz:g} Hz needs at least {padding + 1} "
            f"({1e3 * (padding + 1) / bandpass.sfreq_hz:.1f} ms)"
        )
    sections = bandpass.sos.copy()  # scipy takes no write-protected sections
    filtered: FloatArray = scipy.signal.sosfiltfilt(sections, data, axis=-1, padlen=padding)
    return filtered


def _check_corners(low_hz: float, high_hz: float, sfreq_hz: float) -> None:
    """Refuse corners that no band-pass can have."""
    for name, value in (("low_hz", low_hz), ("high_hz", high_hz), ("sfreq_hz", sfreq_hz)):
        if not math.isfinite(value) or value <= 0:
            raise DataError(f"{name} is {value:g} Hz; it must be a positive number")
    if low_hz >= high_hz:
        raise DataError(f"low_hz is {low_hz:g} Hz; it must lie below high_hz, {high_hz:g} Hz")
    if high_hz >= sfreq_hz / 2:
        raise DataError(
            f"high_hz is {high_hz:g} Hz; it must lie below {sfreq_hz / 2:g} Hz, half of the "
            f"sampling rate {sfreq_hz:g} Hz"
        )


def _check_realised(sos: FloatArray, low_hz: float, high_hz: float, sfreq_hz: float) -> None:
    """Refuse a filter that rounding has moved away from its design."""
    with np.errstate(all="ignore"):
        _, response = scipy.signal.sosfreqz(sos, worN=[low_hz, high_hz], fs=sfreq_hz)
        level_db = 20 * np.log10(np.abs(response))
    if not (np.abs(level_db - 10 * math.log10(0.5)) < CORNER_TOLERANCE_DB).all():
        raise DataError(
            f"a band-pass of {low_hz:g} to {high_hz:g} Hz cannot be computed at {sfreq_hz:g} Hz: "
            f"rounding moves its corners, which are too near 0 or {sfreq_hz / 2:g} Hz for its order"
        )
