"""`recordings.csv`, cell by cell."""

import math
from collections.abc import Callable
from pathlib import Path

import pytest

from waveworks.errors import SessionError
from waveworks.loaders.manifest import read_manifest
from waveworks.model import Condition

Manifest = Callable[..., Path]


def rows_of(folder: Path):
    return read_manifest((folder / "recordings.csv").read_bytes())


def faults_of(folder: Path) -> list[str]:
    with pytest.raises(SessionError) as caught:
        rows_of(folder)
    return str(caught.value).splitlines()


def test_every_column_is_understood(write_manifest: Manifest) -> None:
    folder = write_manifest(
        {
            "recording": "r1",
            "file": "sub\\a.csv ; sub/b.csv",
            "layout": "buffers",
            "kind": "test",
            "ear": "left",
            "transducer": "bone",
            "stimulus": "tone-burst",
            "frequency_hz": "500",
            "level_db_nhl": "",
            "level_db_ehl": "35.5",
            "masking_db": "none",
            "channel": "Fz-M1",
            "polarity": "alternating",
            "highpass_hz": "30",
            "lowpass_hz": "1500",
            "condition": "second headset",
            "earphone_delay_ms": "0.9",
            "n_sweeps": "2001",
            "n_a": "1001",
            "n_b": "1000",
            "n_rejected": "17",
            "buffer_split": "alternate",
            "group": "2",
            "rate_hz": "39.1",
            "v_ms": "8.25",
            "reported_rn_nv": "<15",
            "reported_grade": "CR",
            "house_code": "x7",
        }
    )
    (row,) = rows_of(folder)
    assert row.files == ("sub/a.csv", "sub/b.csv")
    assert row.condition == Condition(
        ear="left",
        transducer="bone",
        stimulus="tone-burst",
        frequency_hz=500.0,
        level_db_ehl=35.5,
        masking_db="none",
        channel="Fz-M1",
        polarity="alternating",
        highpass_hz=30.0,
        lowpass_hz=1500.0,
        condition="second headset",
    )
    assert (row.n_sweeps, row.n_a, row.n_b, row.n_rejected) == (2001, 1001, 1000, 17)
    assert (row.buffer_split, row.group, row.rate_hz) == ("alternate", 2, 39.1)
    assert row.earphone_delay_ms == 0.9
    assert row.marks.v_ms == 8.25
    assert math.isnan(row.marks.sn10_ms)
    assert row.reported.rn_nv == "<15"
    assert row.reported.grade == "CR"
    assert dict(row.cells)["house_code"] == "x7"
    assert row.number == 2


def test_empty_cells_are_absent_not_zero(write_manifest: Manifest) -> None:
    (row,) = rows_of(write_manifest({"n_sweeps": "", "rate_hz": "", "masking_db": ""}))
    assert (row.n_sweeps, row.rate_hz, row.condition.masking_db) == (None, None, None)
    assert row.kind == "test"
    assert row.signals == ()
    assert math.isnan(row.epoch_start_ms)


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        ({"ear": "both"}, "ear is 'both'; it must be one of left, right, other"),
        (
            {"layout": "mean"},
            "layout is 'mean'; it must be one of sweeps, blocks, buffers, average",
        ),
        ({"level_db_nhl": ""}, "level_db_nhl and level_db_ehl are both empty; exactly one"),
        ({"level_db_ehl": "35"}, "level_db_nhl and level_db_ehl are both given; exactly one"),
        ({"stimulus": "tone-burst"}, "frequency_hz is empty; a tone-burst needs it"),
        ({"n_sweeps": "12.5"}, "n_sweeps is '12.5'; it must be a whole number from 1"),
        ({"n_sweeps": "0"}, "n_sweeps is '0'; it must be at least 1"),
        ({"n_sweeps": "1_000"}, "n_sweeps is '1_000', which is not a number"),
        ({"rate_hz": "39,1"}, "rate_hz is '39,1', which is not a number"),
        ({"rate_hz": "nan"}, "rate_hz is 'nan', which is not a number"),
        ({"rate_hz": "0"}, "rate_hz is '0'; it must be above 0"),
        ({"group": "3"}, "group is '3'; it must be a whole number from 1 to 2"),
        ({"masking_db": "some"}, "masking_db is 'some', which is not a number"),
        ({"file": ""}, "file is empty"),
        ({"file": "a.csv;b.csv"}, "file names 2 files; two are for the layout 'buffers'"),
        ({"recording": ""}, "recording is empty"),
        ({"recording": "a\x07b"}, "recording is 'a\\x07b'; it must hold printable characters"),
        ({"signals": "a; a"}, "signals is 'a; a'; it names a signal twice"),
        ({"kind": "trial"}, "kind is 'trial'; it must be one of test, control"),
    ],
)
def test_a_faulty_cell_names_row_column_and_value(
    write_manifest: Manifest, cells: dict[str, str], message: str
) -> None:
    (fault,) = faults_of(write_manifest({"recording": "fine"}, {"recording": "two", **cells}))
    assert fault.startswith("recordings.csv row 3: ")
    assert message in fault


