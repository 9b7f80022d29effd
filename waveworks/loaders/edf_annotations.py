"""Annotations of EDF+ and BDF+ files: when records began, and what happened in them.

Time-stamped annotation lists: Kemp B, Olivan J (2003), Clin Neurophysiol 114:1755-1761. They are
read here because mne does not tell when each record began, and an interrupted recording shows
itself only there.
"""

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import LoadError
from waveworks.loaders.edf_header import EdfHeader, plain_text

FloatArray = NDArray[np.float64]

# Onset, optional duration after byte 21, then texts that each end with byte 20.
_ANNOTATION_LIST = re.compile(
    rb"([+-]\d+(?:\.\d*)?)(?:\x15\d*\.?\d*)?\x14((?:[^\x14]*\x14)+)", re.DOTALL
)


@dataclass(frozen=True, eq=False)
class Annotations:
    """The annotations of a file, in the order of time.

    Parameters
    ----------
    record_onsets_s : ndarray, shape (n_records,)
        Start of each record in s; NaN where the record does not say it.
    onsets_s : ndarray, shape (n_annotations,)
        Start of each annotation in s, on the same clock.
    texts : tuple of str
        What each annotation says; free text, so a name may stand in it.
    n_unreadable : int
        Annotation lists that break the standard and were not used.
    """

    record_onsets_s: FloatArray
    onsets_s: FloatArray
    texts: tuple[str, ...] = field(repr=False)
    n_unreadable: int


def read_annotations(data: bytes, header: EdfHeader) -> Annotations:
    """Read every annotation of a file.

    Parameters
    ----------
    data : bytes
        The whole file.
    header : EdfHeader
        Of the file.

    Returns
    -------
    Annotations
        Without any where the file has no annotation signal.
    """
    record_onsets = np.full(header.n_records, np.nan)
    found: list[tuple[float, str]] = []
    n_unreadable = 0
    columns = _annotation_columns(header)
    for record in range(header.n_records if columns else 0):
        start = header.n_header_bytes + record * header.n_record_bytes
        for column in columns:
            stored = data[start + column.start : start + column.stop]
            for place, raw in enumerate(stored.rstrip(b"\0").split(b"\0")):
                if not raw:
                    continue
                match = _ANNOTATION_LIST.fullmatch(raw)
                if match is None:
                    n_unreadable += 1
                    continue
                onset = float(match[1])
                texts = [plain_text(text) for text in match[2].split(b"\x14")[:-1]]
                # The first text of a record's first list is empty: it only keeps the time.
                if column is columns[0] and place == 0 and not texts[0]:
                    record_onsets[record] = onset
                found.extend((onset, text) for text in texts if text)
    found.sort(key=lambda annotation: annotation[0])
    return Annotations(
        record_onsets_s=record_onsets,
        onsets_s=np.array([onset for onset, _ in found], dtype=np.float64),
        texts=tuple(text for _, text in found),
        n_unreadable=n_unreadable,
    )


def refuse_interrupted(data: bytes, header: EdfHeader, *, name: str) -> None:
    """Raise where records do not follow one another without a gap.

    Parameters
    ----------
    data : bytes
        The whole file.
    header : EdfHeader
        Of the file.
    name : str
        The file to name in the error.

    Raises
    ------
    LoadError
        If the file has several records and says that it is interrupted (EDF+D), or a record
        begins more than half a sample away from the end of the one before.
    """
    if header.n_records == 1:
        return
    if header.is_interrupted:
        raise LoadError(
            f"{name}: an interrupted recording ({header.kind}) of {header.n_records} records; it "
            "cannot be read as one continuous signal"
        )
    onsets = read_annotations(data, header).record_onsets_s
    gaps_s = np.diff(onsets) - header.record_s
    most_samples = max(s.samples_per_record for s in header.signals if not s.is_annotation)
    (jumps,) = np.nonzero(np.abs(gaps_s) > 0.5 * header.record_s / most_samples)
    if jumps.size:
        first = int(jumps[0])
        raise LoadError(
            f"{name}: an interrupted recording although its header says {header.kind}: record "
            f"{first + 2} begins {1e3 * gaps_s[first]:g} ms after the end of record {first + 1}; "
            "it cannot be read as one continuous signal"
        )


def _annotation_columns(header: EdfHeader) -> list[slice]:
    columns, start = [], 0
    for signal in header.signals:
        stop = start + signal.samples_per_record * header.bytes_per_sample
        if signal.is_annotation:
            columns.append(slice(start, stop))
        start = stop
    return columns
