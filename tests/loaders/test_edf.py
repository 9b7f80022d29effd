"""Samples and events of EDF and BDF files, against pyedflib and hand-laid bytes.

"The standard" is EDF+: Kemp B, Olivan J (2003), Clin Neurophysiol 114:1755-1761,
https://www.edfplus.info/specs/edfplus.html.
"""

import subprocess
import sys
import warnings

import numpy as np
import pyedflib
import pytest

from waveworks.errors import LoadError
from waveworks.loaders.edf import read_edf_continuous, read_edf_signals
from waveworks.loaders.edf_annotations import read_annotations
from waveworks.loaders.edf_header import read_header

NAME = "right-30.edf"
EDF, EDF_PLUS = pyedflib.FILETYPE_EDF, pyedflib.FILETYPE_EDFPLUS
BDF, BDF_PLUS = pyedflib.FILETYPE_BDF, pyedflib.FILETYPE_BDFPLUS
DIGITAL = {
    EDF: (-32768, 32767),
    EDF_PLUS: (-32768, 32767),
    BDF: (-8388608, 8388607),
    BDF_PLUS: (-8388608, 8388607),
}


@pytest.fixture
def path(tmp_path):
    return tmp_path / "file"


def write(path, samples, *, file_type=EDF, events=(), patient="", **fields):
    """Write integers with pyedflib; a field is one value, or a list of one value a signal."""
    low, high = DIGITAL[file_type]
    header = {
        "label": [f"S{i + 1}" for i in range(len(samples))],
        "dimension": "uV",
        "sample_frequency": 500,
        "physical_min": -100.0,
        "physical_max": 100.0,
        "digital_min": low,
        "digital_max": high,
        "transducer": "",
        "prefilter": "",
    } | fields
    headers = [
        {key: value[i] if isinstance(value, list) else value for key, value in header.items()}
        for i in range(len(samples))
    ]
    with pyedflib.EdfWriter(str(path), len(samples), file_type=file_type) as writer:
        writer.setSignalHeaders(headers)
        if len(events) > 1:  # room for one annotation a record in each
            writer.set_number_of_annotation_signals(len(events))
        if patient:
            writer.setPatientName(patient)
        writer.writeSamples([np.asarray(s, dtype=np.int32) for s in samples], digital=True)
        for onset_s, text in events:
            writer.writeAnnotation(onset_s, -1, text)


def noise(n_signals, n_samples, seed=1, span=30_000):
    return np.random.default_rng(seed).integers(-span, span, (n_signals, n_samples))


def as_pyedflib_reads(path):
    with pyedflib.EdfReader(str(path)) as reader:
        return np.array([reader.readSignal(i) for i in range(reader.signals_in_file)])


def patch(path, start, new):
    data = bytearray(path.read_bytes())
    data[start : start + len(new)] = new
    path.write_bytes(data)


def patch_record_start(path, record, new):
    """Replace the annotation lists of one record in its first annotation signal."""
    header = read_header(path.read_bytes(), name=NAME)
    first = [s.is_annotation for s in header.signals].index(True)
    widths = [s.samples_per_record * header.bytes_per_sample for s in header.signals]
    start = header.n_header_bytes + record * header.n_record_bytes + sum(widths[:first])
    assert len(new) <= widths[first]
    patch(path, start, new.ljust(widths[first], b"\0"))


def refusal(read, path, **arguments):
    with pytest.raises(LoadError) as caught:
        read(path, name=NAME, **arguments)
    message = str(caught.value)
    assert message.startswith(NAME)
    assert "\n" not in message
    return message


def onsets(path, event, signals=("S1",)):
    return read_edf_continuous(path, name=NAME, signals=signals, event=event)


# --- samples -------------------------------------------------------------------------------------


