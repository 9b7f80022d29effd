"""EDF and BDF files that nobody on the project made.

They belong to MNE-Python (mne/io/edf/tests/data, BSD-3-Clause). What is expected of them is stated
in the notes that lie beside the files, and read by pyedflib or mne as a second road.
"""

import mne
import numpy as np
import pyedflib
import pytest

from waveworks.errors import LoadError
from waveworks.loaders.edf import read_edf_continuous, read_edf_signals
from waveworks.loaders.edf_annotations import read_annotations
from waveworks.loaders.edf_header import read_header


@pytest.fixture
def files(real_recordings):
    return real_recordings("mne-edf-tests")


def header_of(path):
    return read_header(path.read_bytes(), name=path.name)


def read(path, *signals):
    return read_edf_signals(path, name=path.name, signals=signals)


def cut(path, event, *signals):
    return read_edf_continuous(path, name=path.name, signals=signals, event=event)


def by_pyedflib(path, positions):
    with pyedflib.EdfReader(str(path)) as reader:
        return 1e3 * np.array([reader.readSignal(i) for i in positions])


def by_mne(path):
    reader = mne.io.read_raw_bdf if path.suffix == ".bdf" else mne.io.read_raw_edf
    return reader(path, preload=True, verbose="ERROR")


# Sizes, numbers of signals, rates and durations: the notes beside the files. test.edf counts its
# annotation signal here and not there; trigger lines are counted in both.
@pytest.mark.parametrize(
    ("file", "n_bytes", "kind", "n_signals", "sfreq_hz", "seconds"),
    [
        ("test.edf", 896_256, "EDF+C", 139 + 1, 512, 6),
        ("test.bdf", 467_456, "BDF", 73, 2048, 1),
        ("test_bdf_stim_channel.bdf", 61_280, "BDF", 4, 500, 10),
        ("test_edf_stim_channel.edf", 68_056, "EDF", 25, 128, 9.59375),
        ("duplicate_channel_labels.edf", 16_360, "EDF+C", 3 + 1, 250, 10),
    ],
)
def test_the_header(files, file, n_bytes, kind, n_signals, sfreq_hz, seconds):
    path = files / file
    assert path.stat().st_size == n_bytes
    header = header_of(path)
    assert header.kind == kind
    assert len(header.signals) == n_signals
    assert header.n_records * header.record_s == seconds
    assert header.signals[0].samples_per_record / header.record_s == sfreq_hz
    assert header.notes == ()


def test_identity_is_blanked_in_every_header(files):
    paths = sorted([*files.glob("*.edf"), *files.glob("*.bdf")])
    assert len(paths) == 5
    for path in paths:
        text = header_of(path).header_text
        assert text[8:184] == " " * 176
        assert text[256:].encode("latin-1") == path.read_bytes()[256 : len(text)]


def test_the_samples_of_edf_plus_are_those_of_pyedflib(files):
    path = files / "test.edf"
    found = read(path)
    assert found.values_nv.shape == (138, 3072)  # without the Status channel
    assert found.axis.sfreq_hz == 512
    np.testing.assert_allclose(found.values_nv, by_pyedflib(path, range(138)), rtol=0, atol=1e-4)


# pyedflib refuses this file, so mne is the second road: it converts uV to V by itself.
def test_the_samples_of_bdf_are_those_of_mne(files):
    path = files / "test.bdf"
    found = read(path)
    assert found.values_nv.shape == (72, 2048)
    there = by_mne(path)
    assert there.ch_names[:72] == list(found.labels)
    np.testing.assert_allclose(found.values_nv, 1e9 * there.get_data()[:72], rtol=0, atol=1e-4)


def test_the_samples_beside_a_trigger_line_are_those_of_pyedflib(files):
    for file, n_signals in (("test_bdf_stim_channel.bdf", 3), ("test_edf_stim_channel.edf", 24)):
        there = by_pyedflib(files / file, range(n_signals))
        np.testing.assert_allclose(read(files / file).values_nv, there, rtol=0, atol=1e-4)


