"""Samples of an EDF or BDF file, scaled by mne.

mne is given a neutral copy of the file: a header without patient, dates, labels, units and
filters, followed by the records as they are. So it never sees a name, cannot confuse signals of
one label, hands back each signal in the file's own unit, whatever units it knows, and reads the
records one after another, whether or not time is missing between them.
"""

import io
import warnings
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from waveworks.loaders.edf_header import (
    BLOCK_BYTES,
    IDENTITY_FIELDS,
    RESERVED_FIELD,
    SIGNAL_FIELDS,
    EdfHeader,
)

FloatArray = NDArray[np.float64]

_NOBODY = b"X X X X".ljust(80) + b"Startdate X X X X".ljust(80) + b"01.01.8500.00.00"
_BLANK_FIELDS = ("transducer", "physical dimension", "prefilter", "reserved")


def physical_values(
    data: bytes, header: EdfHeader, picks: Sequence[int], *, name: str
) -> tuple[FloatArray, tuple[str, ...]]:
    """Return signals of one sampling rate in the unit of the file.

    Parameters
    ----------
    data : bytes
        The whole file.
    header : EdfHeader
        Of the file.
    picks : sequence of int
        Positions of the signals in the file; all have the same number of samples per record, so
        that nothing is resampled.
    name : str
        The file to name in a note.

    Returns
    -------
    values : ndarray, shape (n_picks, n_samples)
        In the order of `picks`, each in its own physical dimension.
    notes : tuple of str
        Warnings of mne.
    """
    return _read_with_mne(data, header, picks, stim=False, name=name)


def trigger_codes(
    data: bytes, header: EdfHeader, pick: int, *, name: str
) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Return the code on a trigger line at every sample.

    Parameters
    ----------
    data : bytes
        The whole file.
    header : EdfHeader
        Of the file.
    pick : int
        Position of the trigger signal in the file.
    name : str
        The file to name in a note.

    Returns
    -------
    codes : ndarray of int, shape (n_samples,)
        The low 16 bits. BDF: of the stored 24-bit integers, whose upper bits tell the state of
        the amplifier (as the documentation of `mne.io.read_raw_bdf` recommends). EDF: of the
        physical value, rounded.
    notes : tuple of str
        Warnings of mne.
    """
    # Where mne is told of a trigger line, it leaves 24-bit codes unscaled, but cuts a scaled
    # 16-bit code down, 0.9998 to 0; hence the ordinary way and rounding for EDF.
    values, notes = _read_with_mne(data, header, [pick], stim=header.is_bdf, name=name)
    return np.rint(values[0]).astype(np.int64) & 0xFFFF, notes


def _read_with_mne(
    data: bytes, header: EdfHeader, picks: Sequence[int], *, stim: bool, name: str
) -> tuple[FloatArray, tuple[str, ...]]:
    import mne

    labels = [_neutral_label(pick) for pick in picks]
    read = mne.io.read_raw_bdf if header.is_bdf else mne.io.read_raw_edf
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        raw = read(
            io.BytesIO(_neutral_copy(data, header)),
            include=labels,
            stim_channel=labels if stim else None,
            preload=True,
            verbose="WARNING",
        )
    rows = [raw.ch_names.index(label) for label in labels]
    notes = tuple(dict.fromkeys(f"{name}: mne warns: {warning.message}" for warning in caught))
    return raw.get_data()[rows], notes


def _neutral_copy(data: bytes, header: EdfHeader) -> bytes:
    # Zero bytes are padding to `read_header`; mne would end the field at the first of them.
    neutral = bytearray(data[: header.n_header_bytes].replace(b"\0", b" "))
    neutral[IDENTITY_FIELDS] = _NOBODY
    neutral[RESERVED_FIELD] = b" " * (RESERVED_FIELD.stop - RESERVED_FIELD.start)
    start = BLOCK_BYTES
    for field_name, width in SIGNAL_FIELDS.items():
        for i in range(len(header.signals)):
            if field_name == "label":
                neutral[start : start + width] = _neutral_label(i).encode().ljust(width)
            elif field_name in _BLANK_FIELDS:
                neutral[start : start + width] = b" " * width
            start += width
    stop = header.n_header_bytes + header.n_data_bytes
    return b"".join((neutral, memoryview(data)[header.n_header_bytes : stop]))


def _neutral_label(pick: int) -> str:
    return f"signal {pick}"
