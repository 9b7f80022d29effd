"""`waveworks calibrate` from end to end."""

import csv
import json

import pytest
from click.testing import CliRunner

from waveworks.calibration import CALIBRATION_COLUMNS
from waveworks.cli.app import commands
from waveworks.simulate.noise import simulate_noise

QUICK = ("--test", "hotelling-t2", "--runs", 30, "--workers", 1)


@pytest.fixture
def sweeps_session(tmp_path):
    """One recording of 300 sweeps, a row a sweep."""
    folder = tmp_path / "session"
    folder.mkdir()
    sweeps = simulate_noise("Q33", 300, seed=9)
    header = ",".join(["sweep", *(f"{i / 12:.9g}" for i in range(300))])
    lines = [",".join([str(i), *(f"{x:.2f}" for x in sweep)]) for i, sweep in enumerate(sweeps)]
    (folder / "run.csv").write_text("\n".join([header, *lines]) + "\n")
    (folder / "recordings.csv").write_text(
        "recording,file,layout,ear,transducer,stimulus,level_db_nhl,unit\n"
        "run,run.csv,sweeps,right,insert,click,40,nV\n"
    )
    return folder


def run(*arguments):
    return CliRunner().invoke(commands, ["calibrate", *map(str, arguments)])


def test_simulated_noise_gives_a_table_and_its_origin(tmp_path):
    out = tmp_path / "out"
    result = run("-o", out, "--noise", "W", "--noise", "B", *QUICK, "--alpha", 0.05)
    assert result.exit_code == 0, result.output
    assert "does not replace the judgement" in result.output
    with (out / "calibration.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == CALIBRATION_COLUMNS
    assert [(row["noise"], row["amplitude_nv"]) for row in rows] == [
        ("W", "0"),
        ("W", "100"),
        ("B", "0"),
        ("B", "100"),
    ]
    born = json.loads((out / "provenance.json").read_text())
    assert born["experiment"]["seed"] == 1
    assert born["noise"]["W"]["response_window_ms"] == [5.0, 17.0]
    again = run("-o", tmp_path / "again", "--noise", "W", "--noise", "B", *QUICK, "--alpha", 0.05)
    assert again.exit_code == 0
    assert (tmp_path / "again" / "calibration.csv").read_bytes() == (
        out / "calibration.csv"
    ).read_bytes()


def test_a_session_without_sweeps_says_what_is_left(tmp_path, sweeps_session):
    (sweeps_session / "run.csv").write_text(
        "time_ms,a,b\n" + "".join(f"{i / 12:.9g},{i % 7},{i % 5}\n" for i in range(300))
    )
    table = (sweeps_session / "recordings.csv").read_text()
    (sweeps_session / "recordings.csv").write_text(table.replace("sweeps", "buffers"))
    result = run(sweeps_session, "-o", tmp_path / "out", *QUICK)
    assert result.exit_code == 1
    assert "no recording of the session can be used" in result.output
    assert "'run': A and B hold no sweeps; they still allow the A/B ratio and" in result.output
    assert "weaker" in result.output
    assert not (tmp_path / "out").exists()


def test_a_session_is_calibrated_on_its_own_sweeps(tmp_path, sweeps_session):
    out = tmp_path / "out"
    result = run(sweeps_session, "-o", out, *QUICK, "--looks", 200)
    assert result.exit_code == 0, result.output
    born = json.loads((out / "provenance.json").read_text())["noise"]
    assert list(born) == ["run"]
    assert [len(sha) for sha in born["run"]["files"].values()] == [64]
    assert "All draws share the sweeps of one recording" in result.output


def test_a_window_without_ends_is_written_as_it_was_used(tmp_path, sweeps_session):
    """Recordings of another stimulus are measured over the whole trace."""
    table = (sweeps_session / "recordings.csv").read_text()
    (sweeps_session / "recordings.csv").write_text(table.replace("click", "other"))
    result = run(sweeps_session, "-o", tmp_path / "out", *QUICK)
    assert result.exit_code == 0, result.output
    born = json.loads((tmp_path / "out" / "provenance.json").read_text())
    assert born["noise"]["run"]["response_window_ms"] == pytest.approx([0, 299 / 12])
    assert born["noise"]["run"]["response_latency_ms"] == 3
    assert list(born["session_files"]) == ["recordings.csv"]
    assert len(born["settings"]["sha256"]) == 64


def test_an_unreadable_recording_is_left_out_with_a_line(tmp_path, sweeps_session):
    with (sweeps_session / "recordings.csv").open("a") as file:
        file.write("gone,gone.csv,sweeps,right,insert,click,30,nV\n")
    result = run(sweeps_session, "-o", tmp_path / "out", *QUICK)
    assert result.exit_code == 1
    assert "waveworks: left out: recording 'gone': " in result.output
    born = json.loads((tmp_path / "out" / "provenance.json").read_text())
    assert list(born["noise"]) == ["run"]
    assert [line[:29] for line in born["left_out"]] == ["left out: recording 'gone': g"]


def test_what_is_given_twice_is_tried_once(tmp_path):
    twice = ("--noise", "W", "--amplitude-nv", 0, "--test", "customary-f") * 2
    result = run(*twice, "--runs", 5, "--workers", 1, "--json", "-o", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert len(json.loads(result.stdout)["calibration"]) == 1


def test_an_existing_folder_is_not_overwritten(tmp_path):
    result = run("-o", tmp_path, *QUICK)
    assert result.exit_code == 1
    assert "exists already" in result.output
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--noise", "Q33", "any_session"), "give SESSION or --noise"),
        (("--workers", "1", "--scheduler", "tcp://x:1"), "give --workers or --scheduler"),
        (("--amplitude-nv", "-5"), "amplitude-nv"),
        (("--runs", "0"), "runs"),
        (("--alpha", "1"), "alpha"),
        (("--amplitude-nv", "nan"), "nan is not a finite number"),
        (("--noise", "pink"), "'pink' is none of Q33, "),
        (("--test", "best"), "'best' is none of calibrated-f, "),
        (("--looks", "400,200"), "that rise"),
        (("--response-window", "6", "12"), "--response-window needs a SESSION"),
    ],
)
def test_wrong_usage_is_told_and_nothing_is_written(tmp_path, options, words):
    result = run(*options, "-o", tmp_path / "out")
    assert result.exit_code == 2
    assert words in result.output
    assert not (tmp_path / "out").exists()


