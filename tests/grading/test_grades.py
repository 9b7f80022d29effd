"""Grades: what decides, what is missing, what is provisional."""

import math
from dataclasses import replace

import pytest

from waveworks.criteria import Criteria, default_criteria
from waveworks.grading import grade_levels, graded_levels_table
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.tables import LEVELS_COLUMNS
from waveworks.model import ClinicianMarks

NAN = math.nan
CRITERIA = default_criteria()


def graded(*levels, criteria=CRITERIA):
    return grade_levels(levels, criteria)


def test_a_clear_response(make_level):
    (one,) = graded(make_level())
    assert one.grade == "CR"
    assert one.reasons == ("all 9 clauses of CR hold",)


def test_a_response_of_suggestions_alone_is_provisional(make_level):
    (one,) = graded(make_level(marks_from="suggested"))
    assert one.grade == "CR"
    assert "provisional" in one.reasons[-1]


def test_an_absent_response_is_provisional_until_a_tester_says_so(make_absent):
    level = make_absent(rn_nv=(10.0, 10.0))
    (one,) = graded(level)
    assert one.grade == "RA"
    assert one.provisional
    assert one.reasons[0] == "all 11 clauses of RA hold"
    assert "provisional" in one.reasons[-1]
    said = tuple(replace(r, reported=replace(r.reported, grade="RA")) for r in level.recordings)
    (confirmed,) = graded(replace(level, recordings=said))
    assert confirmed.reasons == ("all 11 clauses of RA hold",)
    assert not confirmed.provisional


def test_a_mark_on_data_that_were_left_out_counts_against_silence(make_absent):
    """On a copy or a file that is missing: somebody saw a response there."""
    level = make_absent()
    for marks in (ClinicianMarks(v_ms=8.0), ClinicianMarks(sn10_ms=11.0)):
        marked = replace(level.recordings[0], name="r3", waveforms=None, marks=marks)
        (one,) = graded(replace(level, recordings=(*level.recordings, marked)))
        assert one.grade == "Inc"


def test_buffers_by_polarity_never_make_an_absent_response_whatever_the_criteria_say(make_absent):
    kept = tuple(one for one in CRITERIA.clauses if one.id != "no-polarity-buffers")
    (one,) = graded(make_absent(split="polarity"), criteria=replace(CRITERIA, clauses=kept))
    assert one.grade == "Inc"
    assert one.reasons == ("never RA: A and B are, or may be, split by polarity",)


@pytest.mark.parametrize(
    ("changes", "missing"),
    [
        ({"amplitudes_nv": (80.0, 39.0)}, ["amplitude-response"]),
        ({"gap_nv": 30.0}, ["gap-ratio"]),
        ({"shape_pvalue": 0.02}, ["shape-response"]),
        ({"v_ms": 9.5}, ["latency-plausible"]),
        ({"order_breaks": ("x",)}, ["order-of-levels"]),
        ({"n_sweeps": (2000, 900)}, ["fewest-sweeps"]),
        ({"shape_pvalue": NAN}, ["shape-response"]),
    ],
)
def test_a_response_that_misses_one_clause_is_inconclusive_and_says_which(
    make_level, changes, missing
):
    (one,) = graded(make_level(**changes))
    assert one.grade == "Inc"
    (reason,) = one.reasons
    assert reason.startswith("CR needs: ")
    for clause in missing:
        assert clause in reason


@pytest.mark.parametrize(
    ("changes", "clause"),
    [
        ({"rn_nv": (14.0, 16.0)}, "noise-absent"),
        ({"gap_nv": 26.0}, "gap-absent"),
        ({"split": "polarity"}, "no-polarity-buffers"),
        ({"split": None, "polarity": "alternating"}, "no-polarity-buffers"),
        ({"rn_nv": (NAN, NAN)}, "noise-absent"),
    ],
)
def test_silence_that_misses_one_clause_is_inconclusive(make_absent, changes, clause):
    (one,) = graded(make_absent(**changes))
    assert one.grade == "Inc"
    assert any(reason.startswith("RA needs: ") and clause in reason for reason in one.reasons)


@pytest.mark.parametrize("changes", [{"shape_pvalue": 0.04}, {"f_pvalue": 0.005}])
def test_a_test_that_found_something_keeps_a_level_from_being_absent(make_absent, changes):
    """No recording makes it absent then, so it is told what a clear response needs."""
    (one,) = graded(make_absent(**changes))
    assert one.grade == "Inc"
    assert [reason.split(":")[0] for reason in one.reasons] == ["CR needs"]


def test_a_mark_keeps_a_quiet_pair_from_being_absent(make_absent):
    for marks_from in ("clinician", "suggested"):
        level = make_absent(
            v_ms=8.0, marks_from=marks_from, amplitudes_nv=(30.0, 30.0), combined_nv=30.0
        )
        (one,) = graded(level)
        assert one.grade == "Inc"


