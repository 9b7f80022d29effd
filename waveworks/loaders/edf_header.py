"""The header of an EDF, EDF+ or BDF file: what scales the samples, and nothing that identifies.

Field positions: Kemp B, Olivan J (2003), Clin Neurophysiol 114:1755-1761. BDF differs in its first
eight bytes and in samples of three bytes.
"""

import math
import re
from dataclasses import dataclass, field, replace

from waveworks.errors import LoadError
from waveworks.plain_numbers import is_plain_number

ANNOTATION_LABELS = ("EDF Annotations", "BDF Annotations")

# Local patient and recording identification, start date and start time.
IDENTITY_FIELDS = slice(8, 184)
RESERVED_FIELD = slice(192, 236)

BLOCK_BYTES = 256
"""Bytes of the fixed part of the header, and of the fields of one signal."""

SIGNAL_FIELDS = {
    "label": 16,
    "transducer": 80,
    "physical dimension": 8,
    "physical minimum": 8,
    "physical maximum": 8,
    "digital minimum": 8,
    "digital maximum": 8,
    "prefilter": 80,
    "samples per record": 8,
    "reserved": 32,
}
"""Widths in bytes of the fields of one signal; the header stores them field by field."""

_RESERVED_WORDS = (b"EDF+C", b"EDF+D", b"BDF+C", b"BDF+D", b"24BIT")
_FORMATS = {b"0       ": "EDF", b"\xffBIOSEMI": "BDF"}
_WHOLE = re.compile(r"[+-]?\d+", re.ASCII)


@dataclass(frozen=True)
class EdfSignal:
    """What the header says about one signal.

    Parameters
    ----------
    label : str
        Its name, with a question mark for each character that cannot be printed.
    dimension : str
        Physical dimension, such as ``uV``; as `label`.
    physical_min, physical_max : float
        In `dimension`, at `digital_min` and `digital_max`; the gain may be negative.
    digital_min, digital_max : float
        Range of the stored integers.
    samples_per_record : int
        Samples in one record.
    """

    label: str
    dimension: str
    physical_min: float
    physical_max: float
    digital_min: float
    digital_max: float
    samples_per_record: int

    @property
    def is_annotation(self) -> bool:
        """Whether it stores EDF+ annotations instead of samples."""
        return self.label in ANNOTATION_LABELS

    def refuse_void_scaling(self, *, name: str) -> None:
        """Raise where the header does not say how to scale the samples.

        Parameters
        ----------
        name : str
            The file to name in the error.

        Raises
        ------
        LoadError
            If the digital minimum is not below the maximum, or the physical ones are equal.
        """
        if not self.digital_min < self.digital_max:
            raise LoadError(
                f"{name}: signal '{self.label}' has digital minimum {self.digital_min:g} and "
                f"maximum {self.digital_max:g}; the minimum must be the lower one"
            )
        if self.physical_min == self.physical_max:
            raise LoadError(
                f"{name}: signal '{self.label}' has physical minimum and maximum "
                f"{self.physical_min:g} {self.dimension}; they must differ"
            )


@dataclass(frozen=True)
class EdfHeader:
    """What the header says about the file.

    Parameters
    ----------
    kind : {'EDF', 'EDF+C', 'EDF+D', 'BDF', 'BDF+C', 'BDF+D'}
        C is a continuous recording, D an interrupted one.
    n_records : int
        Number of data records.
    record_s : float
        Duration of one record in s; 0 where the file says no time.
    signals : tuple of EdfSignal
        In the order of the file, annotation signals included.
    header_text : str
        The header as stored. Patient, recording, start date and start time, and free text in the
        reserved field, are blanked with spaces of the same length.
    notes : tuple of str
        What is odd about the file.
    """

    kind: str
    n_records: int
    record_s: float
    signals: tuple[EdfSignal, ...]
    header_text: str = field(repr=False)
    notes: tuple[str, ...] = ()

    @property
    def is_bdf(self) -> bool:
        """Whether samples have 24 bits."""
        return self.kind.startswith("BDF")

    @property
    def is_interrupted(self) -> bool:
        """Whether the file says that time is missing between its records."""
        return self.kind.endswith("+D")

    @property
    def n_header_bytes(self) -> int:
        """Bytes before the first record."""
        return BLOCK_BYTES * (1 + len(self.signals))

    @property
    def bytes_per_sample(self) -> int:
        """Bytes of one stored integer."""
        return 3 if self.is_bdf else 2

    @property
    def n_record_bytes(self) -> int:
        """Bytes of one record."""
        return self.bytes_per_sample * sum(s.samples_per_record for s in self.signals)

    @property
    def n_data_bytes(self) -> int:
        """Bytes of all records."""
        return self.n_records * self.n_record_bytes