def test_looks_beyond_the_recording_are_told(tmp_path, sweeps_session):
    result = run(sweeps_session, "-o", tmp_path / "out", *QUICK, "--looks", 9000)
    assert result.exit_code == 1
    assert "recording 'run' has 300 sweeps; the last look is at 9000" in result.output


def test_shorter_recordings_are_left_out_with_a_line(tmp_path, sweeps_session):
    """Two recordings, the second cut after 220 sweeps."""
    add_cut(sweeps_session, "short", 220)
    result = run(sweeps_session, "-o", tmp_path / "out", *QUICK, "--looks", 240)
    assert result.exit_code == 1
    assert "left out: recording 'short' has 220 sweeps; the last look is at 240" in result.output
    assert (tmp_path / "out" / "calibration.csv").exists()
    default = run(sweeps_session, "-o", tmp_path / "all", *QUICK)
    assert default.exit_code == 0
    born = json.loads((tmp_path / "all" / "provenance.json").read_text())
    assert born["experiment"]["n_sweeps_at_looks"] == [220]


def add_cut(folder, name, n_sweeps, **cells):
    """Add a recording that holds the first sweeps of the other one."""
    lines = (folder / "run.csv").read_text().splitlines()
    (folder / f"{name}.csv").write_text("\n".join(lines[: n_sweeps + 1]) + "\n")
    row = {"stimulus": "click", "level_db_nhl": "30"} | cells
    with (folder / "recordings.csv").open("a") as file:
        file.write(
            f"{name},{name}.csv,sweeps,right,insert,{row['stimulus']},{row['level_db_nhl']},nV\n"
        )


def test_an_aborted_recording_is_left_out_and_the_good_one_counted(tmp_path, sweeps_session):
    """Nine sweeps: the message must blame them, not the recording beside."""
    add_cut(sweeps_session, "aborted", 9)
    result = run(sweeps_session, "-o", tmp_path / "out", *QUICK)
    assert result.exit_code == 1
    assert "left out: recording 'aborted': 9 sweeps are too few" in result.output
    assert "'run'" not in result.output
    born = json.loads((tmp_path / "out" / "provenance.json").read_text())
    assert list(born["noise"]) == ["run"]
    assert born["experiment"]["n_sweeps_at_looks"] == [300]
    assert [line[:29] for line in born["left_out"]] == ["left out: recording 'aborted':"[:29]]


def test_a_test_that_cannot_be_made_is_an_empty_row_with_its_reason(tmp_path, sweeps_session):
    """A window of 0.6 ms holds fewer samples than T2 has slices."""
    options = ("--response-window", 6, 6.6, "--test", "customary-f", "--alpha", 0.05)
    result = run(sweeps_session, "-o", tmp_path / "out", *QUICK, *options)
    assert result.exit_code == 1, result.output
    assert "no test: hotelling-t2 on run: " in result.output
    with (tmp_path / "out" / "calibration.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["test"], row["n_runs"], row["rate"] == "") for row in rows] == [
        ("hotelling-t2", "0", True),
        ("customary-f", "30", False),
    ] * 2
    born = json.loads((tmp_path / "out" / "provenance.json").read_text())
    assert born["calibration.csv"]["run|hotelling-t2|0"]["fault"].startswith("hotelling-t2 on run:")
    assert born["calibration.csv"]["run|customary-f|0"]["fault"] == ""


def test_what_was_done_to_the_sweeps_is_written_as_measure_writes_it(tmp_path, sweeps_session):
    """`measure` is the second road: the same words for the same recording."""
    options = ("--reject-uv", 3.0, "--response-window", 6, 14)
    result = run(sweeps_session, "-o", tmp_path / "out", *QUICK, *options, "--looks", 210)
    assert result.exit_code == 0, result.output
    arguments = ["measure", str(sweeps_session), "-o", str(tmp_path / "measured")]
    assert CliRunner().invoke(commands, [*arguments, *map(str, options)]).exit_code == 0
    born, measured = (
        json.loads((tmp_path / name / "provenance.json").read_text())
        for name in ("out", "measured")
    )
    theirs = measured["measures.csv"]["run"]
    assert theirs["reject_uv"] == 3.0
    for key in ("row", "files", "bandpass", "reject_uv", "earphone_delay_ms"):
        assert born["noise"]["run"][key] == theirs[key], key
    assert born["settings"]["set_by_hand"] == measured["settings"]["set_by_hand"] != []
    with (tmp_path / "measured" / "measures.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert born["noise"]["run"]["n_rejected_here"] == int(row["n_rejected_here"]) > 0


@pytest.mark.parametrize(
    "option", [("--v-window", 6, 9), ("--noise-window", 1, 20), ("--fsp-point", 8)]
)
def test_an_option_that_would_change_nothing_is_refused(tmp_path, sweeps_session, option):
    result = run(sweeps_session, "-o", tmp_path / "out", *QUICK, *option)
    assert result.exit_code == 2
    assert f"{option[0]} changes nothing here: " in result.output
    assert not (tmp_path / "out").exists()
