"""Thresholds: what holds for every series, how series are told apart, and their table."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from waveworks.criteria import default_criteria
from waveworks.criteria.model import EhlOffset
from waveworks.grading import LevelGrade
from waveworks.grading.threshold_table import THRESHOLDS_COLUMNS, thresholds_table
from waveworks.grading.thresholds import find_thresholds, level_series
from waveworks.measures.levels import LevelMeasures
from waveworks.model import Condition

CRITERIA = default_criteria()
CHIRP = Condition("right", "insert", "narrowband-chirp", 4000.0)
AGE_WEEKS = 5.0

LEVELS = st.sampled_from([15.0, 20.0, 25.0, 30.0, 35.0, 45.0, 55.0, 65.0])
MASKING = st.sampled_from([None, "none", 40.0, 60.0])
GRADES = st.sampled_from(["CR", "CR1", "RA", "Inc", ""])
SERIES = st.dictionaries(st.tuples(LEVELS, MASKING), GRADES, min_size=1, max_size=9)
UNMASKED = st.dictionaries(LEVELS, GRADES, min_size=1, max_size=8)


def graded(db, grade, masking_db=None, series=CHIRP, *, ehl=False):
    level = {"level_db_ehl" if ehl else "level_db_nhl": db}
    condition = replace(series, **level, masking_db=masking_db)
    return LevelGrade(
        LevelMeasures(condition=condition, recordings=()),
        "CR" if grade == "CR1" else grade,
        one_trace=grade == "CR1",
    )


def find(*levels, criteria=CRITERIA, age_weeks=AGE_WEEKS):
    return find_thresholds(levels, criteria, age_weeks)


def of(series):
    """Return the threshold of levels with masking, or of levels alone."""
    keys = (key if isinstance(key, tuple) else (key, None) for key in series)
    levels = [
        graded(db, grade, masking)
        for (db, masking), grade in zip(keys, series.values(), strict=True)
    ]
    (found,) = find(*levels)
    return found


@given(SERIES, st.randoms(use_true_random=False))
def test_the_order_of_the_rows_does_not_matter(series, random):
    rows = list(series.items())
    random.shuffle(rows)
    assert of(dict(rows)) == of(series)


@given(UNMASKED, LEVELS)
def test_an_inconclusive_level_more_never_lowers_a_threshold(series, db):
    """Nor does it move the number of a CR, or make a gold standard."""
    before = of(series)
    after = of({db: "Inc"} | series)
    if before.relation in ("=", "<="):
        assert after.threshold_db_nhl == before.threshold_db_nhl
        assert after.relation == before.relation
        assert after.gold_standard <= before.gold_standard
    else:
        assert after.relation in ("", before.relation)
        assert after.threshold_db_nhl in (None, before.threshold_db_nhl)


@given(UNMASKED)
def test_the_number_is_the_lowest_replicated_response(series):
    """By its definition, counted out here."""
    found = of(series)
    clear = [db for db, grade in series.items() if grade == "CR"]
    highest = max(series)
    if clear:
        assert found.relation in ("=", "<=")
        assert found.threshold_db_nhl == min(clear)
    elif series[highest] == "RA":
        assert (found.relation, found.threshold_db_nhl) == (">", highest)
    else:
        assert (found.relation, found.threshold_db_nhl) == ("", None)


@given(UNMASKED)
def test_a_gold_standard_has_all_its_parts(series):
    """Either it lacks nothing, or it says what."""
    found = of(series)
    assert found.gold_standard != bool(found.missing)
    if not found.gold_standard:
        return
    db = found.threshold_db_nhl
    assert any(series.get(db + step) in ("CR", "CR1") for step in (5, 10))
    absent_below = any(series.get(db - step) == "RA" for step in (5, 10))
    assert absent_below == (found.relation == "=")
    assert absent_below or db + 5 <= 30
    assert not any(series[level] in ("RA", "Inc") for level in series if level > db)


@given(UNMASKED, st.integers(-3, 3))
def test_a_shift_of_all_levels_shifts_the_number(series, tens):
    """Where no discharge level is near: a click, for which the criteria name none."""
    click = replace(CHIRP, stimulus="click", frequency_hz=None)
    shift = 10.0 * tens
    (here,) = find(*(graded(db, grade, series=click) for db, grade in series.items()))
    (there,) = find(*(graded(db + shift, grade, series=click) for db, grade in series.items()))
    assert (there.relation, there.gold_standard) == (here.relation, here.gold_standard)
    assert len(there.missing) == len(here.missing)
    if here.threshold_db_nhl is not None:
        assert there.threshold_db_nhl == here.threshold_db_nhl + shift


@given(UNMASKED)
def test_levels_in_ehl_are_judged_as_the_same_levels_with_an_offset(series):
    """25 dB nHL here and 30 dB eHL there are one level, the discharge level among them."""
    here = of(series)
    (there,) = find(*(graded(db + 5, grade, ehl=True) for db, grade in series.items()))
    assert (there.relation, there.gold_standard) == (here.relation, here.gold_standard)
    assert there.threshold_db_ehl == here.threshold_db_ehl
    assert (there.threshold_db_nhl, there.offset) == (None, None)


@given(SERIES)
def test_what_the_most_masking_left_counts(series):
    """What was seen at that level with less masking, or none, changes nothing."""
    most = {
        db: max(m for d, m in series if d == db and m in (40.0, 60.0))
        for db in {d for d, m in series if m in (40.0, 60.0)}
    }
    kept = {
        (db, masking): grade
        for (db, masking), grade in series.items()
        if masking == most.get(db, masking)
    }
    assert of(kept) == of(series)


def test_levels_that_are_no_binary_numbers_are_a_step_apart():
    """40.2 - 30.2 is a little more than 10 to the machine, and 23.1 + 2.1 more than 25.2."""
    assert 40.2 - 30.2 > 10
    assert 23.1 + 2.1 > 25.2
    found = find(graded(50.2, "CR"), graded(40.2, "CR"), graded(30.2, "RA"))[0]
    assert (found.relation, found.gold_standard) == ("=", True)
    (row,), (discharge,) = CRITERIA.ehl_offsets, CRITERIA.discharge
    criteria = replace(
        CRITERIA,
        ehl_offsets=(replace(row, offset_db=2.1),),
        discharge=(replace(discharge, level_db_ehl=25.2),),
    )
    found = find(graded(33.1, "CR"), graded(23.1, "CR"), criteria=criteria)[0]
    assert (found.relation, found.gold_standard) == ("<=", True)


@pytest.mark.parametrize(
    ("below", "said"),
    [
        ([(35.0, "Inc")], "35 dB nHL is Inc"),
        ([(40.0, "Inc")], "40 dB nHL is Inc, 35 dB nHL not tested"),
        ([(40.0, "Inc"), (35.0, "")], "40 dB nHL is Inc, 35 dB nHL has no trace to grade"),
        ([(25.0, "RA")], "35 dB nHL not tested"),
    ],
)
def test_what_is_missing_is_said_once_and_whole(below, said):
    (found,) = find(graded(55.0, "CR"), graded(45.0, "CR"), *(graded(*one) for one in below))
    assert found.missing == (f"RA one step below: {said}",)


def test_series_are_told_apart_by_every_column_but_level_and_masking():
    others = [
        CHIRP,
        replace(CHIRP, ear="left"),
        replace(CHIRP, transducer="bone"),
        replace(CHIRP, frequency_hz=1000.0),
        replace(CHIRP, channel="Cz"),
        replace(CHIRP, polarity="alternating"),
        replace(CHIRP, highpass_hz=30.0),
        replace(CHIRP, lowpass_hz=1500.0),
        replace(CHIRP, condition="sedated"),
    ]
    levels = [graded(45.0, "CR", series=one) for one in others]
    levels += [graded(35.0, "RA", 50.0, series=one) for one in reversed(others)]
    found = find(*levels)
    assert [one.series for one in found] == others
    assert {one.relation for one in found} == {"="}


def test_levels_in_nhl_and_in_ehl_are_two_series():
    """Without an offset nobody knows which is the higher; with one it would be applied unasked."""
    in_nhl, in_ehl = find(graded(45.0, "CR"), graded(35.0, "RA", ehl=True))
    assert (in_nhl.unit, in_nhl.relation, in_nhl.threshold_db_nhl) == ("dB nHL", "<=", 45.0)
    assert (in_ehl.unit, in_ehl.relation, in_ehl.threshold_db_ehl) == ("dB eHL", ">", 35.0)


def test_a_level_that_nobody_stated_has_no_threshold():
    unknown = LevelGrade(LevelMeasures(condition=CHIRP, recordings=()), "CR")
    (found,) = find(unknown)
    assert (found.relation, found.unit, found.gold_standard) == ("", "", False)
    assert found.missing == ("the levels are not known",)
    (series,) = level_series([unknown])
    assert series.levels == ()


def test_a_series_tells_what_counts_at_each_level():
    levels = [
        graded(55.0, "CR"),
        graded(45.0, "CR", "none"),
        graded(45.0, "RA", 60.0),
        graded(35.0, "CR"),
        graded(35.0, "RA", "none"),
    ]
    (series,) = level_series(levels)
    assert [(one.level_db, one.grade) for one in series.levels] == [
        (35.0, "Inc"),
        (45.0, "RA"),
        (55.0, "CR"),
    ]
    assert series.levels[1].counted == (levels[2],)
    assert series.levels[0].counted == (levels[3], levels[4])


@pytest.mark.parametrize(
    ("age_weeks", "ehl", "source"),
    [(2.9, 17.0, "early"), (3.0, 38.0, "late"), (7.999, 38.0, "late"), (8.0, None, "")],
)
def test_the_offset_is_that_of_the_age(age_weeks, ehl, source):
    """First age included, last not; the sign is the row's own (bone conduction may add 20)."""
    row = {"stimulus": "tone-burst", "frequency_hz": 1000.0, "transducer": "bone", "status": "x"}
    rows = (
        EhlOffset(age_weeks=(0.0, 3.0), offset_db=-1.0, source="early", **row),
        EhlOffset(age_weeks=(3.0, 8.0), offset_db=20.0, source="late", **row),
    )
    tone = Condition("left", "bone", "tone-burst", 1000.0)
    (found,) = find(
        graded(18.0, "CR", series=tone),
        criteria=replace(CRITERIA, ehl_offsets=rows),
        age_weeks=age_weeks,
    )
    assert found.threshold_db_ehl == ehl
    assert (found.offset.source if found.offset else "") == source
    if ehl is None:
        assert "0 to below 3 and 3 to below 8 weeks" in found.no_ehl


