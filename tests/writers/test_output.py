"""Output is whole or absent, and safe to open in a spreadsheet."""

import csv
import io
import math
import os
from pathlib import Path

import numpy as np
import pytest

from waveworks.errors import OutputError
from waveworks.writers.output import output_folder
from waveworks.writers.tables import table_text


def test_the_folder_appears_whole(tmp_path: Path) -> None:
    target = tmp_path / "new" / "out"
    with output_folder(target) as draft:
        (draft / "a.csv").write_text("1")
        assert not target.exists()
    assert (target / "a.csv").read_text() == "1"
    assert [p.name for p in tmp_path.iterdir()] == ["new"]


@pytest.mark.parametrize("fault", [ValueError("no"), KeyboardInterrupt()])
def test_a_failure_leaves_nothing(tmp_path: Path, fault: BaseException) -> None:
    def fail() -> None:
        with output_folder(tmp_path / "deep" / "out") as draft:
            (draft / "a.csv").write_text("half")
            raise fault

    with pytest.raises(type(fault)):
        fail()
    assert list(tmp_path.iterdir()) == []


def test_an_existing_folder_is_never_overwritten_unasked(tmp_path: Path) -> None:
    (tmp_path / "kept.txt").write_text("mine")
    with pytest.raises(OutputError, match="exists already; choose another -o FOLDER or add"):
        output_folder(tmp_path).__enter__()
    with output_folder(tmp_path, force=True) as draft:
        (draft / "a.csv").write_text("1")
        (draft / "sub").mkdir()
        (draft / "sub" / "b.csv").write_text("2")
    assert (tmp_path / "kept.txt").read_text() == "mine"
    assert (tmp_path / "a.csv").read_text() == "1"
    assert (tmp_path / "sub" / "b.csv").read_text() == "2"


def test_a_file_in_the_way_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError, match="exists and is not a folder"):
        output_folder(tmp_path / "out", force=True).__enter__()


def test_a_folder_where_a_file_shall_be_is_found_before_anything_moves(tmp_path: Path) -> None:
    (tmp_path / "b.csv").mkdir()
    (tmp_path / "a.csv").write_text("old")

    def write() -> None:
        with output_folder(tmp_path, force=True) as draft:
            (draft / "a.csv").write_text("new")
            (draft / "b.csv").write_text("new")

    with pytest.raises(OutputError, match=r"b\.csv: exists and is a folder"):
        write()
    assert (tmp_path / "a.csv").read_text() == "old"


@pytest.mark.parametrize("place", [".", "./", "sub/..", "../here"])
def test_a_folder_may_be_named_in_any_way(tmp_path: Path, monkeypatch, place: str) -> None:
    here = tmp_path / "here"
    (here / "sub").mkdir(parents=True)
    monkeypatch.chdir(here)
    with output_folder(Path(place), force=True) as draft:
        (draft / "a.csv").write_text("1")
    assert (here / "a.csv").read_text() == "1"
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["a.csv", "here", "sub"]


def test_a_name_that_cannot_be_is_one_plain_line(tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    (tmp_path / "file").write_text("1")
    for place, message in (
        ("x" * 300, "cannot be written: File name too long"),
        ("loop", "exists and is not a folder"),
        ("loop/x", "cannot be written: loop is not a folder"),
        ("file/x", "cannot be written: file is not a folder"),
    ):
        with pytest.raises(OutputError, match=message):
            output_folder(tmp_path / place, force=True).__enter__()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "loop"]


@pytest.mark.parametrize("inside", ["", "session"])
def test_a_session_is_never_written_over(tmp_path: Path, inside: str) -> None:
    (tmp_path / "out" / inside).mkdir(parents=True)
    manifest = tmp_path / "out" / inside / "recordings.csv"
    manifest.write_text("mine")

    def write() -> None:
        with output_folder(tmp_path / "out", force=True) as draft:
            (draft / inside).mkdir(exist_ok=True)
            (draft / "a.csv").write_text("new")
            (draft / inside / "recordings.csv").write_text("new")

    with pytest.raises(OutputError, match=r"holds recordings\.csv, so it is a session"):
        write()
    assert manifest.read_text() == "mine"
    assert not (tmp_path / "out" / "a.csv").exists()


@pytest.mark.parametrize("ours", ["truth.csv", "provenance.json"])
def test_a_session_that_was_made_here_may_be_made_again(tmp_path: Path, ours: str) -> None:
    for name in ("recordings.csv", ours):
        (tmp_path / name).write_text("old")
    with output_folder(tmp_path, force=True) as draft:
        (draft / "recordings.csv").write_text("new")
    assert (tmp_path / "recordings.csv").read_text() == "new"


def test_a_bug_in_the_caller_is_not_called_a_fault_of_the_folder(tmp_path: Path) -> None:
    def fail() -> None:
        with output_folder(tmp_path / "out"):
            raise RuntimeError("a bug")

    with pytest.raises(RuntimeError, match="a bug"):
        fail()


def test_nothing_is_written_inside_what_is_read(tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "out", tmp_path / "deep" / "out"):
        with pytest.raises(OutputError, match=r"session.*, which is never written to"):
            output_folder(folder, force=True, source=tmp_path).__enter__()
    with output_folder(tmp_path / "beside", source=tmp_path / "session"):
        pass
    assert (tmp_path / "beside").is_dir()


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="this user may write everywhere")
def test_a_place_without_rights_is_one_plain_line(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="cannot be written: Permission denied"):
            output_folder(tmp_path / "out").__enter__()
    finally:
        tmp_path.chmod(0o700)


def test_a_place_below_a_file_is_one_plain_line(tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("a file")

    def write() -> None:
        with output_folder(tmp_path / "note.txt" / "out") as draft:
            (draft / "a.csv").write_text("1")

    with pytest.raises(OutputError, match="out: cannot be written: "):
        write()
    assert [p.name for p in tmp_path.iterdir()] == ["note.txt"]


def test_a_full_disk_is_one_plain_line(tmp_path: Path) -> None:
    def fill() -> None:
        with output_folder(tmp_path / "out"):
            raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match="out: cannot be written: No space left on device"):
        fill()
    assert list(tmp_path.iterdir()) == []


def test_cells_read_back_as_they_were_meant() -> None:
    row = [None, math.nan, 1 / 3, np.float64(-2.5), 1800, "plain, with comma", True]
    text = table_text(["a", "b", "c", "d", "e", "f", "g"], [row])
    (header, cells) = list(csv.reader(io.StringIO(text)))
    assert header == list("abcdefg")
    assert cells == ["", "", "0.3333333333", "-2.5", "1800", "plain, with comma", "true"]


@pytest.mark.parametrize("text", ["=1+1", "+A1", "-A1", "@SUM(A1)", "\t=1", "\r=1", "--1", "-1e"])
def test_a_formula_is_neutralised(text: str) -> None:
    (_, (cell,)) = list(csv.reader(io.StringIO(table_text(["x"], [[text]]), newline="")))
    assert cell == "'" + text.replace("\r", "\n")


@pytest.mark.parametrize("text", ["-100", "+3.5", "-1e-3", "a=b", "=", ""])
def test_a_number_is_no_formula(text: str) -> None:
    lines = list(csv.reader(io.StringIO(table_text(["x", "y"], [[text, "z"]]))))
    assert lines[1][0] == text
