"""The EDF header against headers laid out by hand from the standard, and against pyedflib.

"The standard" is EDF+: Kemp B, Olivan J (2003), Clin Neurophysiol 114:1755-1761,
https://www.edfplus.info/specs/edfplus.html.
"""

import numpy as np
import pyedflib
import pytest

from waveworks.errors import LoadError
from waveworks.loaders.edf_header import plain_text, read_header

NAME = "left-40.edf"

# The standard: names and widths of the fixed part, and of the fields of each signal.
FIXED = {
    "version": (8, "0"),
    "patient": (80, "MCH-0234567 F 02-MAY-2024 Planted_Jane"),
    "recording": (80, "Startdate 02-MAR-2024 EMG561 Planted_Technician Telemetry03"),
    "date": (8, "17.04.24"),
    "time": (8, "11.25.09"),
    "header bytes": (8, "768"),
    "reserved": (44, "EDF+C"),
    "records": (8, "2"),
    "duration": (8, "0.050"),
    "signals": (4, "2"),
}
SIGNAL = {
    "label": (16, ("EEG Cz-A1", "EEG Cz-A2")),
    "transducer": (80, ("AgAgCl cup", "AgAgCl cup")),
    "dimension": (8, ("uV", "mV")),
    "physical minimum": (8, ("-440", "100")),
    "physical maximum": (8, ("510.5", "-100")),
    "digital minimum": (8, ("-2048", "-32768")),
    "digital maximum": (8, ("2047", "32767")),
    "prefilter": (80, ("HP:30Hz LP:3kHz", "HP:30Hz LP:3kHz")),
    "samples": (8, ("15", "3")),
    "reserved signal": (32, ("", "")),
}
DATA = b"\1\0" * 2 * (15 + 3)


def edf(data=DATA, **changed):
    """Lay out an EDF file of two signals; a changed field of a signal changes in the first."""
    changed = {key.replace("_", " "): value for key, value in changed.items()}
    parts = []
    for key, (width, text) in FIXED.items():
        parts.append(as_bytes(changed.get(key, text)).ljust(width))
    for key, (width, (first, second)) in SIGNAL.items():
        parts.append(as_bytes(changed.get(key, first)).ljust(width))
        parts.append(as_bytes(second).ljust(width))
    return b"".join(parts) + data


def as_bytes(text):
    return text if isinstance(text, bytes) else text.encode("ascii")


def refusal(data):
    """Return the one plain line that a bad file is refused with."""
    with pytest.raises(LoadError) as caught:
        read_header(data, name=NAME)
    message = str(caught.value)
    assert message.startswith(f"{NAME}: ")
    assert "\n" not in message
    assert "Planted" not in message
    return message


def test_the_layout_used_here_has_the_bytes_of_the_standard():
    assert sum(width for width, _ in FIXED.values()) == 256
    assert sum(width for width, _ in SIGNAL.values()) == 256
    assert len(edf(b"")) == 768


def test_every_field_is_read_where_the_standard_puts_it():
    header = read_header(edf(), name=NAME)
    assert (header.kind, header.n_records, header.record_s) == ("EDF+C", 2, 0.05)
    first, second = header.signals
    assert (first.label, first.dimension) == ("EEG Cz-A1", "uV")
    assert (first.physical_min, first.physical_max) == (-440, 510.5)
    assert (first.digital_min, first.digital_max) == (-2048, 2047)
    assert (first.samples_per_record, second.samples_per_record) == (15, 3)
    assert (second.label, second.physical_min, second.physical_max) == ("EEG Cz-A2", 100, -100)
    assert header.notes == ()
    assert (header.n_header_bytes, header.n_record_bytes, header.n_data_bytes) == (768, 36, 72)


# A second road: the fields that pyedflib was told to write.
@pytest.mark.parametrize(
    ("file_type", "kind", "sample_bytes"),
    [
        (pyedflib.FILETYPE_EDF, "EDF", 2),
        (pyedflib.FILETYPE_EDFPLUS, "EDF+C", 2),
        (pyedflib.FILETYPE_BDF, "BDF", 3),
        (pyedflib.FILETYPE_BDFPLUS, "BDF+C", 3),
    ],
)
def test_a_header_that_pyedflib_wrote(tmp_path, file_type, kind, sample_bytes):
    path = tmp_path / "other"
    with pyedflib.EdfWriter(str(path), 1, file_type=file_type) as writer:
        writer.setSignalHeaders(
            [
                {
                    "label": "Cz",
                    "dimension": "uV",
                    "sample_frequency": 400,
                    "physical_min": -25.5,
                    "physical_max": 50.0,
                    "digital_min": -1000,
                    "digital_max": 2000,
                    "transducer": "",
                    "prefilter": "",
                }
            ]
        )
        writer.writeSamples([np.zeros(1200)])
    header = read_header(path.read_bytes(), name=NAME)
    assert (header.kind, header.n_records, header.record_s) == (kind, 3, 1.0)
    assert header.bytes_per_sample == sample_bytes
    cz = header.signals[0]
    assert (cz.label, cz.dimension, cz.samples_per_record) == ("Cz", "uV", 400)
    assert (cz.physical_min, cz.physical_max) == (-25.5, 50)
    assert (cz.digital_min, cz.digital_max) == (-1000, 2000)
    assert [s.is_annotation for s in header.signals] == [False] + [True] * kind.endswith("+C")


@pytest.mark.parametrize(
    ("reserved", "kind", "interrupted"),
    [
        ("", "EDF", False),
        ("EDF+C", "EDF+C", False),
        ("EDF+D", "EDF+D", True),
        ("BDF+D", "EDF", False),  # a word of the other format says nothing
        ("seen by EDF+D", "EDF", False),
    ],
)
def test_the_kind_stands_at_the_start_of_the_reserved_field(reserved, kind, interrupted):
    header = read_header(edf(reserved=reserved), name=NAME)
    assert (header.kind, header.is_interrupted) == (kind, interrupted)


