"""Commands: what they write, print and exit with."""

import csv
import hashlib
import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from waveworks.loaders.session import read_session
from waveworks.measures.tables import LEVELS_COLUMNS, MEASURES_COLUMNS, TRACES_COLUMNS

OUTPUT = ["levels.csv", "measures.csv", "provenance.json", "traces.csv"]


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def session(quiet_ward: Path, tmp_path: Path) -> Path:
    """A copy of the invented session that a test may spoil."""
    return shutil.copytree(quiet_ward, tmp_path / "ward")


def test_measure_writes_its_tables_and_nothing_else(run, quiet_ward: Path, tmp_path: Path) -> None:
    result = run("measure", quiet_ward)
    assert result.exit_code == 0, result.output
    out = tmp_path / "waveworks-out"
    assert sorted(p.name for p in out.iterdir()) == OUTPUT
    assert tuple(rows_of(out / "measures.csv")[0]) == MEASURES_COLUMNS
    assert tuple(rows_of(out / "levels.csv")[0]) == LEVELS_COLUMNS
    assert tuple(rows_of(out / "traces.csv")[0]) == TRACES_COLUMNS
    manifest = rows_of(quiet_ward / "recordings.csv")
    assert [r["recording"] for r in rows_of(out / "measures.csv")] == [
        r["recording"] for r in manifest
    ]
    assert "Decision support for qualified people" in result.output


def test_a_number_in_the_table_follows_from_the_file(run, quiet_ward: Path, tmp_path: Path) -> None:
    """Half the difference of A and B, by numpy's own reader."""
    run("measure", quiet_ward)
    measured = {r["recording"]: r for r in rows_of(tmp_path / "waveworks-out" / "measures.csv")}
    row = measured["right-30-4"]
    times, a, b = np.loadtxt(quiet_ward / "right-30-4.csv", delimiter=",", skiprows=1).T
    n_a, n_b = 1390, 1392
    inside = times >= float(row["noise_start_ms"]) - 1e-9
    rms = np.sqrt(((a - b)[inside] ** 2).mean())
    assert float(row["rn_nv"]) == pytest.approx(rms * np.sqrt(n_a * n_b) / (n_a + n_b), rel=1e-9)
    data = (quiet_ward / "right-30-4.csv").read_bytes()
    assert row["sha256"] == hashlib.sha256(data).hexdigest()
    assert row["rn_method"] == "buffers"


def test_the_truth_lies_in_its_interval(run, quiet_ward: Path, tmp_path: Path) -> None:
    """Of 12 buffer pairs, blocks and sweeps 95 % should; 2 misses of 12 have a chance of 2 %."""
    run("measure", quiet_ward)
    truth = {r["recording"]: float(r["true_rn_nv"]) for r in rows_of(quiet_ward / "truth.csv")}
    rows = [
        r
        for r in rows_of(tmp_path / "waveworks-out" / "measures.csv")
        if r["rn_method"] in ("buffers", "sweeps", "blocks")
    ]
    held = [float(r["rn_low_nv"]) <= truth[r["recording"]] <= float(r["rn_high_nv"]) for r in rows]
    assert len(held) >= 10
    assert sum(held) >= len(held) - 2