# pyedflib, the second road, wrote the file and reads it.
@pytest.mark.parametrize("file_type", [EDF, EDF_PLUS, BDF, BDF_PLUS])
def test_samples_are_what_pyedflib_reads(path, file_type):
    write(
        path,
        noise(2, 1500, span=DIGITAL[file_type][1]),
        file_type=file_type,
        physical_min=[-12.5, -400.0],
        physical_max=[37.5, 300.0],
    )
    found = read_edf_signals(path, name=NAME)
    assert found.labels == ("S1", "S2")
    assert found.axis.sfreq_hz == 500
    assert found.axis.n_samples == 1500
    assert found.notes == ()
    np.testing.assert_allclose(found.values_nv, 1e3 * as_pyedflib_reads(path), rtol=0, atol=1e-6)


# The spec's example of scaling: gain 0.048840049 mV a bit, digital 0 is not 0 mV (computed for the
# reference notes from the formula of the standard).
def test_the_scaling_example_of_the_standard(path):
    digital = np.zeros(500, dtype=int)
    digital[:4] = 0, 1000, -2048, 2047
    write(path, [digital], dimension="mV", digital_min=-2048, digital_max=2047)
    values_mv = read_edf_signals(path, name=NAME).values_nv[0] / 1e6
    assert values_mv[:4] == pytest.approx([0.024420, 48.864469, -100, 100], abs=5e-7)


def test_a_negative_gain_turns_the_signal_over(path):
    samples = noise(1, 500)
    write(path, samples, physical_min=100.0, physical_max=-100.0)
    found = read_edf_signals(path, name=NAME)
    assert found.notes == ()
    np.testing.assert_allclose(found.values_nv, 1e3 * as_pyedflib_reads(path), rtol=0, atol=1e-6)
    assert np.corrcoef(found.values_nv[0], samples[0])[0, 1] == pytest.approx(-1)


# SI prefixes; both code points of micro, and the Latin-1 byte that older recorders write.
@pytest.mark.parametrize(
    ("dimension", "per_unit"),
    [
        (b"nV", 1.0),
        (b"uV", 1e3),
        ("µV".encode(), 1e3),
        ("μV".encode(), 1e3),
        (b"\xb5V", 1e3),
        (b"mV", 1e6),
        (b"V", 1e9),
    ],
)
def test_units_are_converted_once(path, dimension, per_unit):
    write(path, noise(1, 500))
    patch(path, 256 + 16 + 80, dimension.ljust(8))
    values = 100.0 * (2 * noise(1, 500)[0] + 1) / 65535  # the formula of the standard
    found = read_edf_signals(path, name=NAME).values_nv[0]
    np.testing.assert_allclose(found, per_unit * values, rtol=1e-9, atol=1e-9 * per_unit)


# Not the padding of the standard; common practice, no source.
@pytest.mark.parametrize("minimum", [b"-100\0\0\0\0", b"\0\0-100\0\0"])
def test_numbers_padded_with_zero_bytes_are_read(path, minimum):
    write(path, noise(1, 500))
    there = 1e3 * as_pyedflib_reads(path)
    patch(path, 256 + 16 + 80 + 8, minimum)
    np.testing.assert_allclose(read_edf_signals(path, name=NAME).values_nv, there, atol=1e-6)


def test_each_signal_has_its_own_unit(path):
    write(path, np.tile(noise(1, 500), (3, 1)), dimension=["nV", "uV", "mV"])
    nv, uv, mv = read_edf_signals(path, name=NAME, signals=("S1", "S2", "S3")).values_nv
    np.testing.assert_allclose(uv, 1e3 * nv, rtol=1e-9)
    np.testing.assert_allclose(mv, 1e6 * nv, rtol=1e-9)


@pytest.mark.parametrize("dimension", ["degC", "", "UV", "mmHg", "Boolean"])
def test_another_unit_is_refused_by_name_only_where_it_is_wanted(path, dimension):
    write(path, noise(2, 500), dimension=["uV", dimension])
    assert read_edf_signals(path, name=NAME, signals=("S1",)).labels == ("S1",)
    for signals in ((), ("S2",)):
        message = refusal(read_edf_signals, path, signals=signals)
        assert "physical dimension of signal 'S2'" in message
        assert f"'{dimension}'" in message or "unit is missing" in message


