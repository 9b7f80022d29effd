"""The continuous signal that a recording's sweeps were cut from, read once more."""

from dataclasses import replace

import numpy as np
import pyedflib
import pytest
from scipy import signal

from waveworks.errors import LoadError
from waveworks.loaders.continuous import is_continuous, read_continuous
from waveworks.loaders.csv_format import read_csv_format
from waveworks.loaders.session import read_session
from waveworks.model import Sweeps

RATE = 3000
ONSETS = 40 + 90 * np.arange(60)
VALUES = np.round(np.random.default_rng(8).normal(0, 3000, 5000))  # the last five lie outside
FORMAT = """
[time]
kind = "none"
rate_hz = 3000.0
[signals]
unit = "nV"
[marker]
column = "marker"
"""
CUT = {
    "layout": "sweeps",
    "event": "7",
    "signals": "Cz",
    "epoch_start_ms": "-2",
    "epoch_stop_ms": "15",
}


def trigger():
    line = np.zeros(len(VALUES), dtype=int)
    line[[onset for onset in ONSETS if onset < len(VALUES)]] = 7
    return line


@pytest.fixture
def csv_row(tmp_path):
    folder = tmp_path / "session"
    folder.mkdir(exist_ok=True)
    (folder / "f.toml").write_text(FORMAT, encoding="utf-8")
    table = np.column_stack([VALUES, trigger()])
    np.savetxt(folder / "c.csv", table, "%d", ",", header="Cz,marker", comments="")
    return {**CUT, "file": "c.csv", "csv_format": "f.toml"}


@pytest.fixture
def edf_row(tmp_path):
    folder = tmp_path / "session"
    folder.mkdir(exist_ok=True)
    samples = np.pad(VALUES, (0, 1000)).astype(np.int32)  # whole records of a second
    with pyedflib.EdfWriter(str(folder / "c.edf"), 2, file_type=pyedflib.FILETYPE_EDF) as writer:
        writer.setSignalHeaders(
            [
                {
                    "label": label,
                    "dimension": "uV",
                    "sample_frequency": RATE,
                    "physical_min": low * per_digit,
                    "physical_max": 32767 * per_digit,
                    "digital_min": low,
                    "digital_max": 32767,
                    "transducer": "",
                    "prefilter": "",
                }
                for label, low, per_digit in (("Cz", -32767, 0.001), ("Trigger", -32768, 1))
            ]
        )
        line = np.pad(trigger(), (0, 1000)).astype(np.int32)
        writer.writeSamples([samples, line], digital=True)
    return {**CUT, "file": "c.edf", "unit": ""}


def only(write_manifest, row, **options):
    folder = write_manifest(row)
    (recording,) = read_session(folder, **options).recordings
    assert recording.problem == ""
    return recording, folder


@pytest.mark.parametrize("kind", ["csv_row", "edf_row"])
def test_each_kept_sweep_starts_where_it_says(request, write_manifest, kind):
    recording, folder = only(write_manifest, request.getfixturevalue(kind))
    assert is_continuous(recording, folder)
    found = read_continuous(recording, folder)
    assert found.signal_nv[: len(VALUES)] == pytest.approx(VALUES, abs=1e-6)
    assert found.starts.tolist() == [o - 6 for o in ONSETS if o + 46 <= found.signal_nv.size
                                     and o < len(VALUES)]  # fmt: skip
    assert found.n_rejected == 0


def test_an_earphone_delay_moves_times_and_no_samples(csv_row, write_manifest):
    plain = read_continuous(*only(write_manifest, csv_row))
    late, folder = only(write_manifest, {**csv_row, "earphone_delay_ms": "1"})
    assert np.array_equal(read_continuous(late, folder).starts, plain.starts)
    assert late.data.axis.start_ms == pytest.approx(-3.0)


def test_the_signal_is_band_passed_as_it_was_for_the_cut_and_rejected_sweeps_are_left_out(
    csv_row, write_manifest
):
    """Second road: scipy's zero-phase filter on the whole channel and the limit by hand."""
    recording, folder = only(write_manifest, csv_row, bandpass_hz=(30.0, 900.0), reject_uv=6.5)
    found = read_continuous(recording, folder)
    sos = signal.butter(2, (30.0, 900.0), "bandpass", fs=RATE, output="sos")
    filtered = signal.sosfiltfilt(sos, VALUES)
    inside = slice(600, -600)  # the ends are padded in another way
    assert found.signal_nv[inside] == pytest.approx(filtered[inside], abs=1e-3)
    starts = [o - 6 for o in ONSETS if o + 46 <= len(VALUES)]
    kept = [s for s in starts if np.abs(found.signal_nv[s : s + 52]).max() <= 6500]
    assert 2 < len(kept) < len(starts)
    assert found.starts.tolist() == kept
    assert found.n_rejected == len(starts) - len(kept)


def test_a_description_from_outside_the_session_is_named_again(csv_row, write_manifest, tmp_path):
    """Without `event` only the description's marker column tells that the data are continuous."""
    outside = tmp_path / "outside.toml"
    outside.write_text(FORMAT + "code = 7\n", encoding="utf-8")
    row = {**csv_row, "csv_format": "", "event": ""}
    recording, folder = only(write_manifest, row, csv_format=outside)
    described = read_csv_format(outside)
    assert not is_continuous(recording, folder)
    assert is_continuous(recording, folder, described)
    assert len(read_continuous(recording, folder, described).starts) == recording.data.n_sweeps


def test_what_was_never_continuous_is_refused(write_manifest, write_traces, tmp_path):
    folder = write_manifest({})
    write_traces(folder / "one.csv", {"average": np.arange(300.0)})
    (recording,) = read_session(folder).recordings
    assert not is_continuous(recording, folder)
    in_memory = replace(recording, cells=())
    assert not is_continuous(in_memory, folder)
    for one in (recording, in_memory):
        with pytest.raises(LoadError, match="not cut from a continuous recording"):
            read_continuous(one, folder)


def test_a_file_or_recording_that_changed_meanwhile_is_refused(csv_row, write_manifest):
    recording, folder = only(write_manifest, csv_row)
    fewer = replace(recording, waveforms=Sweeps(recording.data.sweeps_nv[1:], recording.data.axis))
    words = r"c\.csv: does not give the sweeps of 'one' any more"
    with pytest.raises(LoadError, match=words):
        read_continuous(fewer, folder)
    path = folder / "c.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[100] = "12345,0"  # between two sweeps
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(LoadError, match=words):
        read_continuous(recording, folder)