# --- identity ------------------------------------------------------------------------------------


def test_identity_is_blanked_and_everything_else_is_kept():
    raw = edf(reserved="EDF+C Planted_Jane")
    text = read_header(raw, name=NAME).header_text
    stored = raw[:768].decode("latin-1")
    assert len(text) == len(stored)
    # Byte positions of the standard: patient 8, recording 88, date 168, time 176, bytes 184.
    assert text[8:184] == " " * 176
    assert text[192:236] == "EDF+C".ljust(44)
    for kept in (slice(0, 8), slice(184, 192), slice(236, 768)):
        assert text[kept] == stored[kept]


@pytest.mark.parametrize("reserved", ["Planted_Jane", "24BIT Planted_Jane", "EDF+D Planted_Jane"])
def test_no_identity_in_the_text_or_the_repr(reserved):
    header = read_header(edf(reserved=reserved), name=NAME)
    for text in (header.header_text, repr(header), str(header)):
        assert "Planted" not in text
        assert "2024" not in text
        assert "17.04.24" not in text


# --- what is refused -----------------------------------------------------------------------------


def test_an_empty_file_is_refused():
    assert "the file is empty" in refusal(b"")


@pytest.mark.parametrize(
    "data", [b"time_ms,average\n0,1.5\n" * 40, b"0,1,2,3\n" * 40, b"0", b"\xffBIOSEM" + b" " * 800]
)
def test_another_file_is_refused(data):
    assert "not an EDF or BDF file" in refusal(data)


# Cut in the fixed part, at its end, in the fields of the signals, and in the data.
@pytest.mark.parametrize("n_bytes", [8, 100, 255, 256, 600, 767, 768, 769, 804, 839])
def test_a_truncated_file_is_refused_with_both_lengths(n_bytes):
    message = refusal(edf()[:n_bytes])
    assert "truncated" in message
    assert f" {n_bytes}" in message
    if n_bytes >= 768:
        # 768 bytes of header + 2 records of (15 + 3) samples of 2 bytes.
        assert "840 bytes in all" in message


def test_the_whole_file_is_not_truncated():
    assert len(edf()) == 840
    assert read_header(edf(), name=NAME).notes == ()


def test_bytes_after_the_last_record_are_noted():
    header = read_header(edf(DATA + b"\0" * 36), name=NAME)
    assert header.n_records == 2
    (note,) = header.notes
    assert note.startswith(f"{NAME}: 36 bytes follow the last record")


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("records", "-1", "number of records is -1, so the recording was never finished"),
        ("records", "0", "number of records is 0; at least 1"),
        ("records", "2.0", "'number of records' is not a whole number"),
        ("signals", "0", "number of signals is 0"),
        ("signals", "-2", "number of signals is -2"),
        ("signals", "", "'number of signals' is not a whole number"),
        ("header bytes", "512", "says that it has 512 bytes; for 2 signals it must have 768"),
        ("duration", "-1", "record duration is -1 s; it cannot be negative"),
        ("duration", "0,05", "'record duration' is not a number"),
        ("duration", "1e999", "'record duration' is not a number"),
        ("physical minimum", "Planted", "'physical minimum of signal 1' is not a number"),
        ("physical maximum", "", "'physical maximum of signal 1' is not a number"),
        ("physical maximum", "nan", "'physical maximum of signal 1' is not a number"),
        ("digital minimum", "1_000", "'digital minimum of signal 1' is not a number"),
        ("digital maximum", b"\xb2", "'digital maximum of signal 1' is not a number"),
        ("digital maximum", "١٢".encode(), "'digital maximum of signal 1' is not a number"),
        ("samples", "0", "'samples per record of signal 1' is 0; at least 1"),
        ("samples", "1.5", "'samples per record of signal 1' is not a whole number"),
    ],
)
def test_an_impossible_field_is_named(field, value, words):
    assert words in refusal(edf(**{field: value}))


@pytest.mark.parametrize("value", [b"12\0\0\0\0\0\0", b"12.0    ", b"+1.2E1  ", b"   12   "])
def test_a_number_in_each_spelling_is_read(value):
    header = read_header(edf(**{"physical maximum": value}), name=NAME)
    assert header.signals[0].physical_max == 12


# The standard: the digital maximum must be larger than the minimum; the physical ones must differ.
@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("digital maximum", "-2048", "digital minimum -2048 and maximum -2048"),
        ("digital maximum", "-2049", "digital minimum -2048 and maximum -2049"),
        ("physical maximum", "-440", "physical minimum and maximum -440 uV; they must differ"),
    ],
)
def test_void_scaling_is_refused_where_the_signal_is_used(field, value, words):
    first, second = read_header(edf(**{field: value}), name=NAME).signals
    with pytest.raises(LoadError, match=f"^{NAME}: signal 'EEG Cz-A1' has ") as caught:
        first.refuse_void_scaling(name=NAME)
    assert words in str(caught.value)
    second.refuse_void_scaling(name=NAME)  # a negative gain is allowed


@pytest.mark.parametrize("raw", ["µV".encode(), "µV".encode("latin-1"), b"\0 \xb5V\0\0"])
def test_text_is_utf8_or_latin1(raw):
    assert plain_text(raw) == "µV"


# Common practice, no source: a label that a damaged file spoils must not break a line of output.
def test_a_character_that_cannot_be_printed_becomes_a_question_mark():
    signal = read_header(edf(label=b"Cz\nA1\x1b[2J", dimension=b"u\tV"), name=NAME).signals[0]
    assert (signal.label, signal.dimension) == ("Cz?A1?[2J", "u?V")
