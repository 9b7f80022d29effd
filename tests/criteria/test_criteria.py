"""Criteria files and the limits that they give."""

import hashlib

import pytest

from waveworks.criteria import default_criteria, read_criteria
from waveworks.errors import SettingsError

CLAUSE = """
[[clause]]
id = "quiet"
quantity = "rn_nv"
scope = "each trace"
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
    """Common practice, no source: 30 and 15 nV, 1000 sweeps, Fmp 2.2, 40 nV, 3 to 1.

    Noise, sweeps and amplitude are asked of each final trace, the rest of them together.
    """
    criteria = default_criteria()
    limits = {one.id: (one.scope, str(one)) for one in criteria.clauses}
    assert limits == {
        "noise-first-look": ("each trace", "<= 30 nV"),
        "noise-absent": ("each trace", "<= 15 nV"),
        "fewest-sweeps": ("each trace", ">= 1000 sweeps"),
        "fmp-response": ("combined", ">= 2.2"),
        "amplitude-response": ("each trace", ">= 40 nV"),
        "gap-ratio": ("combined", ">= 3"),
    }
    assert {clause.status for clause in criteria.clauses} == {"common practice, no source"}
    assert "example" in criteria.name


def test_a_file_is_read_and_hashed(read, tmp_path):
    criteria = read('name = "ours"\nversion = "3"\n' + CLAUSE)
    data = (tmp_path / "c.toml").read_bytes()
    assert (criteria.name, criteria.version) == ("ours", "3")
    assert criteria.sha256 == hashlib.sha256(data).hexdigest()
    (clause,) = criteria.of("rn_nv", "each trace")
    assert (clause.id, str(clause), clause.status) == ("quiet", "<= 20 nV", "own choice")
    assert criteria.of("rn_nv", "combined") == criteria.of("fmp", "each trace") == ()


def test_a_set_without_clauses_limits_nothing(read):
    criteria = read("")
    assert (criteria.name, criteria.clauses) == ("c.toml", ())


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('id = "quiet"', 'id = ""', "'clause 1.id' is empty"),
        ('id = "quiet"\n', "", "'clause 1.id' is missing"),
        ("value = 20", "value = -20", "'clause 1 (quiet).value' is -20 nV; it must be above 0"),
        ("value = 20", "value = nan", "it must be a finite number"),
        ('"nV"', '"uV"', "'clause 1 (quiet).unit' is 'uV'; it must be one of nV"),
        ('"<="', '"<"', "'clause 1 (quiet).operator' is '<'; it must be one of <="),
        ('"<="', '">="', "'clause 1 (quiet).operator' is '>='; it must be one of <="),
        ('"each trace"', '"all"', "is 'all'; it must be one of each trace, combined"),
        ('"rn_nv"', '"gap_nv"', "'clause 1 (quiet).scope' is 'each trace'; it must be one of com"),
        ('"own choice"', '"published in "', "'clause 1 (quiet).status' is 'published in '"),
        ('"own choice"', '"own choices"', "'clause 1 (quiet).status' is 'own choices'"),
        ('"rn_nv"', '"x\\ny\\u202ez"', r"is 'x\ny\u202ez'; it must be one of"),
        ('"own choice"', '"' + 900 * " long" + '"', "long lon...; it must be one of common"),
        ('"rn_nv"', '"noise"', "'clause 1 (quiet).quantity' is 'noise'; it must be one of rn_nv,"),
        ('"own choice"', '"sure"', "'clause 1 (quiet).status' is 'sure'; it must be one of"),
        ("[[clause]]", "[clause]", "'clause' must be tables, each headed [[clause]]"),
        ("value = 20", "value = 20\ncolour = 1", "unknown key 'clause 1.colour'; known: id,"),
    ],
)
def test_an_impossible_value_names_the_clause(read, old, new, message):
    with pytest.raises(SettingsError) as fault:
        read(CLAUSE.replace(old, new, 1))
    assert str(fault.value).startswith("c.toml: ")
    assert message in str(fault.value)
    assert str(fault.value).isprintable()
    assert len(str(fault.value)) < 300


def test_two_clauses_of_one_name_are_refused(read):
    with pytest.raises(SettingsError, match=r"c.toml: clause 2: a second clause 'quiet'"):
        read(CLAUSE + CLAUSE)


def test_a_missing_file_is_a_plain_line(tmp_path):
    with pytest.raises(SettingsError, match=r"c.toml: cannot be read: No such file"):
        read_criteria(tmp_path / "no.toml", name="c.toml")
