"""What a criteria file says about thresholds: step, discharge levels, offsets to dB eHL."""

import math

import pytest

from waveworks.criteria import default_criteria, read_criteria
from waveworks.criteria.model import Discharge, EhlOffset, ThresholdRule
from waveworks.errors import SettingsError

STEP = """
[threshold]
step_db = 5
source = "a handbook"
status = "own choice"
"""
DISCHARGE = """
[[discharge]]
stimulus = "tone-burst"
frequency_hz = 4000
transducer = "headphone"
level_db_ehl = 30
source = "a handbook"
status = "from memory"
"""
OFFSET = """
[[ehl_offset]]
stimulus = "click"
transducer = "bone"
age_weeks = [0, 12]
offset_db = -7.5
prediction_sd_db = 10.5
source = "a paper"
status = "published in a journal, 2013"
"""


@pytest.fixture
def read(tmp_path):
    def read(text):
        path = tmp_path / "c.toml"
        path.write_text(text, encoding="utf-8")
        return read_criteria(path, name="c.toml")

    return read


def test_the_tables_are_read(read):
    criteria = read(STEP + DISCHARGE + OFFSET)
    assert criteria.threshold == ThresholdRule(
        step_db=5.0, source="a handbook", status="own choice"
    )
    assert criteria.discharge == (
        Discharge(
            stimulus="tone-burst",
            frequency_hz=4000.0,
            transducer="headphone",
            level_db_ehl=30.0,
            source="a handbook",
            status="from memory",
        ),
    )
    assert criteria.ehl_offsets == (
        EhlOffset(
            stimulus="click",
            frequency_hz=None,
            transducer="bone",
            age_weeks=(0.0, 12.0),
            offset_db=-7.5,
            prediction_sd_db=10.5,
            source="a paper",
            status="published in a journal, 2013",
        ),
    )


def test_a_file_without_them_has_the_customary_step_and_nothing_else(read):
    """10 dB: common practice, no source."""
    criteria = read("")
    assert criteria.threshold.step_db == 10.0
    assert criteria.threshold.status == "common practice, no source"
    assert criteria.discharge == criteria.ehl_offsets == ()


def test_the_example_holds_one_discharge_level_and_one_offset():
    """4 kHz narrow-band chirp, insert: 30 dB eHL, and nHL + 5 (common practice, no source)."""
    criteria = default_criteria()
    assert criteria.threshold.step_db == 10.0
    (discharge,) = criteria.discharge
    (offset,) = criteria.ehl_offsets
    for row in (discharge, offset):
        case = (row.stimulus, row.frequency_hz, row.transducer)
        assert case == ("narrowband-chirp", 4000.0, "insert")
    assert discharge.level_db_ehl == 30.0
    assert (offset.offset_db, offset.prediction_sd_db) == (5.0, None)
    statuses = {criteria.threshold.status, discharge.status, offset.status}
    assert statuses == {"common practice, no source"}
    assert "own choice" in offset.source


def test_ages_without_an_end(read):
    (row,) = read(OFFSET.replace("[0, 12]", "[-inf, inf]")).ehl_offsets
    assert row.age_weeks == (-math.inf, math.inf)
    assert row.serves_age(-3.0)
    assert not row.serves_age(None)