def test_a_control_needs_no_level(write_manifest: Manifest) -> None:
    (row,) = rows_of(write_manifest({"kind": "control", "level_db_nhl": ""}))
    assert row.condition.level_db_nhl is None


def test_all_faults_are_told_at_once(write_manifest: Manifest) -> None:
    faults = faults_of(
        write_manifest({"recording": "a", "ear": "x"}, {"recording": "a", "layout": "y"})
    )
    assert len(faults) == 3
    assert "recording 'a': the name is already used in row 2" in faults[2]


def test_many_faults_are_counted_not_listed(write_manifest: Manifest) -> None:
    rows = [{"recording": f"r{number}", "ear": "x"} for number in range(30)]
    faults = faults_of(write_manifest(*rows))
    assert len(faults) == 21
    assert faults[-1] == "recordings.csv: 10 more faults"


def test_parts_must_be_recordings_that_are_no_combination(write_manifest: Manifest) -> None:
    faults = faults_of(
        write_manifest(
            {"recording": "a"},
            {"recording": "c", "parts": "a;b"},
            {"recording": "d", "parts": "c"},
        )
    )
    assert "parts names 'b', which is no recording of this session" in faults[0]
    assert "parts names 'c', which is a combination itself" in faults[1]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "column missing: recording, file, layout, ear, transducer, stimulus"),
        ("recording;file;layout\n", "separated by ';'; it must be separated by commas"),
        ("recording,file,layout,ear,transducer,stimulus\n", "no recording"),
        ("recording,file,layout,ear,transducer,stimulus,ear\n", "column given twice: ear"),
        (
            "recording,file,layout,ear,transducer,stimulus\na,b.csv,average\n",
            "recordings.csv row 2: 3 cells, the header has 6",
        ),
        (
            'recording,file,layout,ear,transducer,stimulus\n"a,b.csv,average,left,insert,click\n',
            "not a CSV row",
        ),
    ],
)
def test_a_broken_table_is_refused(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "recordings.csv").write_text(text, encoding="utf-8")
    (fault,) = faults_of(tmp_path)
    assert message in fault


def test_other_encodings_are_refused(tmp_path: Path) -> None:
    (tmp_path / "recordings.csv").write_bytes("recording,größe\n".encode("latin-1"))
    (fault,) = faults_of(tmp_path)
    assert "byte 13 is not UTF-8 text" in fault


def test_byte_order_mark_blank_lines_and_windows_line_ends(tmp_path: Path) -> None:
    text = (
        "\ufeffrecording,file,layout,ear,transducer,stimulus,level_db_nhl\r\n"
        "\r\n"
        " a ,b.csv,average,left,insert,click,30\r\n"
    )
    (tmp_path / "recordings.csv").write_bytes(text.encode())
    (row,) = rows_of(tmp_path)
    assert row.name == "a"
    assert row.number == 3
