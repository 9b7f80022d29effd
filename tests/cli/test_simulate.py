"""`waveworks simulate` as a user meets it."""

import csv
import json
from pathlib import Path

import pytest

import waveworks as ww

SCENARIO = """
name = "a visit"
seed = 5
[[series]]
ear = "left"
stimulus = "click"
true_threshold_db_nhl = 40
layout = "buffers"
n_sweeps = 60
[[series.recording]]
level_db_nhl = 50
runs = 2
[[series.recording]]
level_db_nhl = 30
layout = "sweeps"
data = "edf"
[[series.recording]]
kind = "control"
"""


@pytest.fixture(autouse=True)
def scenario(tmp_path):
    """A scenario in the folder that commands run in."""
    (tmp_path / "visit.toml").write_text(SCENARIO, encoding="utf-8")


def test_it_writes_a_session_and_prints_what_is_true(run):
    result = run("simulate", "visit.toml")
    assert (result.exit_code, result.stderr) == (0, "")
    lines = [line.split() for line in result.stdout.splitlines()]
    assert lines[1][:6] == [
        *("recording", "layout", "ear", "level_db_nhl", "true_threshold_db_nhl", "true_v_ms"),
    ]
    # Click at 50 dB nHL: 7 ms + 15 dB x 0.035 ms; 160 nV less a third; 800 nV over the root of 60.
    numbers = ["50", "40", "7.525", "106.7", "103.3"]
    assert lines[2] == ["left-click-50-1", "buffers", "left", *numbers]
    assert lines[4] == ["left-click-30-1", "sweeps", "left", "30", "40", "-", "0", "103.3"]
    assert lines[5] == ["left-click-control-1", "buffers", "left", "-", "40", "-", "0", "103.3"]
    assert result.stdout.splitlines()[-1] == "Simulated with seed 5. Written to waveworks-out."
    session = ww.read_session("waveworks-out")
    assert session.info.session == "a visit"
    assert [r.problem for r in session.recordings] == [""] * 4
    with Path("waveworks-out/truth.csv").open(newline="", encoding="utf-8") as file:
        assert [row["recording"] for row in csv.DictReader(file)] == [
            recording.name for recording in session.recordings
        ]


def test_json_says_the_same(run):
    result = run("simulate", "visit.toml", "--json")
    rows = json.loads(result.stdout)["recordings"]
    assert [row["true_v_ms"] for row in rows] == [pytest.approx(7.525)] * 2 + [None] * 2
    assert rows[3]["level_db_nhl"] is None


def test_seed_wins_over_the_file(run):
    assert run("simulate", "visit.toml", "-o", "own").exit_code == 0
    assert "seed 5." in run("simulate", "visit.toml", "-o", "same", "--seed", "5").stdout
    assert "seed 6." in run("simulate", "visit.toml", "-o", "other", "--seed", "6").stdout
    own, same, other = (
        Path(name, "left-click-50-1.csv").read_bytes() for name in ("own", "same", "other")
    )
    assert own == same
    assert own != other


def test_it_never_overwrites_without_force(run):
    run("simulate", "visit.toml")
    before = Path("waveworks-out/left-click-50-1.csv").read_bytes()
    result = run("simulate", "visit.toml", "--seed", "9")
    assert result.exit_code == 1
    assert result.stderr == (
        "waveworks: waveworks-out: exists already; choose another -o FOLDER or add --force\n"
    )
    assert Path("waveworks-out/left-click-50-1.csv").read_bytes() == before
    assert run("simulate", "visit.toml", "--seed", "9", "--force").exit_code == 0
    assert Path("waveworks-out/left-click-50-1.csv").read_bytes() != before


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (SCENARIO.replace("60", "1"), "'series 1.n_sweeps' is 1; it must be a whole number from 2"),
        (SCENARIO.replace("left", "top"), "'series 1.ear' is 'top'; it must be one of left, right"),
        ("[[series", "not valid TOML"),
        (SCENARIO.replace("n_sweeps = 60", "n_sweeps = 60\nreject_uv = 0.1"), "0 of 60 sweeps lie"),
    ],
)
def test_an_impossible_scenario_is_one_plain_line_and_no_folder(content, message, run):
    Path("visit.toml").write_text(content, encoding="utf-8")
    result = run("simulate", "visit.toml")
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.startswith("waveworks: ")
    assert message in result.stderr
    assert result.stderr.count("\n") == 1
    assert sorted(path.name for path in Path().iterdir()) == ["visit.toml"]


def test_a_missing_scenario_is_one_plain_line(run):
    result = run("simulate", "none.toml")
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr == "waveworks: none.toml: cannot be read: No such file or directory\n"


@pytest.mark.parametrize("seed", ["-1", "x"])
def test_an_impossible_seed_is_wrong_usage(seed, run):
    assert run("simulate", "visit.toml", "--seed", seed).exit_code == 2