def test_provenance_leads_from_every_row_to_its_origin(
    run, quiet_ward: Path, tmp_path: Path
) -> None:
    run("measure", quiet_ward, "--response-window", 6, 16)
    out = tmp_path / "waveworks-out"
    origin = json.loads((out / "provenance.json").read_text(encoding="utf-8"))
    for row in rows_of(out / "measures.csv"):
        entry = origin["measures.csv"][row["recording"]]
        assert ";".join(entry["files"].values()) == row["sha256"]
        if row["rn_method"]:
            method = entry["residual_noise"]["method"]
            assert method == f"residual noise from {row['rn_method']}"
            assert method in origin["methods"]
        start, stop = entry["f_statistics"]["window_ms"]
        assert (f"{start:.10g}", f"{stop:.10g}") == (
            row["response_start_ms"],
            row["response_stop_ms"],
        )
    assert origin["settings"]["set_by_hand"] == ["response_ms = (6.0, 16.0)"]
    # Almeida, Rodrigues and Lewis 2011, Rev CEFAC 13(3): the first expected wave of the default.
    wave = origin["settings"]["expectations"][0]
    assert (wave["frequency_hz"], wave["level_db_nhl"], wave["v_ms"]) == (
        500.0,
        [20.0, 70.0],
        [15.2, 10.75],
    )
    assert wave["slope_ms_per_db"] is wave["v_sd_ms"] is wave["age_weeks"] is None
    assert "Almeida" in wave["source"]
    assert len(origin["levels.csv"]) == len(rows_of(out / "levels.csv"))
    manifest = (quiet_ward / "recordings.csv").read_bytes()
    assert origin["session_files"]["recordings.csv"] == hashlib.sha256(manifest).hexdigest()
    assert {"python", "numpy", "scipy", "waveworks"} <= set(origin["versions"])


def test_the_same_input_gives_the_same_bytes(run, quiet_ward: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        run("measure", quiet_ward, "-o", name)
    for name in OUTPUT:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_json_is_the_printed_table(run, quiet_ward: Path) -> None:
    result = run("measure", quiet_ward, "--json")
    tables = json.loads(result.stdout)
    assert {row["recording"] for row in tables["recordings"]} >= {"right-60-1", "right-control"}
    assert all("rn_nv" in row for row in tables["levels"])


def test_one_bad_file_costs_one_row(run, session: Path, tmp_path: Path) -> None:
    bad = session / "right-30-2.csv"
    text = bad.read_text(encoding="utf-8").splitlines()
    text[9] = text[9].rsplit(",", 1)[0] + ",noisy"
    bad.write_text("\n".join(text), encoding="utf-8")
    result = run("measure", session)
    assert result.exit_code == 1
    (line,) = result.stderr.splitlines()
    for part in ("waveworks: recording 'right-30-2'", "right-30-2.csv", "10", "noisy"):
        assert part in line
    measured = {r["recording"]: r for r in rows_of(tmp_path / "waveworks-out" / "measures.csv")}
    assert len(measured) == len(rows_of(session / "recordings.csv"))
    assert "noisy" in measured["right-30-2"]["note"]
    assert measured["right-30-2"]["rn_nv"] == ""
    assert measured["right-30-1"]["rn_nv"] != ""


def test_an_unusable_manifest_writes_nothing(run, session: Path, tmp_path: Path) -> None:
    text = (session / "recordings.csv").read_text(encoding="utf-8")
    (session / "recordings.csv").write_text(text.replace(",right,", ",starboard,"), "utf-8")
    before = sorted(tmp_path.iterdir())
    result = run("measure", session)
    assert result.exit_code == 1
    assert "ear is 'starboard'; it must be one of left, right, other" in result.stderr
    assert all(line.startswith("waveworks: recordings.csv") for line in result.stderr.splitlines())
    assert sorted(tmp_path.iterdir()) == before


def test_an_existing_output_folder_is_kept(run, quiet_ward: Path, tmp_path: Path) -> None:
    (tmp_path / "waveworks-out").mkdir()
    result = run("measure", quiet_ward)
    assert result.exit_code == 1
    assert result.stderr == (
        "waveworks: waveworks-out: exists already; choose another -o FOLDER or add --force\n"
    )
    assert list((tmp_path / "waveworks-out").iterdir()) == []
    assert run("measure", quiet_ward, "--force").exit_code == 0


def test_formulas_in_text_fields_are_neutralised(run, session: Path, tmp_path: Path) -> None:
    text = (session / "recordings.csv").read_text(encoding="utf-8")
    text = text.replace("blocked tube", "=1+1").replace("right-60-1,", "@sum,", 1)
    (session / "recordings.csv").write_text(text, encoding="utf-8")
    run("measure", session)
    measured = rows_of(tmp_path / "waveworks-out" / "measures.csv")
    assert measured[0]["recording"] == "'@sum"
    assert "'=1+1" in {row["condition"] for row in measured}


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--response-window", 9, 3], "9 3 must be two rising numbers"),
        (["--bandpass", 0, 30], "0 30 must be two rising numbers above 0"),
        (["--reject-uv", 0], "0"),
        (["--fsp-point", "nan"], "nan is not a finite number"),
        (["--settings", "gone.toml"], "gone.toml"),
        (["--nonsense"], "No such option"),
    ],
)
def test_wrong_usage_is_exit_2(run, quiet_ward: Path, tmp_path: Path, options, message) -> None:
    result = run("measure", quiet_ward, *options)
    assert result.exit_code == 2
    assert message in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_window_outside_the_data_is_told_for_each_recording(run, quiet_ward: Path) -> None:
    result = run("measure", quiet_ward, "--noise-window", 1, 90)
    assert result.exit_code == 1
    lines = result.stderr.splitlines()
    assert len(lines) == len(rows_of(quiet_ward / "recordings.csv"))
    assert all("noise window 1 to 90 ms is not inside the data" in line for line in lines)


