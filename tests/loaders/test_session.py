"""A session folder as a whole: every row a recording, usable or with its reason."""

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from waveworks.errors import SessionError, SettingsError
from waveworks.loaders.session import read_session, session_settings
from waveworks.model import Average, Blocks, Buffers, Session, Sweeps

RNG = np.random.default_rng(20)
TRACE = RNG.normal(0, 50, 300)
OTHER = RNG.normal(0, 50, 300)


@pytest.fixture
def read(write_manifest: Callable[..., Path], write_traces: Callable[..., None]):
    """Write the data files that are named, and a session of the rows, and read it."""

    def read(*rows: dict[str, str], files: dict[str, dict[str, np.ndarray]] | None = None, **kw):
        folder = write_manifest(*rows)
        for name, columns in (files or {"one.csv": {"average": TRACE}}).items():
            write_traces(folder / name, columns)
        return read_session(folder, **kw)

    return read


def only(session: Session):
    (recording,) = session.recordings
    return recording


def test_every_recording_of_the_invented_session_is_usable(quiet_ward: Path) -> None:
    session = read_session(quiet_ward)
    assert [r.problem for r in session.recordings if r.problem] == []
    layouts = {r.name: type(r.waveforms) for r in session.recordings}
    assert layouts["right-60-1"] is Average
    assert layouts["right-50-1"] is Buffers
    assert layouts["left-60-1"] is Sweeps
    assert layouts["left-40-1"] is Blocks


def test_an_average_keeps_its_numbers_its_hash_and_its_row(read, tmp_path: Path) -> None:
    recording = only(read({"n_sweeps": "2000", "house": "x"}))
    assert np.array_equal(recording.data.trace_nv, TRACE)
    assert recording.counts.n_sweeps == 2000
    data = (tmp_path / "session" / "one.csv").read_bytes()
    assert recording.files[0].sha256 == hashlib.sha256(data).hexdigest()
    assert recording.files[0].header_text == "time_ms,average"
    assert dict(recording.cells)["house"] == "x"
    assert recording.data.axis.sfreq_hz == pytest.approx(12000.0, rel=1e-12)


def test_units_are_converted_once(read) -> None:
    recording = only(read({"unit": "µV"}))
    assert recording.data.trace_nv == pytest.approx(TRACE * 1e3, rel=1e-15)


def test_an_implausible_amplitude_is_said_not_repaired(read) -> None:
    recording = only(read({"unit": "mV"}))
    assert any("amplitude is implausible" in note and "check the unit" in note
               for note in recording.notes)  # fmt: skip
    assert recording.problem == ""


def test_the_earphone_delay_moves_the_axis_and_the_marks(read) -> None:
    recording = only(read({"earphone_delay_ms": "0.9", "v_ms": "8.4", "sn10_ms": "11.4"}))
    assert recording.data.axis.start_ms == pytest.approx(-0.9)
    assert recording.marks.v_ms == pytest.approx(7.5)
    assert recording.marks.sn10_ms == pytest.approx(10.5)


def test_buffers_from_columns_or_from_two_files(read) -> None:
    pair = {"layout": "buffers", "n_a": "1001", "n_b": "999"}
    together = only(read({**pair, "file": "p.csv"}, files={"p.csv": {"b": OTHER, "a": TRACE}}))
    apart = only(
        read(
            {**pair, "file": "a.csv;b.csv"},
            files={"a.csv": {"x": TRACE}, "b.csv": {"y": OTHER}},
        )
    )
    for recording in (together, apart):
        assert np.array_equal(recording.data.a_nv, TRACE)
        assert np.array_equal(recording.data.b_nv, OTHER)
        assert recording.data.counts == (1001, 999)
        assert recording.counts.n_sweeps == 2000
    assert len(apart.files) == 2


def test_signals_are_picked_by_name_in_the_order_given(read) -> None:
    files = {"p.csv": {"u": OTHER, "v": RNG.normal(0, 50, 300), "w": TRACE}}
    recording = only(read({"layout": "buffers", "file": "p.csv", "signals": "w;u"}, files=files))
    assert np.array_equal(recording.data.a_nv, TRACE)
    assert np.array_equal(recording.data.b_nv, OTHER)


def test_buffer_counts_that_nobody_gave_are_said(read) -> None:
    files = {"p.csv": {"a": TRACE, "b": OTHER}}
    row = {"layout": "buffers", "file": "p.csv"}
    unknown = only(read(row, files=files))
    assert unknown.data.counts == (1, 1)
    assert "n_a and n_b are not given: A and B are taken as equally large" in unknown.notes
    halves = only(read({**row, "n_sweeps": "2001"}, files=files))
    assert halves.data.counts == (1001, 1000)
    assert "n_a and n_b are taken as the halves of n_sweeps" in halves.notes