# The notes: start, type A three times, type B; 0, 0.134, 0.390, 2.0 and 2.5 s. Samples are the
# onset that pyedflib reads times 512 Hz, to the nearest: 0.1344 s is sample 68.8.
def test_the_annotations(files):
    path = files / "test.edf"
    found = read_annotations(path.read_bytes(), header_of(path))
    assert found.texts == ("start", "type A", "type A", "type B", "type A")
    assert found.onsets_s == pytest.approx([0, 0.134, 0.390, 2.0, 2.5], abs=6e-4)
    with pyedflib.EdfReader(str(path)) as reader:
        onsets_s, _, texts = reader.readAnnotations()
    assert found.onsets_s == pytest.approx(onsets_s, abs=1e-7)
    assert found.texts == tuple(texts)
    cut_at = cut(path, "type A", "A1")
    assert cut_at.onsets.tolist() == [69, 200, 1280]
    assert any("up to 0.19 of a sample step" in note for note in cut_at.notes)
    assert cut(path, "type B", "A1").onsets.tolist() == [1024]


# The notes: 13 transitions of the Status channel of test.edf, 4096 and 4100; nine trigger codes of
# the BDF file, 1 seven times, 2 and 4. mne.find_events, reading by itself, is the second road.
@pytest.mark.parametrize(
    ("file", "signal", "counts"),
    [
        ("test.edf", "A1", {4096: 7, 4100: 6}),
        ("test_bdf_stim_channel.bdf", "Cz", {1: 7, 2: 1, 4: 1}),
    ],
)
def test_trigger_codes_are_those_of_mne(files, file, signal, counts):
    path = files / file
    events = mne.find_events(by_mne(path), "Status", verbose="ERROR")
    assert len(events) == sum(counts.values())
    for code, count in counts.items():
        found = cut(path, str(code), signal)
        assert len(found.onsets) == count
        assert found.onsets.tolist() == events[events[:, 2] == code, 0].tolist()
        assert found.labels == (signal,)


# pyedflib reads the trigger line; a stimulus is where it goes up to a code.
def test_the_trigger_line_of_plain_edf(files):
    path = files / "test_edf_stim_channel.edf"
    line = np.rint(by_pyedflib(path, [24])[0] / 1e3).astype(int)
    codes, counts = np.unique(line[1:][np.diff(line) > 0], return_counts=True)
    assert codes.size
    for code, count in zip(codes, counts, strict=True):
        found = cut(path, str(code), "EEG Fp1").onsets
        assert len(found) == count
        assert np.all(line[found] == code)
        assert np.all(line[found - 1] < code)


def test_an_unknown_event_lists_the_codes_and_no_free_text(files):
    with pytest.raises(LoadError) as caught:
        cut(files / "test.edf", "type C", "A1")
    message = str(caught.value)
    assert "trigger line 'Status' with codes 4096 (7 times), 4100 (6 times)" in message
    assert "annotations: 5 of 3 different texts" in message
    assert "type A" not in message


# The notes: two channels share a label.
def test_the_duplicate_label_is_refused_only_where_it_is_wanted(files):
    path = files / "duplicate_channel_labels.edf"
    labels = [signal.label for signal in header_of(path).signals[:3]]
    (single,) = (label for label in labels if labels.count(label) == 1)
    (double,) = {label for label in labels if labels.count(label) == 2}
    with pytest.raises(LoadError, match=f"^{path.name}: signal '{double}' is there 2 times"):
        read(path, double)
    there = by_pyedflib(path, range(3))
    np.testing.assert_allclose(read(path).values_nv, there, rtol=0, atol=1e-4)
    one = read(path, single).values_nv[0]
    np.testing.assert_allclose(one, there[labels.index(single)], rtol=0, atol=1e-4)


@pytest.mark.parametrize("share", [0.0001, 0.01, 0.5, 0.9999])
def test_a_real_file_that_is_cut_short_is_refused(files, tmp_path, share):
    for path in (files / "test.edf", files / "test.bdf"):
        data = path.read_bytes()
        short = tmp_path / path.name
        short.write_bytes(data[: int(share * len(data))])
        with pytest.raises(LoadError, match=f"^{path.name}: truncated"):
            read(short)
