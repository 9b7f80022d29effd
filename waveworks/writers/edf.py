"""EDF files: averages, A and B, or one record a sweep. They carry no identity and no date."""

from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waveworks.errors import OutputError
from waveworks.model import TimeAxis
from waveworks.model.waveforms import protected
from waveworks.units import NV_PER_UNIT

FloatArray = NDArray[np.float64]

_LABEL_CHARACTERS = 16
_FIELD_CHARACTERS = 8
_RESERVED_LABELS = ("EDF Annotations", "BDF Annotations")
_MOST_RECORD_BYTES = 61440
# Shift of the last sample, as a share of a sample step, up to which two time axes agree (see
# `TimeAxis.agrees_with`).
_TIME_TOLERANCE = 0.01
# Python, and so the EDF writer, writes shorter numbers with an exponent, which EDF does not know;
# physical limits stay clear of it by rounding outwards to 0.1 nV.
_SHORTEST_RECORD_S = 1e-4
_LIMIT_DECIMALS = 4
_LARGEST_UV = 999_999.0


def write_edf(
    path: Path,
    labels: tuple[str, ...],
    values_nv: ArrayLike,
    sfreq_hz: float,
    *,
    records_as_sweeps: bool = False,
) -> tuple[float, ...]:
    """Write traces of one sampling rate to a plain EDF file.

    Parameters
    ----------
    path : Path
        The file; it is overwritten.
    labels : tuple of str
        Names of the signals, printable ASCII of at most 16 characters.
    values_nv : array_like, shape (n_traces, n_samples)
        Amplitude in nV: one row a signal, or one row a sweep.
    sfreq_hz : float
        Sampling rate in Hz.
    records_as_sweeps : bool
        True: the rows are sweeps of the one signal in `labels`, and each is a data record.

    Returns
    -------
    tuple of float
        Quantisation step of each signal in nV: a value that is read back is at most half of it off.

    Raises
    ------
    DataError
        If the values are not finite or not of two dimensions, or the rate is not positive.
    OutputError
        If the labels are unusable, the 8 characters of the record duration cannot state the rate,
        a record or an amplitude is too large for the format, or the file cannot be written.
    """
    where = path.name
    values = protected(values_nv, name=f"values of {where}", ndim=2)
    traces = values.reshape(1, -1) if records_as_sweeps else values
    _refuse_labels(labels, len(traces), where)
    n_samples = values.shape[1]
    n_bytes = 2 * n_samples * len(traces)
    if n_bytes > _MOST_RECORD_BYTES:
        raise OutputError(
            f"{where}: a record of {len(traces)} x {n_samples} samples has {n_bytes} bytes; EDF "
            f"allows {_MOST_RECORD_BYTES}"
        )
    record_s = _record_s(TimeAxis(sfreq_hz, 0.0, n_samples), where)

    import edfio

    signals = [
        edfio.EdfSignal(
            trace_uv,
            n_samples / record_s,
            label=label,
            physical_dimension="uV",
            physical_range=_physical_range(trace_uv, where),
        )
        for label, trace_uv in zip(labels, traces / NV_PER_UNIT["uV"], strict=True)
    ]
    # Without patient and recording edfio writes 'X X X X' and the date 01.01.85.
    edf = edfio.Edf(signals, data_record_duration=record_s)
    try:
        edf.write(path)
    except OSError as fault:
        raise OutputError(f"{where}: cannot be written: {fault.strerror or fault}") from None
    return tuple(
        (signal.physical_max - signal.physical_min)
        / (signal.digital_max - signal.digital_min)
        * NV_PER_UNIT["uV"]
        for signal in signals
    )


def _refuse_labels(labels: tuple[str, ...], n_traces: int, where: str) -> None:
    if len(labels) != n_traces:
        raise OutputError(f"{where}: {len(labels)} labels for {n_traces} signals")
    for label in labels:
        if not label or label != label.strip() or not (label.isascii() and label.isprintable()):
            raise OutputError(
                f"{where}: label '{label}' must be printable ASCII without outer spaces"
            )
        if len(label) > _LABEL_CHARACTERS:
            raise OutputError(
                f"{where}: label '{label}' has {len(label)} characters; EDF allows "
                f"{_LABEL_CHARACTERS}"
            )
        if label in _RESERVED_LABELS:
            raise OutputError(f"{where}: label '{label}' is kept for annotations in EDF+")
    if len(set(labels)) < len(labels):
        raise OutputError(f"{where}: labels must differ: {', '.join(labels)}")


def _record_s(axis: TimeAxis, where: str) -> float:
    """Return the duration of a record, once its 8 characters state it exactly."""
    exact = axis.n_samples / axis.sfreq_hz
    stated = float(_shortened(exact, ROUND_HALF_EVEN))
    if stated < _SHORTEST_RECORD_S:
        raise OutputError(
            f"{where}: a record of {exact:.4g} s is too short; EDF can state "
            f"{_SHORTEST_RECORD_S:g} s or more"
        )
    shift = abs(stated - exact) * axis.sfreq_hz
    if shift > _TIME_TOLERANCE:
        raise OutputError(
            f"{where}: {axis.n_samples} samples at {axis.sfreq_hz:.9g} Hz last {exact:.9g} s; the "
            f"8 characters of EDF state {stated:.9g} s, which is {axis.n_samples / stated:.9g} Hz "
            f"and moves the last sample by {shift:.2g} of a sample step; the limit is "
            f"{_TIME_TOLERANCE:g}"
        )
    return stated


def _physical_range(trace_uv: FloatArray, where: str) -> tuple[float, float]:
    """Return limits just outside the trace that the header states exactly."""
    largest = float(np.abs(trace_uv).max())
    if largest > _LARGEST_UV:
        raise OutputError(f"{where}: an amplitude of {largest:g} uV is too large for EDF")
    low = _shortened(float(trace_uv.min()), ROUND_FLOOR, _LIMIT_DECIMALS)
    high = _shortened(float(trace_uv.max()), ROUND_CEILING, _LIMIT_DECIMALS)
    if low == high:
        high += Decimal(1).scaleb(-_LIMIT_DECIMALS)
    return float(low), float(high)


def _shortened(value: float, rounding: str, most_decimals: int = _FIELD_CHARACTERS) -> Decimal:
    """Round to as many decimals as a header field has room for."""
    n_whole = len(str(int(abs(value)))) + (value < 0)
    n_decimals = max(0, min(most_decimals, _FIELD_CHARACTERS - n_whole - len(".")))
    return Decimal(value).quantize(Decimal(1).scaleb(-n_decimals), rounding)