@pytest.mark.parametrize(
    ("text", "old", "new", "message"),
    [
        (STEP, "step_db", "step_nv", "unknown key 'threshold.step_nv'; known: step_db,"),
        (STEP, "= 5", "= 0", "'threshold.step_db' is 0 dB; it must be above 0"),
        (STEP, "= 5", "= 41", "'threshold.step_db' is 41 dB; it must be from 0 to 40"),
        (STEP, "= 5", "= nan", "'threshold.step_db' is nan; it must be a finite number"),
        (STEP, "step_db = 5\n", "", "'threshold.step_db' is missing"),
        (STEP, 'status = "own choice"', "", "'threshold.status' is missing"),
        (STEP, '"own choice"', '"sure"', "'threshold.status' is 'sure'; it must be one of"),
        (STEP, "[threshold]", "[[threshold]]", "'threshold' must be a table, [threshold]"),
        (DISCHARGE, "_ehl", "_nhl", "unknown key 'discharge 1.level_db_nhl'; known: stimulus,"),
        (DISCHARGE, "= 30", "= 300", "'discharge 1.level_db_ehl' is 300 dB eHL; it must be from"),
        (DISCHARGE, "= 30", '= "30"', "'discharge 1.level_db_ehl' is '30'; it must be a finite"),
        (DISCHARGE, "level_db_ehl = 30\n", "", "'discharge 1.level_db_ehl' is missing"),
        (DISCHARGE, '"headphone"', '"phones"', "'discharge 1.transducer' is 'phones'; it must be"),
        (DISCHARGE, "frequency_hz = 4000\n", "", "'discharge 1.frequency_hz' is missing"),
        (DISCHARGE, "4000", "-4000", "'discharge 1.frequency_hz' is -4000 Hz; it must be above 0"),
        (DISCHARGE, '"from memory"', '""', "'discharge 1.status' is ''; it must be one of"),
        (DISCHARGE, "[[discharge]]", "[discharge]", "must be tables, each headed [[discharge]]"),
        (OFFSET, "offset_db", "offset_nv", "unknown key 'ehl_offset 1.offset_nv'; known: stimulus"),
        (OFFSET, "-7.5", "75", "'ehl_offset 1.offset_db' is 75 dB; it must be from -60 to 60"),
        (OFFSET, "offset_db = -7.5\n", "", "'ehl_offset 1.offset_db' is missing"),
        (OFFSET, "age_weeks = [0, 12]\n", "", "'ehl_offset 1.age_weeks' is missing"),
        (OFFSET, "[0, 12]", "[12, 12]", "'ehl_offset 1.age_weeks' is [12, 12]; it must be two ris"),
        (OFFSET, "[0, 12]", "12", "'ehl_offset 1.age_weeks' is 12; it must be two rising numbers"),
        (OFFSET, "10.5", "0", "'ehl_offset 1.prediction_sd_db' is 0 dB; it must be above 0"),
        (OFFSET, '"click"', '"chirp"', "'ehl_offset 1.stimulus' is 'chirp'; it must be one of"),
        (OFFSET, '"a paper"', "1", "'ehl_offset 1.source' is 1; it must be text in quotes"),
        (OFFSET, "a journal, 2013", "", "'ehl_offset 1.status' is 'published in '"),
    ],
)
def test_an_impossible_value_names_the_table(read, text, old, new, message):
    assert text.count(old) >= 1
    with pytest.raises(SettingsError) as fault:
        read(text.replace(old, new, 1))
    assert str(fault.value).startswith("c.toml: ")
    assert message in str(fault.value)
    assert len(str(fault.value)) < 300


@pytest.mark.parametrize("ages", ["[0, 12]", "[11.9, 20]", "[-5, 0.1]", "[3, 4]", "[-inf, inf]"])
def test_two_offsets_for_one_case_are_refused(read, ages):
    with pytest.raises(SettingsError) as fault:
        read(OFFSET + OFFSET.replace("[0, 12]", ages))
    assert "c.toml: ehl_offset 2: serves ages that ehl_offset 1 serves, click, bone" in str(
        fault.value
    )


@pytest.mark.parametrize(
    "other",
    [
        OFFSET.replace("[0, 12]", "[12, 20]"),
        OFFSET.replace("[0, 12]", "[-5, 0]"),
        OFFSET.replace('"bone"', '"insert"'),
        OFFSET.replace('"click"', '"broadband-chirp"'),
        OFFSET.replace('"click"', '"tone-burst"\nfrequency_hz = 500'),
        OFFSET.replace('"click"', '"tone-burst"\nfrequency_hz = 1000'),
    ],
)
def test_offsets_for_different_cases_stand_beside_each_other(read, other):
    assert len(read(OFFSET + other).ehl_offsets) == 2


def test_two_discharge_levels_for_one_case_are_refused(read):
    message = r"discharge 2: serves what discharge 1 serves, tone-burst, 4000 Hz, headphone"
    with pytest.raises(SettingsError, match=message):
        read(DISCHARGE + DISCHARGE.replace("30", "35"))
    assert len(read(DISCHARGE + DISCHARGE.replace("4000", "1000")).discharge) == 2