def test_identical_buffers_are_said(read) -> None:
    files = {"p.csv": {"a": TRACE, "b": TRACE}}
    recording = only(read({"layout": "buffers", "file": "p.csv"}, files=files))
    assert any("A and B are identical" in note for note in recording.notes)


def test_flagged_sweeps_are_counted_not_used(write_manifest, tmp_path: Path) -> None:
    folder = write_manifest({"layout": "sweeps", "n_rejected": "5"})
    lines = ["time_ms,s1,s2,s3", "accepted,1,0,1", "0.0,1,2,3", "0.1,4,5,6"]
    (folder / "one.csv").write_text("\n".join(lines), encoding="utf-8")
    recording = only(read_session(folder))
    assert np.array_equal(recording.data.sweeps_nv, [[1.0, 4.0], [3.0, 6.0]])
    assert recording.counts.n_sweeps == 2
    assert recording.counts.n_rejected == 6


def test_rejection_counts_what_it_leaves_out(read) -> None:
    sweeps = {f"s{i}": RNG.normal(0, 500, 300) for i in range(6)}
    sweeps["s2"] = sweeps["s2"] + 20e3
    sweeps["s4"] = sweeps["s4"] - 20e3
    files = {"one.csv": sweeps}
    recording = only(read({"layout": "sweeps"}, files=files, reject_uv=10.0))
    assert recording.counts.n_rejected_here == 2
    assert np.array_equal(recording.data.sweeps_nv[2], sweeps["s3"])
    assert recording.processing.reject_uv == 10.0
    untouched = only(read({"layout": "sweeps"}, files=files))
    assert untouched.counts.n_rejected_here == 0
    assert untouched.processing.reject_uv is None


def test_what_cannot_be_filtered_or_rejected_says_so(read) -> None:
    recording = only(read({}, bandpass_hz=(30.0, 1500.0), reject_uv=10.0))
    assert "one.csv: not band-passed, because the data are cut already" in recording.notes
    assert "sweeps not rejected: the data hold none" in recording.notes
    assert recording.processing.bandpass_hz is None
    assert recording.processing.reject_uv is None


def test_blocks_take_one_count_or_one_each(read) -> None:
    files = {"one.csv": {"x": TRACE, "y": OTHER}}
    same = only(read({"layout": "blocks", "n_per_block": "250"}, files=files))
    each = only(read({"layout": "blocks", "n_per_block": "250;100"}, files=files))
    none = only(read({"layout": "blocks"}, files=files))
    assert same.data.n_per_block == (250, 250)
    assert each.data.n_per_block == (250, 100)
    assert each.counts.n_sweeps == 350
    assert none.data.n_per_block is None
    assert "n_per_block is not given: blocks are taken as equally large" in none.notes


PAIR = {"p.csv": {"a": TRACE, "b": OTHER}}