def test_signals_come_in_the_order_they_are_asked_for(path):
    write(path, noise(3, 500))
    found = read_edf_signals(path, name=NAME, signals=("S3", "S1"), start_ms=-5.0)
    assert found.labels == ("S3", "S1")
    assert found.axis.start_ms == -5
    there = 1e3 * as_pyedflib_reads(path)
    np.testing.assert_allclose(found.values_nv, there[[2, 0]], rtol=0, atol=1e-6)


def test_trigger_lines_and_annotations_are_no_signals_unless_asked_for(path):
    labels = ["Cz", "Status", "DIG DTRIG"]
    write(path, noise(3, 500), file_type=EDF_PLUS, events=[(0.1, "x")], label=labels)
    assert read_edf_signals(path, name=NAME).labels == ("Cz",)
    assert read_edf_signals(path, name=NAME, signals=("Status",)).labels == ("Status",)
    assert "'EDF Annotations' is not there" in refusal(
        read_edf_signals, path, signals=("EDF Annotations",)
    )


def test_signals_of_other_rates_do_not_disturb_and_are_not_mixed(path):
    samples = [noise(1, 1000)[0], noise(1, 200, seed=2)[0]]
    write(path, samples, sample_frequency=[500, 100])
    message = refusal(read_edf_signals, path)
    assert "sampling rates in Hz differ: 'S1' 500, 'S2' 100" in message
    slow = read_edf_signals(path, name=NAME, signals=("S2",))
    assert slow.axis.sfreq_hz == 100
    values_uv = 100.0 * (2 * samples[1] + 1) / 65535
    np.testing.assert_allclose(slow.values_nv[0], 1e3 * values_uv, rtol=1e-9, atol=1e-6)


def test_a_duplicate_label_is_refused_only_where_it_is_wanted(path):
    write(path, noise(3, 500), label=["Cz", "Fz", "Cz"])
    assert "signal 'Cz' is there 2 times" in refusal(read_edf_signals, path, signals=("Cz",))
    there = 1e3 * as_pyedflib_reads(path)
    one = read_edf_signals(path, name=NAME, signals=("Fz",))
    np.testing.assert_allclose(one.values_nv, there[[1]], rtol=0, atol=1e-6)
    every = read_edf_signals(path, name=NAME)
    assert every.labels == ("Cz", "Fz", "Cz")
    np.testing.assert_allclose(every.values_nv, there, rtol=0, atol=1e-6)


def test_an_unknown_label_lists_the_signals(path):
    write(path, noise(2, 500))
    message = refusal(read_edf_signals, path, signals=("S3",))
    assert "signal 'S3' is not there; the file holds 'S1', 'S2'" in message


def test_a_signal_asked_for_twice_is_refused(path):
    write(path, noise(2, 500))
    assert "asked for twice" in refusal(read_edf_signals, path, signals=("S1", "S1"))


def test_a_file_without_an_ordinary_signal_is_refused(path):
    write(path, noise(1, 500), label="Status")
    assert "holds no signal other than" in refusal(read_edf_signals, path)


def test_a_record_of_no_duration_is_refused(path):
    write(path, noise(1, 500))
    patch(path, 244, b"0".ljust(8))
    assert "record duration is 0 s" in refusal(read_edf_signals, path)


# --- one record, one sweep -----------------------------------------------------------------------


def test_each_record_is_a_sweep(path):
    write(path, noise(2, 1500))
    found = read_edf_signals(
        path, name=NAME, signals=("S2",), start_ms=-10.0, records_as_sweeps=True
    )
    assert found.labels == ("1", "2", "3")
    assert found.axis.n_samples == 500
    assert found.axis.start_ms == -10
    there = 1e3 * as_pyedflib_reads(path)[1].reshape(3, 500)
    np.testing.assert_allclose(found.values_nv, there, rtol=0, atol=1e-6)


def test_sweeps_of_more_than_one_signal_are_refused(path):
    write(path, noise(2, 1500))
    message = refusal(read_edf_signals, path, records_as_sweeps=True)
    assert "2 signals, 'S1', 'S2'; name the one whose records are the sweeps" in message


