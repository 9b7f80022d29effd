"""`waveworks detect` from end to end."""

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from waveworks.cli.app import commands
from waveworks.measures.detection_table import DETECTION_COLUMNS

SESSION = "synthetic_data/quiet_ward"


def run(*arguments):
    return CliRunner().invoke(commands, ["detect", *map(str, arguments)])


def test_table_provenance_and_cautions(tmp_path):
    out = tmp_path / "out"
    result = run(SESSION, "-o", out, "--alpha", 0.05, "--test", "calibrated-f")
    assert result.exit_code == 0, result.output
    assert "does not replace the judgement" in result.output
    with (out / "detection.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == DETECTION_COLUMNS
    with Path(SESSION, "recordings.csv").open(encoding="utf-8", newline="") as file:
        assert {row["recording"] for row in rows} == {
            row["recording"] for row in csv.DictReader(file)
        }
    tested = [row for row in rows if row["test"] == "calibrated-f"]
    assert tested
    born = json.loads((out / "provenance.json").read_text())["detection.csv"]
    for row in tested:
        own = born[f"{row['recording']}|calibrated-f"]
        assert own["window_ms"] == [5.0, 17.0]
        assert all(len(sha) == 64 for sha in own["files"].values())
        assert own["pvalues"][-1] == pytest.approx(float(row["pvalue"]), rel=1e-6)


def test_looks_are_counted_and_json_is_json(tmp_path):
    result = run(
        SESSION,
        "-o",
        tmp_path / "out",
        "--looks",
        "500:2000:500",
        "--test",
        "calibrated-f",
        "--json",
    )
    rows = json.loads(result.stdout)["detection"]
    looked = {row["looks"] for row in rows if row["test"] == "calibrated-f"}
    assert looked == {4}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--test", "magic"), "'magic' is none of calibrated-f"),
        (("--looks", "400,200"), "that rise"),
        (("--looks", "some"), "neither 200,400,1000 nor 200:4000:200"),
        (("--looks", "200:400"), "neither"),
        (("--alpha", "0"), "alpha"),
        (("--boundary", "wavy"), "boundary"),
    ],
)
def test_wrong_usage_is_told_and_nothing_is_written(tmp_path, options, words):
    result = run(SESSION, "-o", tmp_path / "out", *options)
    assert result.exit_code == 2
    assert words in result.output
    assert not (tmp_path / "out").exists()


def test_a_look_that_no_recording_reaches_is_a_fault(tmp_path):
    result = run(SESSION, "-o", tmp_path / "out", "--looks", "9000", "--test", "calibrated-f")
    assert result.exit_code == 1
    assert "no look is possible: 2000 sweeps" in result.output
    assert (tmp_path / "out" / "detection.csv").exists()