def read_header(data: bytes, *, name: str) -> EdfHeader:
    """Read the header of an EDF, EDF+ or BDF file and check the file's length against it.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        The file to name in an error.

    Returns
    -------
    EdfHeader

    Raises
    ------
    LoadError
        If it is no such file, is truncated, was never closed, or a field that must be a number
        is none. The error names the field and never repeats what stands in it, because a shifted
        header could put a patient's name there.
    """
    if not data:
        raise LoadError(f"{name}: the file is empty")
    if data[:8] not in _FORMATS:
        raise LoadError(f"{name}: not an EDF or BDF file; it does not start as either of them does")
    if len(data) < BLOCK_BYTES:
        raise LoadError(
            f"{name}: truncated: {len(data)} bytes, its header alone has at least {BLOCK_BYTES}"
        )
    n_signals = _whole(data[252:256], "number of signals", name)
    if n_signals < 1:
        raise LoadError(f"{name}: the number of signals is {n_signals}; at least 1 is needed")
    n_bytes = BLOCK_BYTES * (1 + n_signals)
    if len(data) < n_bytes:
        raise LoadError(
            f"{name}: truncated: the header of {n_signals} signals has {n_bytes} bytes, the file "
            f"holds {len(data)}"
        )
    stated = _whole(data[184:192], "header bytes", name)
    if stated != n_bytes:
        raise LoadError(
            f"{name}: the header says that it has {stated} bytes; for {n_signals} signals it must "
            f"have {n_bytes}"
        )
    header = EdfHeader(
        kind=_kind(data),
        n_records=_n_records(data, name),
        record_s=_record_s(data, name),
        signals=_signals(data[BLOCK_BYTES:n_bytes], n_signals, name),
        header_text=_blanked(data[:n_bytes]),
    )
    return _with_length_checked(header, len(data), name)


def plain_text(raw: bytes) -> str:
    """Decode header or annotation text: UTF-8, else Latin-1 as older recorders write it.

    Parameters
    ----------
    raw : bytes
        As stored.

    Returns
    -------
    str
        Without the padding of spaces or zero bytes.
    """
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return text.strip(" \0")


def one_line(text: str) -> str:
    """Put a question mark for each character that would spoil a line of output.

    Parameters
    ----------
    text : str
        From a file.

    Returns
    -------
    str
        Of the same length.
    """
    return "".join(character if character.isprintable() else "?" for character in text)


def _with_length_checked(header: EdfHeader, n_bytes: int, name: str) -> EdfHeader:
    surplus = n_bytes - header.n_header_bytes - header.n_data_bytes
    if surplus < 0:
        raise LoadError(
            f"{name}: truncated: the header promises {header.n_records} records of "
            f"{header.n_record_bytes} bytes after {header.n_header_bytes} bytes of header, "
            f"{n_bytes - surplus} bytes in all; the file holds {n_bytes}"
        )
    if surplus == 0:
        return header
    note = f"{name}: {surplus} bytes follow the last record that the header names; they are unread"
    return replace(header, notes=(note,))


def _kind(data: bytes) -> str:
    version = _FORMATS[data[:8]]
    word = data[RESERVED_FIELD][:5].decode("latin-1")
    return word if word in (f"{version}+C", f"{version}+D") else version


def _n_records(data: bytes, name: str) -> int:
    n_records = _whole(data[236:244], "number of records", name)
    if n_records == -1:
        raise LoadError(
            f"{name}: the number of records is -1, so the recording was never finished; "
            "export it again"
        )
    if n_records < 1:
        raise LoadError(f"{name}: the number of records is {n_records}; at least 1 is needed")
    return n_records


def _record_s(data: bytes, name: str) -> float:
    record_s = _number(data[244:252], "record duration", name)
    if record_s < 0:
        raise LoadError(f"{name}: the record duration is {record_s:g} s; it cannot be negative")
    return record_s


def _signals(block: bytes, n_signals: int, name: str) -> tuple[EdfSignal, ...]:
    columns, start = {}, 0
    for key, width in SIGNAL_FIELDS.items():
        stop = start + width * n_signals
        columns[key] = [block[i : i + width] for i in range(start, stop, width)]
        start = stop

    def number(key: str, i: int) -> float:
        return _number(columns[key][i], f"{key} of signal {i + 1}", name)

    def n_samples(i: int) -> int:
        where = f"samples per record of signal {i + 1}"
        n = _whole(columns["samples per record"][i], where, name)
        if n < 1:
            raise LoadError(f"{name}: header field '{where}' is {n}; at least 1 is needed")
        return n

    return tuple(
        EdfSignal(
            label=one_line(plain_text(columns["label"][i])),
            dimension=one_line(plain_text(columns["physical dimension"][i])),
            physical_min=number("physical minimum", i),
            physical_max=number("physical maximum", i),
            digital_min=number("digital minimum", i),
            digital_max=number("digital maximum", i),
            samples_per_record=n_samples(i),
        )
        for i in range(n_signals)
    )


def _number(raw: bytes, what: str, name: str) -> float:
    text = plain_text(raw)
    if not is_plain_number(text) or math.isinf(float(text)):
        raise LoadError(
            f"{name}: header field '{what}' is not a number (digits and a decimal point)"
        )
    return float(text)


def _whole(raw: bytes, what: str, name: str) -> int:
    text = plain_text(raw)
    if not _WHOLE.fullmatch(text):
        raise LoadError(f"{name}: header field '{what}' is not a whole number")
    return int(text)


def _blanked(header: bytes) -> str:
    kept = bytearray(header)
    reserved = header[RESERVED_FIELD]
    # Only the five characters that name the kind are known to be no free text.
    known = reserved[:5] if reserved.startswith(_RESERVED_WORDS) else b""
    kept[IDENTITY_FIELDS] = b" " * (IDENTITY_FIELDS.stop - IDENTITY_FIELDS.start)
    kept[RESERVED_FIELD] = known.ljust(len(reserved))
    return kept.decode("latin-1")
