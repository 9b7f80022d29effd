"""EDF, EDF+ and BDF files: averages, buffers, one record a sweep, and continuous recordings."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import LoadError
from waveworks.loaders.edf_annotations import refuse_interrupted
from waveworks.loaders.edf_events import find_onsets, is_trigger
from waveworks.loaders.edf_header import EdfHeader, read_header
from waveworks.loaders.edf_samples import physical_values
from waveworks.loaders.raw import Continuous, Signals, listed
from waveworks.model import TimeAxis
from waveworks.units import nv_per_unit

FloatArray = NDArray[np.float64]


def read_edf_signals(
    path: Path,
    *,
    name: str,
    signals: tuple[str, ...] = (),
    start_ms: float = 0.0,
    records_as_sweeps: bool = False,
) -> Signals:
    """Read traces that are relative to the stimulus already.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        What to call it in errors and notes.
    signals : tuple of str
        Labels of the wanted signals, in the wanted order; empty is every ordinary signal, in the
        order of the file.
    start_ms : float
        Time of the first sample in ms after the stimulus.
    records_as_sweeps : bool
        True: each data record of one signal is a sweep, labelled by its number from 1.
        False: each signal is one trace, its records joined.

    Returns
    -------
    Signals
        In nV, by the physical dimension of each signal.

    Raises
    ------
    LoadError
        If the file is no EDF or BDF file or is damaged; a label is unknown or not unique; the
        signals have different rates, no voltage unit or no scaling; several signals are there
        where sweeps of one are meant; or an interrupted recording is to be joined.
    """
    data, header = _open(path, name)
    picks = _picks(header, signals, name)
    labels = _labels(header, picks)
    if records_as_sweeps and len(picks) != 1:
        raise LoadError(
            f"{name}: {len(picks)} signals, {listed(labels)}; name the one whose records are the "
            "sweeps in the column signals"
        )
    if not records_as_sweeps:
        refuse_interrupted(data, header, name=name)
    values_nv, notes = _values_nv(data, header, picks, name)
    if records_as_sweeps:
        values_nv = values_nv.reshape(header.n_records, -1)
        labels = tuple(str(number) for number in range(1, header.n_records + 1))
    return Signals(
        labels=labels,
        values_nv=values_nv,
        axis=TimeAxis(_sfreq_hz(header, picks), start_ms, values_nv.shape[1]),
        notes=header.notes + notes,
    )


def read_edf_continuous(
    path: Path, *, name: str, signals: tuple[str, ...], event: str
) -> Continuous:
    """Read channels of a continuous recording, and the samples at which a stimulus began.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        What to call it in errors and notes.
    signals : tuple of str
        Labels of the wanted channels, in the wanted order; empty is every ordinary signal.
    event : str
        Text of the EDF+ annotation, or code on the trigger line, that marks a stimulus; see
        `waveworks.loaders.edf_events.find_onsets`.

    Returns
    -------
    Continuous
        In nV. The sample nearest to an annotation can lie outside the recording.

    Raises
    ------
    LoadError
        As `read_edf_signals`, or if the recording is interrupted or holds no such event.
    """
    data, header = _open(path, name)
    picks = _picks(header, signals, name)
    refuse_interrupted(data, header, name=name)
    samples_per_record = header.signals[picks[0]].samples_per_record
    onsets = find_onsets(data, header, event, samples_per_record, name=name)
    values_nv, notes = _values_nv(data, header, picks, name)
    return Continuous(
        labels=_labels(header, picks),
        values_nv=values_nv,
        sfreq_hz=_sfreq_hz(header, picks),
        onsets=onsets.samples,
        notes=header.notes + notes + onsets.notes,
    )


def _open(path: Path, name: str) -> tuple[bytes, EdfHeader]:
    try:
        data = path.read_bytes()
    except OSError as fault:
        raise LoadError(f"{name}: cannot be read: {fault.strerror or fault}") from None
    return data, read_header(data, name=name)


def _ordinary(header: EdfHeader) -> list[int]:
    return [
        i
        for i, signal in enumerate(header.signals)
        if not (signal.is_annotation or is_trigger(signal.label))
    ]


def _labels(header: EdfHeader, picks: list[int]) -> tuple[str, ...]:
    return tuple(header.signals[i].label for i in picks)


def _picks(header: EdfHeader, wanted: tuple[str, ...], name: str) -> list[int]:
    """Return the positions of the wanted signals once nothing speaks against reading them."""
    picks = [_position(header, label, name) for label in wanted] if wanted else _ordinary(header)
    if not picks:
        raise LoadError(f"{name}: holds no signal other than annotations and trigger lines")
    if len(set(picks)) < len(picks):
        raise LoadError(f"{name}: a signal is asked for twice: {listed(wanted)}")
    if header.record_s == 0:
        raise LoadError(f"{name}: the record duration is 0 s, so the sampling rate is unknown")
    chosen = [header.signals[i] for i in picks]
    for signal in chosen:
        signal.refuse_void_scaling(name=name)
    if len({signal.samples_per_record for signal in chosen}) > 1:
        rates = ", ".join(f"'{s.label}' {s.samples_per_record / header.record_s:g}" for s in chosen)
        raise LoadError(f"{name}: sampling rates in Hz differ: {rates}; nothing is resampled")
    return picks


def _position(header: EdfHeader, label: str, name: str) -> int:
    positions = [
        i for i, s in enumerate(header.signals) if s.label == label and not s.is_annotation
    ]
    if len(positions) == 1:
        return positions[0]
    how = f"is there {len(positions)} times" if positions else "is not there"
    there = listed(_labels(header, _ordinary(header)))
    raise LoadError(f"{name}: signal '{label}' {how}; the file holds {there}")


def _values_nv(
    data: bytes, header: EdfHeader, picks: list[int], name: str
) -> tuple[FloatArray, tuple[str, ...]]:
    scale = [
        nv_per_unit(
            header.signals[i].dimension,
            where=f"{name}, physical dimension of signal '{header.signals[i].label}' in the header",
        )
        for i in picks
    ]
    values, notes = physical_values(data, header, picks, name=name)
    return values * np.array(scale)[:, np.newaxis], notes


def _sfreq_hz(header: EdfHeader, picks: list[int]) -> float:
    return header.signals[picks[0]].samples_per_record / header.record_s
