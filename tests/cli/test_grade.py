"""`waveworks grade` and `waveworks criteria`."""

import csv
import hashlib

import pytest
from click.testing import CliRunner

from waveworks.cli.app import commands

LIMIT = """name = "ours"
version = "7"

[[clause]]
id = "two"
quantity = "n_traces"
scope = "combined"
operator = ">="
value = 2
unit = "traces"
meaning = "seen twice"
status = "own choice"
grades = ["CR"]
"""


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def grade(quiet_ward, tmp_path):
    def grade(*options):
        out = tmp_path / "out"
        result = CliRunner().invoke(commands, ["grade", str(quiet_ward), "-o", str(out), *options])
        return result, out

    return grade


def test_a_session_is_graded_with_reasons_and_clauses(grade):
    result, out = grade()
    assert result.exit_code == 0
    levels = rows_of(out / "levels.csv")
    assert {row["grade"] for row in levels} <= {"CR", "RA", "Inc"}
    assert all(row["reasons"] for row in levels)
    clauses = rows_of(out / "clauses.csv")
    assert {row["outcome"] for row in clauses} <= {"met", "not met", "not evaluable"}
    keys = ("ear", "level_db_nhl", "frequency_hz")
    for level in levels:
        own = [row for row in clauses if all(row[key] == level[key] for key in keys)]
        against = [
            row["clause"]
            for row in own
            if row["outcome"] != "met" and row["clause"] in level["reasons"]
        ]
        # An inconclusive level names clauses that are not met; another one has none to name.
        assert bool(against) is (level["grade"] == "Inc")
    assert "grade" in result.output
    assert "licensed practitioner" in result.output


def test_the_grades_are_those_of_the_criteria_that_are_given(grade, tmp_path):
    path = tmp_path / "ours.toml"
    path.write_text(LIMIT, encoding="utf-8")
    result, out = grade("--criteria", str(path))
    assert result.exit_code == 0
    levels = rows_of(out / "levels.csv")
    assert {row["grade"] for row in levels} == {
        "CR" if row["n_traces"] == "2" else "Inc" for row in levels
    }
    assert {row["clause"] for row in rows_of(out / "clauses.csv")} == {"two"}


def test_measure_leaves_grades_empty(quiet_ward, tmp_path):
    out = tmp_path / "out"
    CliRunner().invoke(commands, ["measure", str(quiet_ward), "-o", str(out)])
    assert {(row["grade"], row["reasons"]) for row in rows_of(out / "levels.csv")} == {("", "")}
    assert not (out / "clauses.csv").exists()


def test_criteria_are_printed_in_words(tmp_path):
    path = tmp_path / "ours.toml"
    path.write_text(LIMIT, encoding="utf-8")
    result = CliRunner().invoke(commands, ["criteria", str(path)])
    assert result.exit_code == 0
    assert "ours, version 7" in result.output
    assert hashlib.sha256(path.read_bytes()).hexdigest() in result.output
    needs = result.output.index("A clear response (CR) needs:")
    assert "two: n_traces >= 2 traces\n    seen twice\n    own choice" in result.output[needs:]
    assert "absent" not in result.output
    assert "local" in result.output


def test_the_example_is_printed_with_every_clause():
    result = CliRunner().invoke(commands, ["criteria"])
    from waveworks.criteria import default_criteria

    for clause in default_criteria().clauses:
        uses = result.output.count(f"  {clause.id}: {clause.quantity} {clause}")
        assert uses == max(1, len(clause.grades))


def test_bad_criteria_are_a_plain_line_and_nothing_is_written(grade, tmp_path):
    path = tmp_path / "ours.toml"
    path.write_text(LIMIT.replace("value = 2", 'value = "two"'), encoding="utf-8")
    result, out = grade("--criteria", str(path))
    assert result.exit_code == 1
    assert "'clause 1 (two).value' is 'two'; it must be a finite number" in result.stderr
    assert not out.exists()
    printed = CliRunner().invoke(commands, ["criteria", str(path)])
    assert printed.exit_code == 1
    assert "it must be a finite number" in printed.stderr
