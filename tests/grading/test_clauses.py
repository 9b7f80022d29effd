"""Each clause of the example on either side of its limit, and where it cannot be evaluated."""

import math

import pytest
from scipy import stats

from waveworks.criteria import CR, ONE_TRACE_CR, RA, default_criteria
from waveworks.grading import clauses_table, grade_levels
from waveworks.grading.outcomes import against, outcomes_of

NAN = math.nan
CRITERIA = default_criteria()

# Clause; what meets it, at the limit where the limit itself does; what does not; what hides it.
CASES = {
    "two-traces": ({}, {"n_traces": 1}, None),
    "fewest-sweeps": (
        {"n_sweeps": (1000, 1000)},
        {"n_sweeps": (1000, 999)},
        {"n_sweeps": (1000, None)},
    ),
    "amplitude-response": (
        {"amplitudes_nv": (40.0, 40.0)},
        {"amplitudes_nv": (80.0, 39.9)},
        {"amplitudes_nv": (80.0, NAN)},
    ),
    "gap-ratio": (
        {"combined_nv": 60.0, "gap_nv": 20.0},
        {"combined_nv": 60.0, "gap_nv": 20.1},
        {"gap_nv": NAN},
    ),
    "shape-response": (
        {"shape_pvalue": 0.01},
        {"shape_pvalue": 0.0101},
        {"shape_pvalue": NAN},
    ),
    "latency-plausible": ({"v_ms": 9.0}, {"v_ms": 9.05}, {"expected": None}),
    "order-of-levels": ({}, {"order_breaks": ("earlier than at 50",)}, {"v_ms": NAN}),
    "amplitude-one-trace": (
        {"amplitudes_nv": (100.1, 101.0)},
        {"amplitudes_nv": (100.0, 101.0)},
        {"amplitudes_nv": (NAN, 101.0)},
    ),
    "fmp-response": ({"fmp": 2.21}, {"fmp": 2.2}, {"fmp": NAN}),
    "noise-first-look": (
        {"rn_nv": (30.0, 30.0)},
        {"rn_nv": (30.1, 30.0)},
        {"rn_nv": (NAN, 30.0)},
    ),
    "noise-absent": ({"rn_nv": (15.0, 15.0)}, {"rn_nv": (15.0, 15.1)}, {"rn_nv": (NAN, 15.0)}),
    "gap-absent": ({"gap_nv": 25.0}, {"gap_nv": 25.1}, {"gap_nv": NAN}),
    "shape-absent": ({"shape_pvalue": 0.051}, {"shape_pvalue": 0.05}, {"shape_pvalue": NAN}),
    "f-absent": ({"f_pvalue": 0.011}, {"f_pvalue": 0.01}, {"f_pvalue": NAN}),
    "no-clinician-mark": ({"marks_from": "suggested"}, {"marks_from": "clinician"}, None),
    "no-suggested-mark": ({"marks_from": "clinician"}, {"marks_from": "suggested"}, None),
    "no-polarity-buffers": ({"split": "alternate"}, {"split": "polarity"}, None),
}
NUMBERED = [(f"{n:02d} {name}", name) for n, name in enumerate(CASES, start=1)]


def worst(level, clause):
    """Return what became of a clause over all traces: not met before not known before met."""
    found = [one.met for one in outcomes_of(level, CRITERIA) if one.clause.id == clause]
    assert found
    if False in found:
        return False
    return None if None in found else True


def test_every_clause_has_its_cases():
    assert [clause.id for clause in CRITERIA.clauses] == list(CASES)


@pytest.mark.parametrize("name", [n for _, n in NUMBERED], ids=[i for i, _ in NUMBERED])
def test_a_clause_is_met_on_its_side_of_the_limit(make_level, name):
    met, not_met, hidden = CASES[name]
    assert worst(make_level(**met), name) is True
    assert worst(make_level(**not_met), name) is False
    if hidden is not None:  # what is counted can always be counted
        level = make_level(**hidden)
        assert worst(level, name) is None
        assert all(one.why for one in outcomes_of(level, CRITERIA) if one.met is None)


@pytest.mark.parametrize("name", [n for _, n in NUMBERED], ids=[i for i, _ in NUMBERED])
def test_a_clause_that_is_not_met_stands_against_its_grades_and_no_other(make_level, name):
    clause = next(one for one in CRITERIA.clauses if one.id == name)
    outcomes = outcomes_of(make_level(**CASES[name][1]), CRITERIA)
    for grade in (CR, ONE_TRACE_CR, RA):
        named = {one.clause.id for one in against(outcomes, grade)}
        assert (name in named) is (grade in clause.grades)


@pytest.mark.parametrize("name", ["latency-plausible", "order-of-levels", "f-absent"])
def test_a_clause_that_is_not_needed_does_not_stand_in_the_way_unseen(make_level, name):
    outcomes = outcomes_of(make_level(**CASES[name][2]), CRITERIA)
    unseen = [one for one in outcomes if one.clause.id == name and one.met is None]
    assert unseen
    assert not any(one.stands_against for one in unseen)


def test_the_chance_of_the_other_side_of_an_amplitude_is_that_of_a_normal_error(make_level):
    """Trace 2: the error of the combined trace, 10 nV, times root 2 for half the sweeps."""
    level = make_level(amplitudes_nv=(80.0, 46.0))
    (two,) = (
        one
        for one in outcomes_of(level, CRITERIA)
        if one.clause.id == "amplitude-response" and one.trace == "2"
    )
    assert two.uncertainty == pytest.approx(10 * math.sqrt(2))
    assert two.other_side == pytest.approx(stats.norm.sf(6 / (10 * math.sqrt(2))), rel=1e-9)
    assert "chance of the other side 0.34" in str(two)


@pytest.mark.parametrize("rn_nv", [13.0, 17.0])
def test_the_chance_of_the_other_side_of_a_noise_is_by_chi_square(make_level, rn_nv):
    level = make_level(rn_nv=(rn_nv, 14.0), df=30.0)
    (one,) = (
        one
        for one in outcomes_of(level, CRITERIA)
        if one.clause.id == "noise-absent" and one.trace == "1"
    )
    # The true SD is below 15 nV where chi-square is above 30 (rn / 15)^2.
    below = stats.chi2.sf(30 * (rn_nv / 15) ** 2, 30)
    assert one.other_side == pytest.approx(1 - below if rn_nv < 15 else below, rel=1e-9)


def test_the_table_of_clauses_says_what_was_held_against_what(make_level):
    table = clauses_table(grade_levels([make_level(amplitudes_nv=(80.0, NAN))], CRITERIA))
    rows = table[table.clause == "amplitude-response"].to_dict("records")
    assert [(row["trace"], row["outcome"]) for row in rows] == [
        ("1", "met"),
        ("2", "not evaluable"),
    ]
    first = rows[0]
    assert (first["value"], first["operator"], first["limit"], first["unit"]) == (
        80.0,
        ">=",
        40.0,
        "nV",
    )
    assert first["status"] == "common practice, no source"
    assert (first["ear"], first["level_db_nhl"]) == ("left", 40.0)
    # A row for each trace of 5 clauses on each trace, one for each of the other 12.
    assert len(table) == 2 * 5 + 12
