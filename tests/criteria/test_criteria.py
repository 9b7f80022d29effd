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
    """Common practice, no source: 30 and 15 nV, 1000 sweeps, Fmp 2.2, 40 nV, 3 to 1, 100 nV."""
    limits = {
        one.id: (one.scope, str(one))
        for one in default_criteria().clauses
        if one.status == "common practice, no source"
    }
    assert limits == {
        "two-traces": ("combined", ">= 2 traces"),
        "fewest-sweeps": ("each trace", ">= 1000 sweeps"),
        "amplitude-response": ("each trace", ">= 40 nV"),
        "gap-ratio": ("combined", ">= 3"),
        "latency-plausible": ("combined", "<= 0 ms"),
        "order-of-levels": ("combined", "<= 0"),
        "amplitude-one-trace": ("each trace", "> 100 nV"),
        "fmp-response": ("combined", "> 2.2"),
        "noise-first-look": ("each trace", "<= 30 nV"),
        "noise-absent": ("each trace", "<= 15 nV"),
    }
    assert "example" in default_criteria().name


def test_the_rest_of_the_example_says_what_it_rests_on():
    """Own choices, with the error rates that they were chosen for where those are known."""
    rest = {
        one.id: (str(one), one.status)
        for one in default_criteria().clauses
        if one.status != "common practice, no source"
    }
    assert rest.pop("no-clinician-mark") == ("<= 0", "from memory")
    assert rest == {
        "gap-absent": ("<= 25 nV", "own choice"),
        "shape-response": ("<= 0.01", "own choice"),
        "shape-absent": ("> 0.05", "own choice"),
        "f-absent": ("> 0.01", "own choice"),
        "no-suggested-mark": ("<= 0", "own choice"),
        "no-polarity-buffers": ("<= 0", "own choice"),
    }


def test_each_grade_has_its_clauses():
    criteria = default_criteria()
    cr, one_trace, absent = (
        {one.id for one in criteria.for_grade(grade)} for grade in ("CR", "one-trace CR", "RA")
    )
    assert {"amplitude-response", "gap-ratio", "shape-response", "two-traces"} <= cr
    assert {"amplitude-one-trace", "fmp-response", "shape-response"} <= one_trace
    assert "two-traces" not in one_trace
    assert {"noise-absent", "gap-absent", "shape-absent", "no-clinician-mark"} <= absent
    # A low F never makes an absent response: none of its clauses limits F from above.
    assert not [one for one in criteria.for_grade("RA") if one.quantity == "fmp"]


@pytest.mark.parametrize(
    ("operator", "below", "at", "above"),
    [
        ("<=", True, True, False),
        ("<", True, False, False),
        (">=", False, True, True),
        (">", False, False, True),
    ],
)
def test_a_clause_is_met_on_one_side(read, operator, below, at, above):
    text = CLAUSE.replace('"rn_nv"', '"shape_pvalue"').replace('"each trace"', '"combined"')
    text = text.replace("value = 20", "value = 0.2").replace('"nV"', '""')
    (clause,) = read(text.replace('"<="', f'"{operator}"')).clauses
    assert [clause.meets(value) for value in (0.1, 0.2, 0.3)] == [below, at, above]
    assert clause.meets(float("nan")) is None


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
        ('"<="', '"=="', "'clause 1 (quiet).operator' is '=='; it must be one of <=, <"),
        ('"<="', '">="', "'clause 1 (quiet).operator' is '>='; it must be one of <=, <"),
        (
            "value = 20",
            'value = 20\ngrades = ["CRR"]',
            "(quiet).grades' is ['CRR']; it must be a list of CR, one-trace CR, RA",
        ),
        ("value = 20", 'value = 20\ngrades = "CR"', "(quiet).grades' is 'CR'; it must be a list"),
        ("value = 20", 'value = 20\ngrades = ["RA", "RA"]', "it holds one twice"),
        ("value = 20", "value = 20\nneeded = 1", "(quiet).needed' is 1; it must be true or false"),
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


@pytest.mark.parametrize(
    ("quantity", "unit", "value", "message"),
    [
        ("order_breaks", "", "-1", "'clause 1 (quiet).value' is -1; it must be at least 0"),
        ("v_outside_ms", "ms", "-0.1", "'clause 1 (quiet).value' is -0.1; it must be at least 0"),
        ("shape_pvalue", "", "5", "'clause 1 (quiet).value' is 5; it must be at most 1"),
        ("rn_nv", "nV", "20000", "is 20000; it must be at most 10000"),
        ("order_breaks", "", "0.5", "is 0.5; it must be a whole number"),
        ("shape_pvalue", "", "0", "'clause 1 (quiet).value' is 0; it must be above 0"),
    ],
)
def test_a_value_that_its_quantity_cannot_have_is_refused(read, quantity, unit, value, message):
    text = CLAUSE.replace('"rn_nv"', f'"{quantity}"').replace('"each trace"', '"combined"')
    with pytest.raises(SettingsError) as fault:
        read(text.replace("value = 20", f"value = {value}").replace('"nV"', f'"{unit}"'))
    assert message in str(fault.value)


@pytest.mark.parametrize(
    ("quantity", "operator", "grade", "message"),
    [
        ("shape_pvalue", "<=", "RA", "(quiet).operator' is '<='; RA needs a p above a limit"),
        ("shape_pvalue", ">", "CR", "(quiet).operator' is '>'; CR needs a p below a limit"),
        ("f_pvalue", ">", "one-trace CR", "CR needs a p below a limit"),
        ("f_pvalue", ">", "RA", "no clause of RA limits rn_nv"),
    ],
)
def test_a_clause_that_would_turn_a_grade_round_is_refused(
    read, quantity, operator, grade, message
):
    text = CLAUSE.replace('"rn_nv"', f'"{quantity}"').replace('"each trace"', '"combined"')
    text = text.replace("value = 20", f'value = 0.05\ngrades = ["{grade}"]').replace('"nV"', '""')
    with pytest.raises(SettingsError) as fault:
        read(text.replace('"<="', f'"{operator}"'))
    assert message in str(fault.value)


def test_a_value_from_memory_says_of_what(read):
    remembered = CLAUSE.replace('"own choice"', '"from memory"')
    with pytest.raises(SettingsError, match=r"source' is missing; say from memory of what"):
        read(remembered)
    assert read(remembered + 'source = "a handbook"\n').clauses[0].source == "a handbook"


@pytest.mark.parametrize("meaning", ["", " ", "two\\nlines"])
def test_a_meaning_is_one_line(read, meaning):
    with pytest.raises(SettingsError, match=r"\(quiet\).meaning' is .*; it must be one line"):
        read(CLAUSE.replace('"quiet enough"', f'"{meaning}"'))
