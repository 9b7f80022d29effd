"""`waveworks report` and `waveworks demo` as a user runs them."""

import csv
import json
import math
import re
from itertools import pairwise

import numpy as np
import pytest

MADE_ON = r"<time .*</time>"
TABLES = {
    "measures.csv",
    "levels.csv",
    "traces.csv",
    "clauses.csv",
    "thresholds.csv",
    "provenance.json",
}


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_report_writes_the_page_and_what_grade_writes(run, quiet_ward, tmp_path):
    result = run("report", quiet_ward, "-o", "out")
    assert result.exit_code == 0, result.output
    out = tmp_path / "out"
    assert {path.name for path in out.iterdir()} == TABLES | {"report.html"}
    run("grade", quiet_ward, "-o", "graded")
    for name in TABLES:
        assert (out / name).read_bytes() == (tmp_path / "graded" / name).read_bytes()
    assert "Written to out." in result.output
    assert "licensed practitioner" in result.output


def test_the_printed_table_as_json(run, quiet_ward):
    result = run("report", quiet_ward, "--json")
    tables = json.loads(result.stdout)
    assert len(tables["recordings"]) == 16


def test_a_broken_file_is_told_and_the_rest_is_reported(
    run, write_manifest, write_traces, tmp_path
):
    folder = write_manifest(
        {"recording": "good", "file": "good.csv"}, {"recording": "bad", "file": "no.csv"}
    )
    write_traces(folder / "good.csv", {"average": np.random.default_rng(1).normal(0, 20, 300)})
    result = run("report", folder)
    assert result.exit_code == 1
    assert "waveworks: recording 'bad': no.csv: no such file" in result.stderr
    page = (tmp_path / "waveworks-out" / "report.html").read_text(encoding="utf-8")
    assert "no.csv: no such file" in page
    assert "Recordings: 2 (2 test, 0 control). Conditions: 1." in page


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[[clause]]\nid = 3\n", "limits.toml: 'clause 1.quantity' is missing"),
        ("name = \n", "limits.toml: not valid TOML"),
        ("limit = 3\n", "limits.toml: unknown key 'limit'; known: name, version, clause"),
    ],
)
def test_unusable_criteria_end_in_a_plain_line_with_nothing_written(
    run, quiet_ward, tmp_path, text, message
):
    (tmp_path / "limits.toml").write_text(text, encoding="utf-8")
    result = run("report", quiet_ward, "--criteria", "limits.toml")
    assert result.exit_code == 1
    assert message in result.stderr
    assert result.stderr.count("\n") == 1
    assert not (tmp_path / "waveworks-out").exists()


def test_criteria_named_by_the_session_are_used_and_an_option_wins(
    run, write_manifest, write_traces, tmp_path
):
    clause = (
        '[[clause]]\nid = "ours"\nquantity = "rn_nv"\nscope = "each trace"\noperator = "<="\n'
        'value = {}\nunit = "nV"\nmeaning = "quiet"\nstatus = "own choice"\n'
    )
    folder = write_manifest({})
    write_traces(folder / "one.csv", {"average": np.ones(300)})
    (folder / "session.toml").write_text("criteria = 'c.toml'", encoding="utf-8")
    (folder / "c.toml").write_text(clause.format(21), encoding="utf-8")
    (tmp_path / "other.toml").write_text(clause.format(22), encoding="utf-8")
    run("report", folder, "-o", "one")
    run("report", folder, "-o", "two", "--criteria", "other.toml")
    for name, value in (("one", 21), ("two", 22)):
        page = (tmp_path / name / "report.html").read_text(encoding="utf-8")
        assert f"ours, rn_nv &lt;= {value} nV" in page
        origin = json.loads((tmp_path / name / "provenance.json").read_text(encoding="utf-8"))
        assert [clause["value"] for clause in origin["criteria"]["clauses"]] == [value]
    (folder / "c.toml").unlink()
    missing = run("report", folder, "-o", "three")
    assert missing.exit_code == 1
    told = "waveworks: session.toml: criteria: c.toml: no such file in the session folder\n"
    assert missing.stderr == told


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo, run once."""
    from click.testing import CliRunner

    from waveworks.cli.app import commands

    out = tmp_path_factory.mktemp("demo") / "out"
    return CliRunner().invoke(commands, ["demo", "-o", str(out)]), out


def test_demo_writes_a_report_and_the_session_that_it_is_of(demo):
    result, out = demo
    assert result.exit_code == 0, result.output
    assert {path.name for path in out.iterdir()} == TABLES | {"report.html", "session"}
    assert str(out / "session" / "truth.csv") in result.output
    assert "Invented" in result.output
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Invented" in page


def test_the_session_of_the_demo_can_be_reported_again(demo, run, tmp_path):
    _, out = demo
    again = run("report", out / "session", "-o", "again")
    assert again.exit_code == 0
    for name in ("measures.csv", "levels.csv", "report.html"):
        first, second = (
            re.sub(MADE_ON, "", (folder / name).read_text(encoding="utf-8"))
            for folder in (out, tmp_path / "again")
        )
        assert first == second


def test_the_demo_holds_what_it_is_to_show(demo):
    _, out = demo
    manifest = rows_of(out / "session" / "recordings.csv")
    truth = {row["recording"]: row for row in rows_of(out / "session" / "truth.csv")}
    assert {row["recording"] for row in manifest} == set(truth)
    tests = [row for row in manifest if row["kind"] != "control"]
    assert {row["ear"] for row in tests} == {"left", "right"}
    assert len({row["frequency_hz"] for row in tests}) == 2
    assert {row["layout"] for row in tests} == {"sweeps", "blocks", "buffers", "average"}
    assert {row["file"].rpartition(".")[2] for row in tests} == {"csv", "edf"}
    amplitudes = [float(truth[row["recording"]]["true_v_sn10_nv"]) for row in tests]
    assert min(amplitudes) == 0
    assert max(amplitudes) > 150
    assert any(0 < amplitude < 60 for amplitude in amplitudes)  # doubtful
    assert sum(row["kind"] == "control" for row in manifest) == 1
    assert [row["recording"] for row in manifest if row["parts"]]
    # A drifting noise level: the noise of one sweep in the buffers that nothing else disturbs.
    steady = [
        float(truth[row["recording"]]["true_rn_nv"]) * math.sqrt(int(row["n_a"]) + int(row["n_b"]))
        for row in tests
        if row["layout"] == "buffers" and row["frequency_hz"] == "1000"
    ]
    assert len(steady) >= 4
    assert all(later > earlier for earlier, later in pairwise(steady))


def test_demo_never_mixes_its_session_with_another(run, tmp_path):
    (tmp_path / "session").mkdir()
    (tmp_path / "session" / "recordings.csv").write_text("mine")
    result = run("demo", "-o", ".", "--force")
    assert result.exit_code == 1
    assert result.stderr == (
        "waveworks: session: holds recordings.csv, so it is a session, which is never written "
        "over; choose another -o FOLDER\n"
    )
    assert (tmp_path / "session" / "recordings.csv").read_text() == "mine"


def test_demo_leaves_an_existing_folder_alone(run, tmp_path):
    (tmp_path / "waveworks-out").mkdir()
    result = run("demo")
    assert result.exit_code == 1
    assert "exists already" in result.stderr
    assert list((tmp_path / "waveworks-out").iterdir()) == []