# --- interrupted recordings ----------------------------------------------------------------------


@pytest.fixture(params=[b"EDF+D", b"BDF+D"])
def interrupted(path, request):
    """Write three records, and say in the header that time is missing between them."""
    file_type = EDF_PLUS if request.param.startswith(b"E") else BDF_PLUS
    write(path, noise(1, 1500), file_type=file_type, events=[(0.5, "stim")])
    patch(path, 192, request.param)
    patch_record_start(path, 1, b"+7.25\x14\x14\0")
    patch_record_start(path, 2, b"+9\x14\x14\0")
    return path


def test_an_interrupted_recording_is_never_read_as_continuous(interrupted):
    for message in (
        refusal(read_edf_signals, interrupted),
        refusal(read_edf_continuous, interrupted, signals=("S1",), event="stim"),
    ):
        assert "an interrupted recording" in message
        assert "of 3 records; it cannot be read as one continuous signal" in message


def test_the_records_of_an_interrupted_recording_are_read_as_sweeps(interrupted):
    found = read_edf_signals(interrupted, name=NAME, records_as_sweeps=True)
    low, high = DIGITAL[BDF if read_header(interrupted.read_bytes(), name=NAME).is_bdf else EDF]
    values_nv = -1e5 + (noise(1, 1500) - low) * 2e5 / (high - low)  # the formula of the standard
    np.testing.assert_allclose(found.values_nv, values_nv.reshape(3, 500), rtol=0, atol=1e-5)


# 2 ms is one sample step here; the limit is half of it.
@pytest.mark.parametrize(("start", "gap_ms"), [(b"+1.5", "500"), (b"+1.0011", "1.1"), (b"+0", "")])
def test_a_gap_that_the_header_denies_is_found(path, start, gap_ms):
    write(path, noise(1, 1000), file_type=EDF_PLUS)
    patch_record_start(path, 1, start + b"\x14\x14\0")
    message = refusal(read_edf_signals, path)
    assert "an interrupted recording although its header says EDF+C: record 2 begins" in message
    assert f"{gap_ms} ms after the end of record 1" in message
    assert len(read_edf_signals(path, name=NAME, records_as_sweeps=True).labels) == 2


@pytest.mark.parametrize("start", [b"+1", b"+1.0009", b"+1.000", b"none"])
def test_no_gap_is_seen_where_there_is_none(path, start):
    write(path, noise(1, 1000), file_type=EDF_PLUS)
    patch_record_start(path, 1, start + b"\x14\x14\0")
    assert read_edf_signals(path, name=NAME).axis.n_samples == 1000


def test_a_single_record_has_no_gap(path):
    write(path, noise(1, 500), file_type=EDF_PLUS)
    patch(path, 192, b"EDF+D")
    assert read_edf_signals(path, name=NAME).axis.n_samples == 500


# --- damaged files -------------------------------------------------------------------------------


def reads_of(path):
    return (
        refusal(read_edf_signals, path),
        refusal(read_edf_continuous, path, signals=("S1",), event="stim"),
    )


@pytest.mark.parametrize("share", [0.001, 0.1, 0.3, 0.5, 0.9, 0.999])
def test_a_truncated_file_is_refused(path, share):
    write(path, noise(1, 500), file_type=EDF_PLUS)
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    for message in reads_of(path):
        assert "truncated" in message or "not an EDF" in message


def test_a_recording_that_was_never_closed_is_refused(path):
    write(path, noise(1, 500))
    patch(path, 236, b"-1".ljust(8))
    for message in reads_of(path):
        assert "number of records is -1" in message


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"", "the file is empty"), (b"time_ms,average\n0,1\n" * 50, "not an EDF or BDF file")],
)
def test_a_file_of_another_kind_is_refused(path, content, words):
    path.write_bytes(content)
    for message in reads_of(path):
        assert words in message


def test_a_missing_file_is_refused(path):
    for message in reads_of(path):
        assert "cannot be read: No such file or directory" in message


