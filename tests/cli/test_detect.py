"""`waveworks detect` from end to end."""

import csv
import json
from pathlib import Path

import numpy as np
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


def provenance_of(folder):
    return json.loads((folder / "provenance.json").read_text(encoding="utf-8"))


def rows_of(folder):
    with (folder / "detection.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_provenance_tells_all_that_decided(tmp_path):
    options = ("--noise-window", 1, 24, "--reject-uv", 90, "--alpha", 0.02, "--looks", "500,1000")
    tests = ("--test", "calibrated-f", "--test", "customary-f", "--test", "shape", "--bins", 8)
    run(SESSION, "-o", tmp_path / "d", *options, *tests, "--boundary", "obrien-fleming")
    found = provenance_of(tmp_path / "d")
    assert found["plan"] == {
        "tests": ["calibrated-f", "customary-f", "shape"],
        "alpha": 0.02,
        "looks": [500, 1000],
        "boundary": "obrien-fleming",
        "n_bins": 8,
    }
    CliRunner().invoke(commands, ["measure", SESSION, "-o", str(tmp_path / "m"),
                                  *map(str, options[:5])])  # fmt: skip
    measured = provenance_of(tmp_path / "m")
    for key in ("name", "sha256", "set_by_hand", "stimuli"):
        assert found["settings"][key] == measured["settings"][key]
    assert found["settings"]["set_by_hand"] == ["noise_ms = (1.0, 24.0)", "reject_uv = 90.0"]
    assert found["unknown_columns"] == measured["unknown_columns"]
    for key, row in found["detection.csv"].items():
        recording, test = key.rsplit("|", 1)
        source = measured["measures.csv"][recording]
        for part in ("row", "files", "bandpass", "reject_uv", "earphone_delay_ms"):
            assert row[part] == source[part]
        lowered = test in {"calibrated-f", "shape"} and len(row["levels"]) > 1
        assert row["boundary"] == ("obrien-fleming" if lowered else "")
    assert found["detection.csv"]["left-40-1|shape"]["boundary"] == "obrien-fleming"
    buffers = found["detection.csv"]["right-50-1|shape"]
    assert buffers["noise_window_ms"] == [1.0, 24.0]
    assert found["detection.csv"]["right-50-1|ab-ratio"]["noise_window_ms"] is None
    assert found["detection.csv"]["left-60-1|"]["reject_uv"] == 90


def test_a_test_that_is_named_twice_is_made_once(tmp_path):
    run(SESSION, "-o", tmp_path / "out", "--test", "hotelling-t2", "--test", "hotelling-t2")
    rows = [row for row in rows_of(tmp_path / "out") if row["test"] == "hotelling-t2"]
    names = [row["recording"] for row in rows]
    assert names
    assert len(set(names)) == len(names)
    for row in rows:
        assert row["pvalue_holm"] == row["pvalue"]
    assert provenance_of(tmp_path / "out")["plan"]["tests"] == ["hotelling-t2"]


def test_identical_sweeps_are_no_detection_and_no_traceback(tmp_path, write_manifest):
    folder = write_manifest({"layout": "sweeps"})
    wave = 500 * np.sin(np.arange(300) / 20)
    lines = ["sweep," + ",".join(f"{n / 12:.6f}" for n in range(300))]
    lines += [f"{n}," + ",".join(f"{value:.3f}" for value in wave) for n in range(300)]
    (folder / "one.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    result = run(folder, "-o", tmp_path / "out")
    assert result.exit_code == 0, result.output
    rows = rows_of(tmp_path / "out")
    assert len(rows) == 5
    for row in rows:
        assert row["detected"] == "", row["test"]
        assert row["pvalue"] == ""
        assert row["note"].startswith("no test: ")
        assert "identical" in row["note"] or "nothing varies" in row["note"]


CONTINUOUS = """
[time]
kind = "none"
rate_hz = 3000.0
[signals]
unit = "nV"
[marker]
column = "marker"
code = 1
"""


def test_random_onsets_of_a_continuous_recording(tmp_path, write_manifest):
    """The description comes from the command line, so it must reach the second reading, too."""
    row = {"layout": "sweeps", "unit": "", "epoch_start_ms": "0", "epoch_stop_ms": "24"}
    folder = write_manifest(row)
    (tmp_path / "f.toml").write_text(CONTINUOUS, encoding="utf-8")
    values = np.random.default_rng(3).normal(0, 3000, 75 * 100)
    marker = np.arange(len(values)) % 75 == 0
    np.savetxt(folder / "one.csv", np.column_stack([values, marker]), "%.3f", ",",
               header="Cz,marker", comments="")  # fmt: skip
    result = run(folder, "-o", tmp_path / "out", "--csv-format", tmp_path / "f.toml",
                 "--bandpass", 100, 1000, "--json")  # fmt: skip
    assert result.exit_code == 0, result.output
    (row,) = [r for r in json.loads(result.stdout)["detection"] if r["test"] == "random-onset"]
    assert 0.001 <= row["pvalue"] <= 1
    born = provenance_of(tmp_path / "out")["detection.csv"]["one|random-onset"]
    assert "999" in born["method"]
    assert "100" in born["bandpass"]
    assert born["levels"] == [0.01]
    assert born["n_sweeps_at_looks"] == [100]


def test_random_onsets_are_a_test_to_choose(tmp_path):
    result = run(SESSION, "-o", tmp_path / "out", "--test", "random-onset")
    assert result.exit_code == 0, result.output
    rows = [row for row in rows_of(tmp_path / "out") if row["test"] == "random-onset"]
    assert rows
    assert {row["pvalue"] for row in rows} == {""}
    assert {row["note"] for row in rows} == {
        "no test: its sweeps are not cut from a continuous recording here"
    }
    help_text = run("--help").output
    assert "--v-window" not in help_text
    assert "--noise-window" in help_text


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
        (("--alpha", "nan"), "nan is not a finite number"),
        (("--v-window", "5", "9"), "No such option"),
        (("--fsp-point", "8"), "No such option"),
        (("--noise-window", "0", "20", "--test", "calibrated-f"), "--noise-window has no effect"),
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


def test_the_bins_of_t2_change_its_row_and_no_other(tmp_path):
    tests = ("--test", "hotelling-t2", "--test", "shape")
    run(SESSION, "-o", tmp_path / "twelve", *tests)
    run(SESSION, "-o", tmp_path / "six", *tests, "--bins", 6)
    pairs = [
        (one, other)
        for one, other in zip(rows_of(tmp_path / "twelve"), rows_of(tmp_path / "six"), strict=True)
        if one["test"] in ("hotelling-t2", "shape") and one["pvalue"]
    ]
    assert {one["test"] for one, _ in pairs} == {"hotelling-t2", "shape"}
    for one, other in pairs:
        same = one["statistic"] == other["statistic"]
        assert same is (one["test"] == "shape")