def test_a_low_f_alone_never_makes_an_absent_response(make_absent):
    """Without what RA needs, no F is low enough; nor is it needed."""
    (loud,) = graded(make_absent(rn_nv=(20.0, 20.0), fmp=0.1, f_pvalue=0.999))
    assert loud.grade == "Inc"
    (without,) = graded(make_absent(fmp=NAN, f_pvalue=NAN))
    assert without.grade == "RA"


def test_the_shorter_list_of_changes_is_told(make_absent):
    """One clause from RA; CR would need marks, amplitude, ratio and shape."""
    (one,) = graded(make_absent(rn_nv=(14.0, 16.0)))
    (reason,) = one.reasons
    assert reason.startswith("RA needs: noise-absent: rn_nv of trace 2 is 16 nV, limit <= 15 nV")


ONE_TRACE = {"n_traces": 1, "amplitudes_nv": (120.0, NAN), "combined_nv": 120.0}


def test_one_trace_is_enough_above_a_replicated_response(make_level):
    single, below = graded(make_level(db=60.0, v_ms=7.2, **ONE_TRACE), make_level(db=40.0))
    assert (single.grade, single.one_trace) == ("CR", True)
    assert "from one trace, above the replicated CR at 40 dB nHL" in single.reasons
    assert (below.grade, below.one_trace) == ("CR", False)


@pytest.mark.parametrize("db", [20.0, 40.0])
def test_one_trace_is_not_enough_at_or_below_the_lowest_response(make_level, db):
    single, _ = graded(make_level(db=db, v_ms=8.5, **ONE_TRACE), make_level(db=40.0))
    assert single.grade == "Inc"
    assert "CR from one trace needs: a replicated CR at a lower level" in single.reasons[-1]


def test_one_trace_below_another_single_one_is_not_enough(make_level):
    both = [make_level(db=db, v_ms=v, **ONE_TRACE) for db, v in ((60.0, 7.2), (50.0, 7.6))]
    assert [one.grade for one in graded(*both)] == ["Inc", "Inc"]


def test_an_unmasked_response_lends_nothing_where_a_masked_level_shows_none(
    make_level, make_absent
):
    single, unmasked = make_level(db=60.0, v_ms=7.2, **ONE_TRACE), make_level(db=40.0)
    absent = make_absent(db=40.0)
    masked = replace(absent, condition=replace(absent.condition, masking_db=60.0))
    assert [one.grade for one in graded(single, unmasked, masked)] == ["Inc", "CR", "RA"]


@pytest.mark.parametrize(
    "changes", [{"amplitudes_nv": (100.0, NAN)}, {"fmp": 2.2}, {"fmp": NAN}, {"shape_pvalue": 0.02}]
)
def test_one_trace_must_be_large_and_found(make_level, changes):
    single, _ = graded(
        make_level(db=60.0, **({"v_ms": 7.2} | ONE_TRACE | changes)), make_level(db=40.0)
    )
    assert single.grade == "Inc"
    assert single.reasons[-1].startswith("CR from one trace needs: ")


def test_another_ear_does_not_lend_its_response(make_level):
    single = make_level(db=60.0, v_ms=7.2, **ONE_TRACE)
    other = make_level(db=40.0)
    right = replace(other, condition=replace(other.condition, ear="right"))
    assert graded(single, right)[0].grade == "Inc"


def test_a_level_that_is_barely_met_says_how_close(make_level):
    (one,) = graded(make_level(amplitudes_nv=(80.0, 42.0)))
    assert one.grade == "CR"
    assert any(r.startswith("close: amplitude-response: v_sn10_nv of trace 2") for r in one.reasons)


def test_criteria_without_clauses_grant_nothing(make_level):
    (one,) = graded(make_level(), criteria=Criteria("none", "1", "", ()))
    assert one.grade == "Inc"
    assert one.reasons == ("the criteria hold no clause",)


def test_criteria_that_only_draw_grant_nothing(make_level):
    drawn = tuple(replace(one, grades=()) for one in CRITERIA.clauses)
    (one,) = graded(make_level(), criteria=replace(CRITERIA, clauses=drawn))
    assert one.grade == "Inc"
    assert one.reasons == ("the criteria say nothing of a grade",)


def test_a_level_without_a_trace_has_no_grade(make_level):
    empty = LevelMeasures(condition=make_level().condition, recordings=())
    (one,) = graded(empty)
    assert (one.grade, one.reasons) == ("", ("no trace to grade",))


def test_the_table_holds_grades_beside_the_measures(make_level, make_absent):
    table = graded_levels_table(graded(make_level(db=40.0), make_absent(db=20.0)))
    assert list(table.columns) == list(LEVELS_COLUMNS)
    assert list(table.grade) == ["CR", "RA"]
    assert table.reasons[0] == "all 9 clauses of CR hold"
    assert list(table.gap_nv) == [16.0, 16.0]