def test_impossible_scaling_is_refused_only_where_it_is_wanted(path):
    write(path, noise(2, 500))
    # Digital maximum of the second of two signals: offset 512 of the standard, plus 8.
    patch(path, 520, b"-32768".ljust(8))
    assert "signal 'S2' has digital minimum -32768" in refusal(read_edf_signals, path)
    there = read_edf_signals(path, name=NAME, signals=("S1",)).values_nv[0]
    np.testing.assert_allclose(there, 1e5 * (2 * noise(2, 500)[0] + 1) / 65535, atol=1e-6)


# --- annotations ---------------------------------------------------------------------------------


def test_stimuli_are_the_annotations_of_that_text(path):
    events = [(0.1, "stim"), (0.25, "other"), (1.5, "stim"), (2.998, "stim")]
    write(path, noise(2, 1500), file_type=EDF_PLUS, events=events)
    found = onsets(path, "stim", signals=("S2",))
    assert found.onsets.tolist() == [50, 750, 1499]  # onset in s times 500 Hz
    assert found.labels == ("S2",)
    assert found.sfreq_hz == 500
    assert found.notes == ()
    np.testing.assert_allclose(found.values_nv[0], 1e3 * as_pyedflib_reads(path)[1], atol=1e-6)


def test_bdf_annotations_are_read_too(path):
    write(path, noise(1, 1000), file_type=BDF_PLUS, events=[(0.5, "stim"), (1.0, "stim")])
    assert onsets(path, "stim").onsets.tolist() == [250, 500]


def test_a_stimulus_between_samples_takes_the_nearest_and_says_so(path):
    write(path, noise(1, 500), file_type=EDF_PLUS, events=[(0.1, "stim"), (0.2006, "stim")])
    found = onsets(path, "stim")
    assert found.onsets.tolist() == [50, 100]
    (note,) = found.notes
    assert (
        note == f"{NAME}: stimuli lie up to 0.3 of a sample step (0.6 ms) from the nearest sample"
    )


def test_a_stimulus_outside_the_recording_is_counted(path):
    write(path, noise(1, 500), file_type=EDF_PLUS)
    lists = b"+0\x14\x14\0" + b"-0.1\x14stim\x14\0" + b"+0.5\x14stim\x14\0" + b"+1\x14stim\x14\0"
    patch_record_start(path, 0, lists)
    found = onsets(path, "stim")
    assert found.onsets.tolist() == [-50, 250, 500]
    assert found.notes == (f"{NAME}: 2 of 3 stimuli lie outside the recording",)


# The standard: the first list of the first record holds the part of a second that the start time
# leaves out, and onsets count from the start time.
def test_the_start_of_the_first_record_is_taken_off(path):
    write(path, noise(1, 500), file_type=EDF_PLUS)
    # A later list without a text is an empty annotation, not the time of the record.
    patch_record_start(path, 0, b"+0.25\x14\x14\0+0.45\x14stim\x14\0+0.5\x14\x14\0")
    assert onsets(path, "stim").onsets.tolist() == [100]


def test_stimuli_come_in_the_order_of_time(path):
    write(path, noise(1, 1000), file_type=EDF_PLUS)
    patch_record_start(path, 0, b"+0\x14\x14\0+1.5\x14stim\x14\0+0.5\x14stim\x14\0")
    patch_record_start(path, 1, b"+1\x14\x14\0+0.1\x14stim\x14\0")
    assert onsets(path, "stim").onsets.tolist() == [50, 250, 750]


def test_a_first_record_without_a_time_is_noted(path):
    write(path, noise(1, 500), file_type=EDF_PLUS)
    patch_record_start(path, 0, b"+0.5\x14stim\x14\0")
    found = onsets(path, "stim")
    assert found.onsets.tolist() == [250]
    assert found.notes == (f"{NAME}: the first record does not say when it began; taken as 0 s",)