def test_the_table():
    """The columns of thresholds.csv, and a cell of each kind."""
    left = Condition("left", "insert", "click", condition="asleep")
    (row,) = CRITERIA.ehl_offsets
    known = replace(row, prediction_sd_db=9.5, source="a paper", status="published in a journal")
    found = find(
        graded(55.0, "CR"),
        graded(45.0, "CR"),
        graded(35.0, "RA"),
        graded(45.0, "Inc", series=left),
        graded(40.0, "RA", series=replace(left, transducer="bone"), ehl=True),
        criteria=replace(CRITERIA, ehl_offsets=(known,)),
    )
    table = thresholds_table(found)
    assert tuple(table.columns) == THRESHOLDS_COLUMNS
    assert ", ".join(THRESHOLDS_COLUMNS) == (
        "ear, transducer, stimulus, frequency_hz, channel, polarity, highpass_hz, lowpass_hz, "
        "condition, relation, threshold_db_nhl, threshold_db_ehl, ehl_offset_db, ehl_source, "
        "gold_standard, missing, next_step, minutes"
    )
    chirp, click, bone = table.to_dict("records")
    assert (chirp["ear"], chirp["frequency_hz"], chirp["relation"]) == ("right", 4000.0, "=")
    assert (chirp["threshold_db_nhl"], chirp["threshold_db_ehl"]) == (45.0, 50.0)
    assert chirp["ehl_offset_db"] == 5.0
    assert chirp["ehl_source"] == "published in a journal: a paper; SD of the prediction 9.5 dB"
    assert (chirp["gold_standard"], chirp["missing"]) == (True, "")
    assert (click["condition"], click["relation"], click["gold_standard"]) == ("asleep", "", False)
    assert click["threshold_db_nhl"] is click["threshold_db_ehl"] is click["ehl_offset_db"] is None
    assert "45 dB nHL, is Inc" in click["missing"]
    assert (bone["relation"], bone["threshold_db_nhl"], bone["threshold_db_ehl"]) == (">", None, 40)
    assert bone["ehl_source"] == "recorded in dB eHL"


def test_the_table_says_why_there_is_no_ehl():
    table = thresholds_table(find(graded(45.0, "CR"), age_weeks=None))
    (cell,) = table["missing"]
    assert "CR one step above" in cell
    assert cell.endswith(
        "; no dB eHL: the corrected age is not known, and the criteria hold an offset for "
        "0 to below 12 weeks"
    )
    assert thresholds_table([]).columns.tolist() == list(THRESHOLDS_COLUMNS)


def test_the_offset_of_the_example_is_called_what_it_is():
    """Common practice, no source; the ages are own choice."""
    (source,) = thresholds_table(find(graded(45.0, "CR")))["ehl_source"]
    assert source.startswith("common practice, no source")
    assert "own choice" in source
    assert "SD" not in source
