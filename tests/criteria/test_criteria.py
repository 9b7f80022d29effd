"""Criteria files and the limits that they give."""

import hashlib

import pytest

from waveworks.criteria import default_criteria, read_criteria
from waveworks.errors import SettingsError

CLAUSE = """
[[clause]]
id = "quiet"
quantity = "rn_nv"
operator = "<="
value = 20
unit = "nV"
meaning = "quiet enough"
status = "own choice"
"""


@pytest.fixture
def read(tmp_path):
    def read(text):
        path = tmp_path / "c.toml"
        path.write_text(text, encoding="utf-8")
        return read_criteria(path, name="c.toml")

    return read


def test_the_example_holds_the_customary_limits():
    """Common practice, no source: 30 and 15 nV, 1000 sweeps, Fmp 2.2, 40 nV, 3 to 1."""
    criteria = default_criteria()
    limits = {one.id: (one.operator, one.value, one.unit) for one in criteria.clauses}
    assert limits == {
        "noise-first-look": ("<=", 30.0, "nV"),
        "noise-absent": ("<=", 15.0, "nV"),
        "fewest-sweeps": (">=", 1000.0, "sweeps"),
        "fmp-response": (">=", 2.2, ""),
        "amplitude-response": (">=", 40.0, "nV"),
        "gap-ratio": (">=", 3.0, ""),
    }
    assert {clause.status for clause in criteria.clauses} == {"common practice, no source"}
    assert "example" in criteria.name


def test_a_file_is_read_and_hashed(read, tmp_path):
    criteria = read('name = "ours"\nversion = "3"\n' + CLAUSE)
    data = (tmp_path / "c.toml").read_bytes()
    assert (criteria.name, criteria.version) == ("ours", "3")
    assert criteria.sha256 == hashlib.sha256(data).hexdigest()
    (clause,) = criteria.of("rn_nv")
    assert (clause.id, str(clause), clause.status) == ("quiet", "<= 20 nV", "own choice")
    assert criteria.of("fmp") == ()


def test_a_set_without_clauses_limits_nothing(read):
    criteria = read("")
    assert (criteria.name, criteria.clauses) == ("c.toml", ())


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('id = "quiet"', 'id = ""', "'clause 1.id' is empty"),
        ('id = "quiet"\n', "", "'clause 1.id' is missing"),
        ("value = 20", "value = -20", "'clause 'quiet'.value' is -20 nV; it must be above 0"),
        ("value = 20", "value = nan", "it must be a finite number"),
        ('"nV"', '"uV"', "'clause 'quiet'.unit' is 'uV'; rn_nv is in 'nV'"),
        ('"<="', '"<"', "it must be one of <=, >="),
        ('"rn_nv"', '"noise"', "'clause 'quiet'.quantity' is 'noise'; it must be one of rn_nv,"),
        ('"own choice"', '"sure"', "'clause 'quiet'.status' is 'sure'; it must be one of"),
        ("[[clause]]", "[clause]", "'clause' must be tables, each headed [[clause]]"),
        ("value = 20", "value = 20\ncolour = 1", "unknown key 'clause 1.colour'; known: id,"),
    ],
)
def test_an_impossible_value_names_the_clause(read, old, new, message):
    with pytest.raises(SettingsError) as fault:
        read(CLAUSE.replace(old, new, 1))
    assert str(fault.value).startswith("c.toml: ")
    assert message in str(fault.value)


def test_two_clauses_of_one_name_are_refused(read):
    with pytest.raises(SettingsError, match=r"c.toml: clause 2: a second clause 'quiet'"):
        read(CLAUSE + CLAUSE)


def test_a_missing_file_is_a_plain_line(tmp_path):
    with pytest.raises(SettingsError, match=r"c.toml: cannot be read: No such file"):
        read_criteria(tmp_path / "no.toml", name="c.toml")