def test_broken_annotation_lists_are_counted(path):
    write(path, noise(1, 500), file_type=EDF_PLUS)
    patch_record_start(path, 0, b"+0\x14\x14\x000.4\x14stim\x14\0+0.5\x14stim\x14\0+0.7 stim\0")
    found = onsets(path, "stim")
    assert found.onsets.tolist() == [250]
    assert found.notes == (f"{NAME}: 2 annotation lists break the standard; not used",)


# Byte counts 28, 34 and 20, and the auditory example, are the standard's own.
def test_the_examples_of_the_standard(path):
    write(path, noise(1, 1000), file_type=EDF_PLUS, sample_frequency=500)
    both = b"+180\x14Lights off\x14Close door\x14\0"
    apart = b"+180\x14Lights off\x14\0+180\x14Close door\x14\0"
    apnea = b"+1800.2\x1525.5\x14Apnea\x14\0"
    assert [len(both), len(apart), len(apnea)] == [28, 34, 20]
    for lights in (both, apart):
        patch_record_start(path, 0, b"+0\x14\x14\0" + lights + apnea)
        found = read_annotations(path.read_bytes(), read_header(path.read_bytes(), name=NAME))
        assert found.texts == ("Lights off", "Close door", "Apnea")
        assert found.onsets_s.tolist() == [180, 180, 1800.2]
        assert found.record_onsets_s.tolist() == [0, 1]
        assert found.n_unreadable == 0
    patch_record_start(path, 0, b"+0\x14\x14\0-0.065\x14Pre-stimulus\x14\0+0\x14Stimulus\x14\0")
    patch_record_start(path, 1, b"+0.3\x14\x14\0+0.235\x14Pre-stimulus\x14\0+0.3\x14Stimulus\x14\0")
    found = read_annotations(path.read_bytes(), read_header(path.read_bytes(), name=NAME))
    assert found.record_onsets_s.tolist() == [0, 0.3]
    assert found.onsets_s.tolist() == [-0.065, 0, 0.235, 0.3]
    assert found.texts == ("Pre-stimulus", "Stimulus") * 2


# --- trigger lines -------------------------------------------------------------------------------


def trigger(n_samples, *pulses):
    """Lay out a trigger line: (first sample, last sample, code)."""
    line = np.zeros(n_samples, dtype=int)
    for first, last, code in pulses:
        line[first : last + 1] = code
    return line


def write_triggers(path, *lines, file_type=BDF, **fields):
    """Write one noise signal and trigger lines whose physical value is the digital one."""
    low, high = DIGITAL[file_type]
    n_lines = len(lines)
    write(
        path,
        [noise(1, 1000)[0], *lines],
        file_type=file_type,
        **{
            "label": ["S1", *["Status", "Trigger 2"][:n_lines]],
            "physical_min": [-100.0, *[low] * n_lines],
            "physical_max": [100.0, *[high] * n_lines],
        }
        | fields,
    )


@pytest.mark.parametrize("file_type", [EDF, BDF])
def test_stimuli_are_the_rises_to_that_code(path, file_type):
    line = trigger(1000, (100, 104, 1), (300, 301, 2), (700, 700, 1), (995, 999, 1))
    write_triggers(path, line, file_type=file_type)
    assert onsets(path, "1").onsets.tolist() == [100, 700, 995]
    assert onsets(path, "2").onsets.tolist() == [300]
    assert onsets(path, "1").notes == ()


# BDF: the upper bits of the 24 tell the state of the amplifier (documentation of
# mne.io.read_raw_bdf); the sign bit is among them.
def test_the_upper_bits_of_a_bdf_trigger_line_are_no_code(path):
    line = trigger(1000, (100, 104, 7), (300, 301, 65535))
    write_triggers(path, line + 0x1A0000 - 0x800000)
    assert onsets(path, "7").onsets.tolist() == [100]
    assert onsets(path, "65535").onsets.tolist() == [300]