def test_an_interrupt_leaves_nothing(run, quiet_ward: Path, tmp_path: Path, monkeypatch) -> None:
    def interrupt(*_args: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("waveworks.loaders.session.read_recording", interrupt)
    result = run("measure", quiet_ward)
    assert result.exit_code == 1
    assert result.stderr == "waveworks: stopped; output is written whole or not at all\n"
    assert list(tmp_path.iterdir()) == []


def test_check_measures_and_writes_nothing(run, quiet_ward: Path, tmp_path: Path) -> None:
    result = run("check", quiet_ward)
    assert result.exit_code == 0
    assert "16 recordings, nothing wrong." in result.output
    assert list(tmp_path.iterdir()) == []


def test_check_finds_what_measure_would(run, session: Path) -> None:
    (session / "left-40-1.csv").unlink()
    short = (session / "right-20-2.csv").read_text(encoding="utf-8").splitlines()[:-5]
    (session / "right-20-2.csv").write_text("\n".join(short), encoding="utf-8")
    result = run("check", session)
    assert result.exit_code == 1
    assert "left-40-1.csv: no such file in the session folder" in result.stderr
    assert "replicates 'right-20-1' and 'right-20-2' differ in time" in result.stderr
    measured = run("measure", session)
    assert set(result.stderr.splitlines()) == set(measured.stderr.splitlines())


@pytest.mark.parametrize("to", ["csv", "edf"])
def test_convert_keeps_every_sample_and_every_number(
    run, quiet_ward: Path, tmp_path: Path, to: str
) -> None:
    result = run("convert", quiet_ward, "--to", to, "-o", "new", "--json")
    assert result.exit_code == 0, result.stderr
    steps = {r["recording"]: r["step_nv"] for r in json.loads(result.stdout)["files"]}
    before, after = read_session(quiet_ward), read_session(tmp_path / "new")
    assert [r.name for r in after.recordings] == [r.name for r in before.recordings]
    for old, new in zip(before.recordings, after.recordings, strict=True):
        assert new.problem == ""
        assert type(new.waveforms) is type(old.waveforms)
        assert new.data.axis.agrees_with(old.data.axis)
        assert new.counts.n_sweeps == old.counts.n_sweeps
        assert new.condition == old.condition
        half_a_step = 0.0 if to == "csv" else steps[old.name] / 2 * (1 + 1e-9)
        for field in ("sweeps_nv", "blocks_nv", "a_nv", "b_nv", "trace_nv"):
            if hasattr(old.data, field):
                was, now = getattr(old.data, field), getattr(new.data, field)
                assert np.abs(was - now).max() <= half_a_step
        assert np.array_equal(
            [new.marks.v_ms, new.marks.sn10_ms],
            [old.marks.v_ms, old.marks.sn10_ms],
            equal_nan=True,
        )


def test_a_converted_session_measures_the_same(run, quiet_ward: Path, tmp_path: Path) -> None:
    run("convert", quiet_ward, "--to", "edf", "-o", "edf")
    for folder in (quiet_ward, "edf"):
        assert run("measure", folder, "-o", f"out-{Path(folder).name}").exit_code == 0
    before = rows_of(tmp_path / "out-quiet_ward" / "measures.csv")
    after = rows_of(tmp_path / "out-edf" / "measures.csv")
    for old, new in zip(before, after, strict=True):
        if old["rn_nv"]:
            assert float(new["rn_nv"]) == pytest.approx(float(old["rn_nv"]), rel=1e-3)


def test_a_coarse_step_is_warned_of(run, write_manifest, write_traces) -> None:
    """One large artefact stretches the 16 bits: 2 x 32 uV / 65535, 1 nV a step, is too coarse."""
    rng = np.random.default_rng(3)
    a, b = rng.normal(0, 2, (2, 300))
    a[0] = b[0] = 32e3
    a[1] = b[1] = -32e3
    folder = write_manifest({"layout": "buffers", "file": "one.csv", "n_a": "9", "n_b": "9"})
    write_traces(folder / "one.csv", {"a": a, "b": b})
    result = run("convert", folder, "--to", "edf", "-o", "new")
    assert result.exit_code == 0
    assert "the quantisation step of one.edf, 0.977 nV, is not small" in result.stderr


def test_convert_says_where_every_file_comes_from(run, quiet_ward: Path, tmp_path: Path) -> None:
    run("convert", quiet_ward, "--to", "edf", "-o", "new")
    origin = json.loads((tmp_path / "new" / "provenance.json").read_text(encoding="utf-8"))
    for row in rows_of(tmp_path / "new" / "recordings.csv"):
        entry = origin["recordings.csv"][row["recording"]]
        for name, digest in entry["source_files"].items():
            assert hashlib.sha256((quiet_ward / name).read_bytes()).hexdigest() == digest
        data = (tmp_path / "new" / row["file"]).read_bytes()
        assert entry["file"] == {row["file"]: hashlib.sha256(data).hexdigest()}
    assert origin["recordings.csv"]["right-60-1"]["source_row"] == {"unit": "uV"}


def test_a_neutralised_name_stays_the_name_of_a_part(
    run, write_manifest, write_traces, tmp_path: Path
) -> None:
    folder = write_manifest(
        {"recording": "=x"}, {"recording": "y"}, {"recording": "z", "parts": "y;=x"}
    )
    write_traces(folder / "one.csv", {"average": np.random.default_rng(1).normal(0, 50, 300)})
    assert run("convert", folder, "--to", "csv", "-o", "new").exit_code == 0
    assert run("check", "new").exit_code == 0


@pytest.mark.parametrize("command", [["measure"], ["convert", "--to", "csv"]])
def test_the_session_itself_is_never_written_to(run, session: Path, command: list[str]) -> None:
    before = {p.name: p.read_bytes() for p in session.iterdir()}
    result = run(*command, session, "-o", session / ".." / session.name, "--force")
    assert result.exit_code == 1
    assert "is the session itself, which is never written to" in result.stderr
    assert {p.name: p.read_bytes() for p in session.iterdir()} == before


def test_odd_data_and_unknown_columns_are_told(run, write_manifest, write_traces) -> None:
    folder = write_manifest({"unit": "V", "masking_dB": "40"}, {"recording": "two", "unit": "V"})
    write_traces(folder / "one.csv", {"average": np.linspace(-1, 1, 300)})
    notes = [
        "waveworks: note: recordings.csv: column 'masking_dB' means nothing here; it is kept as "
        "it is",
        "waveworks: note: recording 'one' and 1 more: amplitude is implausible, RMS 5.79e+08 nV "
        "where 1 to 20000 nV is usual; check the unit",
    ]
    checked = run("check", folder)
    assert checked.exit_code == 0
    assert checked.stderr.splitlines() == notes
    assert "2 recordings, 2 notes above." in checked.stdout
    measured = run("measure", folder)
    assert measured.exit_code == 0
    assert measured.stderr.splitlines() == notes


def test_infinite_windows_are_windows(run, quiet_ward: Path, tmp_path: Path) -> None:
    assert run("measure", quiet_ward, "--noise-window", "-inf", "inf").exit_code == 0
    rows = rows_of(tmp_path / "waveworks-out" / "measures.csv")
    assert {row["noise_start_ms"] for row in rows if row["rn_nv"]} == {"0"}


def test_a_full_disk_at_the_printer_is_one_plain_line(run, quiet_ward: Path, monkeypatch) -> None:
    def full(*_args: object, **_kw: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("waveworks.cli.check.show_tables", full)
    result = run("check", quiet_ward)
    assert result.exit_code == 1
    assert result.stderr == "waveworks: cannot print: No space left on device\n"


def test_a_unit_that_contradicts_an_edf_file_is_refused(
    run, quiet_ward: Path, tmp_path: Path
) -> None:
    run("convert", quiet_ward, "--to", "edf", "-o", "edf")
    manifest = tmp_path / "edf" / "recordings.csv"
    rows = rows_of(manifest)
    rows[0]["unit"], rows[1]["unit"] = "nV", "uV"
    with manifest.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    result = run("check", "edf")
    assert result.exit_code == 1
    assert result.stderr.splitlines() == [
        "waveworks: recording 'right-60-1': right-60-1.edf: unit is 'nV' in recordings.csv, the "
        "file states 'uV' for 'average'"
    ]


def test_a_recording_that_cannot_be_read_keeps_its_row(run, session: Path, tmp_path: Path) -> None:
    (session / "left-40-1.csv").unlink()
    result = run("convert", session, "--to", "csv", "-o", "new")
    assert result.exit_code == 1
    assert "recording 'left-40-1': left-40-1.csv: no such file" in result.stderr
    rows = {r["recording"]: r for r in rows_of(tmp_path / "new" / "recordings.csv")}
    assert rows["left-40-1"]["file"] == "left-40-1.csv"
    assert len(rows) == 16


def test_convert_names_files_safely(run, write_manifest, write_traces, tmp_path: Path) -> None:
    rows = [{"recording": name} for name in ("a/b", "A:b", "../x", "...", "recordings")]
    folder = write_manifest(*rows)
    write_traces(folder / "one.csv", {"average": np.ones(30) * 50})
    assert run("convert", folder, "--to", "csv", "-o", "new").exit_code == 0
    written = sorted(p.name for p in (tmp_path / "new").iterdir())
    assert written == [
        "A_b-2.csv",
        "a_b.csv",
        "provenance.json",
        "recording.csv",
        "recordings-2.csv",
        "recordings.csv",
        "x.csv",
    ]
    assert [r.problem for r in read_session(tmp_path / "new").recordings] == [""] * 5


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["measure", "--help"]])
def test_the_command_line_starts_without_heavy_libraries(arguments: list[str]) -> None:
    heavy = ("mne", "matplotlib", "pandas", "scipy", "numpy", "edfio")
    code = (
        "import sys; from waveworks.cli.app import commands\n"
        f"commands({arguments!r}, standalone_mode=False)\n"
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_csv_session_is_measured_without_mne(quiet_ward: Path, tmp_path: Path) -> None:
    code = (
        "import sys; from waveworks.cli.app import commands\n"
        f"commands(['measure', {str(quiet_ward)!r}, '-o', {str(tmp_path / 'o')!r}], "
        "standalone_mode=False)\n"
        "print([name for name in ('mne', 'matplotlib', 'edfio') if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_python_m_waveworks_is_the_same_command() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "waveworks", "--version"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert done.stdout.startswith("python -m waveworks, version ")
