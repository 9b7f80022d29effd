"""`session.toml`."""

import pytest

from waveworks.errors import SessionError
from waveworks.loaders.session_toml import parse_session_toml

FULL = """
session = "March clinic"
corrected_age_weeks = 4.5
test_date = 2031-03-04
other_ear_threshold_db_nhl = 25
notes = "asleep"
tester_conclusion = "satisfactory"
settings = "ours.toml"
criteria = "limits.toml"

[[reported_threshold]]
ear = "left"
transducer = "insert"
stimulus = "tone-burst"
frequency_hz = 4000
relation = "<="
level_db_nhl = 30
"""


def test_every_key_is_understood() -> None:
    info = parse_session_toml(FULL.encode(), default_name="folder")
    assert info.session == "March clinic"
    assert info.corrected_age_weeks == 4.5
    assert info.test_date == "2031-03-04"
    assert info.other_ear_threshold_db_nhl == 25.0
    assert (info.notes, info.tester_conclusion) == ("asleep", "satisfactory")
    assert (info.settings, info.criteria) == ("ours.toml", "limits.toml")
    (threshold,) = info.reported_thresholds
    assert (threshold.relation, threshold.level_db_nhl, threshold.frequency_hz) == ("<=", 30.0, 4e3)


def test_an_empty_file_says_nothing() -> None:
    info = parse_session_toml(b"", default_name="folder")
    assert info.session == "folder"
    assert info.corrected_age_weeks is None
    assert info.reported_thresholds == ()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("tester = 'x'", "unknown key 'tester'; known: session, corrected_age_weeks, test_date"),
        ("session = 3", "'session' is 3; it must be text in quotes"),
        ("corrected_age_weeks = '4'", "'corrected_age_weeks' is '4'; it must be a finite number"),
        ("session = ", "not valid TOML"),
        ("[[reported_threshold]]\near = 'left'", "'reported_threshold 1.level_db_nhl' is missing"),
        (
            "[[reported_threshold]]\nlevel_db_nhl = 3\nrelation = '<'",
            "'reported_threshold 1.relation' is '<'; it must be one of =, <=, >",
        ),
        (
            "[[reported_threshold]]\nlevel = 3",
            "unknown key 'reported_threshold 1.level'; known: ear, transducer",
        ),
        ("reported_threshold = 3", "'reported_threshold' must be tables"),
    ],
)
def test_a_fault_names_file_and_key(text: str, message: str) -> None:
    with pytest.raises(SessionError) as caught:
        parse_session_toml(text.encode(), default_name="folder")
    assert str(caught.value).startswith("session.toml: ")
    assert message in str(caught.value)


def test_other_encodings_are_refused() -> None:
    with pytest.raises(SessionError, match="byte 9 is not UTF-8"):
        parse_session_toml("notes = ä".encode("latin-1"), default_name="folder")