# As mne reads a trigger channel of BDF: the stored integers, whatever the scaling says.
def test_the_codes_of_a_bdf_trigger_line_are_the_stored_integers(path):
    line = trigger(1000, (100, 104, 7), (300, 301, 200))
    write_triggers(path, line, physical_min=[-100.0, -5.0], physical_max=[100.0, 5.0])
    assert onsets(path, "7").onsets.tolist() == [100]
    assert onsets(path, "200").onsets.tolist() == [300]


# A 16-bit trigger line can be scaled so that code 1 is read as 0.9999: here
# -10 + (3276 + 32768) * 20 / 65535.
def test_a_scaled_edf_trigger_line_is_rounded(path):
    line = trigger(1000, (100, 104, 3276), (300, 301, 6553))
    write_triggers(
        path, line, file_type=EDF, physical_min=[-100.0, -10.0], physical_max=[100.0, 10.0]
    )
    assert onsets(path, "1").onsets.tolist() == [100]
    assert onsets(path, "2").onsets.tolist() == [300]


def test_what_is_no_stimulus_on_a_trigger_line_is_noted(path):
    # At 1 from the start, and back to 1 when a second code goes off.
    write_triggers(path, trigger(1000, (0, 3, 1), (100, 120, 1), (110, 115, 5)))
    found = onsets(path, "1")
    assert found.onsets.tolist() == [100]
    begins, falls = found.notes
    assert begins.startswith(f"{NAME}: trigger line 'Status' is at 1 when the recording begins")
    assert falls.startswith(f"{NAME}: 1 changes of trigger line 'Status' down to 1 from a higher")


def test_an_unknown_code_lists_the_codes(path):
    write_triggers(path, trigger(1000, (100, 104, 1), (300, 301, 2), (700, 700, 1)))
    for event in ("9", "click"):
        message = refusal(read_edf_continuous, path, signals=("S1",), event=event)
        assert f"no event '{event}'; the file holds trigger line 'Status' with codes" in message
        assert "1 (2 times), 2 (1 times)" in message


def test_a_trigger_line_without_codes_says_so(path):
    write_triggers(path, trigger(1000))
    message = refusal(read_edf_continuous, path, signals=("S1",), event="1")
    assert "trigger line 'Status' with no codes" in message


def test_a_file_without_events_says_so(path):
    write(path, noise(1, 500))
    message = refusal(read_edf_continuous, path, signals=("S1",), event="1")
    assert "no event '1'; the file holds neither annotations nor a trigger line" in message


def test_two_trigger_lines_are_refused(path):
    line = trigger(1000, (100, 104, 1))
    write_triggers(path, line, line)
    message = refusal(read_edf_continuous, path, signals=("S1",), event="1")
    assert "2 trigger lines, 'Status', 'Trigger 2'; one is needed" in message


def test_a_trigger_line_without_scaling_is_refused(path):
    write_triggers(path, trigger(1000, (100, 104, 1)))
    patch(path, 504, b"8388607".ljust(8))  # digital minimum of the second of two signals
    message = refusal(read_edf_continuous, path, signals=("S1",), event="1")
    assert "signal 'Status' has digital minimum 8.38861e+06 and maximum 8.38861e+06" in message


def test_a_trigger_line_of_another_rate_is_refused(path):
    write_triggers(path, trigger(200, (10, 12, 1)), sample_frequency=[500, 100])
    message = refusal(read_edf_continuous, path, signals=("S1",), event="1")
    assert (
        "'Status' has 100 samples a record, the signals have 500; nothing is resampled" in message
    )


# --- nothing identifies, nothing chatters --------------------------------------------------------


def planted(path, file_type=EDF_PLUS):
    events = [(0.1 * i, "stim") for i in range(1, 15)]
    events += [(0.1 * i, "restless Planted Jane") for i in range(12)]
    events += [(0.6, "Surname_2 asleep"), (0.7, "Surname_2 asleep")]
    write(path, noise(1, 1500), file_type=file_type, events=events, patient="Jane_Planted")
    assert b"Planted" in path.read_bytes()[:256]
    assert path.read_bytes().count(b"restless Planted Jane") == 12