@pytest.mark.parametrize(
    ("row", "files", "problem"),
    [
        ({"file": "gone.csv"}, None, "gone.csv: no such file in the session folder"),
        ({"file": "../one.csv"}, None, "../one.csv: leaves the session folder"),
        ({"file": "/etc/hostname"}, None, "leaves the session folder"),
        ({"file": "."}, None, ".: is not a file"),
        ({"unit": ""}, None, "unit is missing; give one of nV, uV, mV, V"),
        ({"unit": "uv"}, None, "unit is 'uv'; it must be one of nV, uV, mV, V"),
        ({"event": "tone"}, None, "one.csv: event is given, but a plain CSV file holds no events"),
        ({"file": "p.csv"}, PAIR, "p.csv: holds 'a', 'b'; the layout 'average' needs one"),
        ({"signals": "b"}, None, "signal 'b' is not there; the file holds 'average'"),
        ({"layout": "buffers"}, None, "one.csv: only 'average'; A without B is no buffer pair"),
        (
            {"layout": "buffers"},
            {"one.csv": {"u": TRACE, "v": OTHER}},
            "holds 'u', 'v'; name A and B in the column signals",
        ),
        (
            {"layout": "buffers", "file": "p.csv", "n_a": "5"},
            PAIR,
            "n_a and n_b belong together; only one is given",
        ),
        (
            {"layout": "buffers", "file": "p.csv", "n_a": "5", "n_b": "6", "n_sweeps": "12"},
            PAIR,
            "n_sweeps is 12, but there are 11 sweeps by n_a and n_b",
        ),
        ({"layout": "sweeps"}, None, "one.csv: 1 of 1 accepted sweeps; at least 2 are needed"),
        (
            {"layout": "sweeps", "file": "p.csv", "n_sweeps": "3"},
            PAIR,
            "n_sweeps is 3, but there are 2 accepted sweeps",
        ),
        ({"layout": "blocks"}, None, "one.csv: 1 block; at least 2 are needed"),
        (
            {"layout": "blocks", "file": "p.csv", "n_per_block": "1;2;3"},
            PAIR,
            "n_per_block lists 3 counts, the file holds 2 accepted blocks",
        ),
        (
            {"layout": "blocks", "file": "p.csv", "n_per_block": "9", "n_sweeps": "19"},
            PAIR,
            "n_sweeps is 19, but there are 18 sweeps by n_per_block",
        ),
        ({"file": "a\0.csv"}, None, "cannot be the name of a file"),
        (
            {},
            {"one.csv": {"average": TRACE * 1e-9}},
            "the largest amplitude is 1",
        ),
        ({"unit": "V"}, {"one.csv": {"average": TRACE * 1e3}}, "it must lie between 1e-06 and"),
        ({"csv_format": "f.toml"}, None, "f.toml: no such file in the session folder"),
    ],
)
def test_a_recording_that_cannot_be_used_says_why(read, row, files, problem: str) -> None:
    fine = {"recording": "fine", "file": "fine.csv"}
    every = {**(files or {"one.csv": {"average": TRACE}}), "fine.csv": {"average": TRACE}}
    bad, good = read(row, fine, files=every).recordings
    assert problem in bad.problem
    assert "\n" not in bad.problem
    assert bad.waveforms is None
    assert good.problem == ""


def test_two_files_of_a_pair_must_share_their_time(write_manifest, write_traces) -> None:
    folder = write_manifest({"layout": "buffers", "file": "a.csv;b.csv"})
    write_traces(folder / "a.csv", {"x": TRACE})
    write_traces(folder / "b.csv", {"x": OTHER[:299]})
    problem = only(read_session(folder)).problem
    assert "a.csv and b.csv: A and B differ in time: 300 samples at 12000 Hz" in problem


@pytest.mark.skipif(os.name == "nt", reason="links need rights of their own on Windows")
def test_a_link_that_leaves_the_folder_is_refused(read, write_manifest, tmp_path: Path) -> None:
    (tmp_path / "secret.csv").write_text("time_ms,average\n0,1\n1,2\n", encoding="utf-8")
    folder = write_manifest({"file": "link.csv"})
    (folder / "link.csv").symlink_to(tmp_path / "secret.csv")
    assert "link.csv: leaves the session folder" in only(read_session(folder)).problem


def test_no_folder_and_no_manifest(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="gone: no such folder"):
        read_session(tmp_path / "gone")
    with pytest.raises(SessionError, match=r"holds no recordings\.csv"):
        read_session(tmp_path)


def test_the_session_file_is_read_and_hashed(write_manifest) -> None:
    folder = write_manifest({})
    (folder / "session.toml").write_text("session = 'visit 2'", encoding="utf-8")
    session = read_session(folder)
    assert session.info.session == "visit 2"
    assert [file.name for file in session.files] == ["recordings.csv", "session.toml"]


def test_the_settings_of_a_session_are_its_own_or_the_shipped(write_manifest) -> None:
    folder = write_manifest({})
    assert session_settings(folder).name == "shipped default"
    (folder / "session.toml").write_text("settings = 'ours.toml'", encoding="utf-8")
    with pytest.raises(SessionError, match=r"settings: ours\.toml: no such file"):
        session_settings(folder)
    (folder / "ours.toml").write_text("nonsense = 1", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"ours\.toml: unknown key 'nonsense'"):
        session_settings(folder)


def test_a_broken_csv_format_option_stops_everything(read, tmp_path: Path) -> None:
    (tmp_path / "f.toml").write_text("nonsense = 1", encoding="utf-8")
    with pytest.raises(SettingsError, match="unknown key 'nonsense'"):
        read({}, csv_format=tmp_path / "f.toml")


def test_a_file_name_that_no_file_can_have_is_a_row_with_a_reason(write_manifest, write_traces):
    folder = write_manifest(
        {"recording": "a", "file": 300 * "x" + ".csv"}, {"recording": "b", "file": "b.csv"}
    )
    write_traces(folder / "b.csv", {"average": np.ones(50)})
    first, second = read_session(folder).recordings
    assert "cannot be the name of a file" in first.problem
    assert len(first.problem) < 200
    assert second.waveforms is not None