@pytest.mark.parametrize("file_type", [EDF_PLUS, BDF_PLUS])
def test_no_planted_identity_in_any_message_note_or_repr(path, file_type, capfd):
    planted(path, file_type)
    header = read_header(path.read_bytes(), name=NAME)
    found = onsets(path, "stim")
    read = read_edf_signals(path, name=NAME)
    annotations = read_annotations(path.read_bytes(), header)
    texts = [repr(header), header.header_text, repr(found), repr(read), repr(annotations)]
    texts += [*found.notes, *read.notes]
    texts.append(refusal(read_edf_continuous, path, signals=("S1",), event="click"))
    texts.append(refusal(read_edf_continuous, path, signals=("S9",), event="stim"))
    texts.append(refusal(read_edf_signals, path, signals=("S9",)))
    patch_record_start(path, 2, b"+7\x14\x14Jane Planted\x14\0")
    texts.append(refusal(read_edf_signals, path))
    patch(path, 192, b"EDF+D" if file_type == EDF_PLUS else b"BDF+D")
    texts.append(refusal(read_edf_signals, path))
    path.write_bytes(path.read_bytes()[:-1])
    texts.append(refusal(read_edf_signals, path))
    texts += capfd.readouterr()
    for text in texts:
        for word in ("Planted", "Jane", "Surname_2", "restless"):
            assert word not in text


def test_an_unknown_event_lists_what_is_repeated_like_a_stimulus(path):
    planted(path)
    message = refusal(read_edf_continuous, path, signals=("S1",), event="click")
    assert message == (
        f"{NAME}: no event 'click'; the file holds annotations: 28 of 3 different texts, "
        "'stim' (14 times)"
    )


def test_a_listed_annotation_stays_on_one_line(path):
    write(path, noise(1, 500), file_type=EDF_PLUS)
    patch_record_start(path, 0, b"+0\x14\x14\0" + b"+0\x14A\n\x1b\x14\0" * 10)
    message = refusal(read_edf_continuous, path, signals=("S1",), event="click")
    assert message.endswith("annotations: 10 of 1 different texts, 'A??' (10 times)")


def test_an_annotation_that_is_asked_for_is_found_even_so(path):
    planted(path)
    assert onsets(path, "Surname_2 asleep").onsets.tolist() == [300, 350]


def test_reading_is_silent(path, capfd):
    planted(path)
    onsets(path, "stim")
    read_edf_signals(path, name=NAME)
    assert capfd.readouterr() == ("", "")


def listen_to_mne(monkeypatch, listener):
    """Call `listener` with the file that mne is given to read."""
    import mne

    def read(file, **options):
        listener(file)
        return read_raw_edf(file, **options)

    read_raw_edf = mne.io.read_raw_edf
    monkeypatch.setattr(mne.io, "read_raw_edf", read)


def test_a_warning_of_mne_becomes_a_note(path, monkeypatch):
    listen_to_mne(monkeypatch, lambda _: warnings.warn("doubtful", RuntimeWarning, stacklevel=1))
    write(path, noise(1, 500))
    assert read_edf_signals(path, name=NAME).notes == (f"{NAME}: mne warns: doubtful",)


# What mne does not know it cannot repeat; and it must not act on gaps between records, which the
# loader has looked at.
def test_mne_is_given_no_identity_and_no_sign_of_gaps(path, monkeypatch):
    given = []
    listen_to_mne(monkeypatch, lambda file: given.append(file.getvalue()))
    planted(path)
    patch(path, 192, b"EDF+D")
    read_edf_signals(path, name=NAME, records_as_sweeps=True)
    (data,) = given
    assert b"Planted" not in data[:256]
    assert data[168:184] == b"01.01.8500.00.00"
    assert b"EDF+D" not in data
    n_header = int(data[184:192])
    assert data[n_header:] == path.read_bytes()[n_header:]


def test_mne_is_not_imported_before_a_file_is_read():
    code = (
        "import sys, waveworks.loaders.edf, waveworks.writers.edf; "
        "sys.exit(bool({'mne', 'edfio', 'pandas', 'matplotlib'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
