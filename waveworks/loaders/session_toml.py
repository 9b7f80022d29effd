"""`session.toml`: what is known about the appointment; every key is optional."""

from waveworks.errors import SessionError
from waveworks.model import ReportedThreshold, SessionInfo
from waveworks.model.condition import EARS, STIMULI, TRANSDUCERS
from waveworks.toml_files import Table, TomlFile

SESSION_TOML = "session.toml"

_KEYS = (
    "session",
    "corrected_age_weeks",
    "test_date",
    "other_ear_threshold_db_nhl",
    "notes",
    "tester_conclusion",
    "settings",
    "criteria",
    "reported_threshold",
)
_THRESHOLD_KEYS = (
    "ear",
    "transducer",
    "stimulus",
    "frequency_hz",
    "relation",
    "level_db_nhl",
)
_RELATIONS = ("=", "<=", ">")


def parse_session_toml(data: bytes, *, default_name: str) -> SessionInfo:
    """Return what `session.toml` says.

    Parameters
    ----------
    data : bytes
        The file.
    default_name : str
        Name of the session where the file gives none.

    Returns
    -------
    SessionInfo

    Raises
    ------
    SessionError
        If the file is not TOML, has an unknown key or an impossible value.
    """
    toml = TomlFile(data, name=SESSION_TOML, error=SessionError)
    root = toml.root
    toml.check_keys(root, _KEYS)
    return SessionInfo(
        session=toml.text(root, "session", default=default_name),
        corrected_age_weeks=toml.number(root, "corrected_age_weeks"),
        # TOML has dates of its own beside text; both are kept as written.
        test_date=str(root.get("test_date", "")),
        other_ear_threshold_db_nhl=toml.number(root, "other_ear_threshold_db_nhl"),
        notes=toml.text(root, "notes"),
        tester_conclusion=toml.text(root, "tester_conclusion"),
        settings=toml.text(root, "settings"),
        criteria=toml.text(root, "criteria"),
        reported_thresholds=tuple(
            _threshold(toml, table, place=f"reported_threshold {number}")
            for number, table in enumerate(toml.tables(root, "reported_threshold"), start=1)
        ),
    )


def _threshold(toml: TomlFile, table: Table, *, place: str) -> ReportedThreshold:
    toml.check_keys(table, _THRESHOLD_KEYS, place=place)
    level = toml.number(table, "level_db_nhl", place=place)
    if level is None:
        raise toml.fail(f"'{place}.level_db_nhl' is missing")
    return ReportedThreshold(
        ear=toml.choice(table, "ear", EARS, place=place),
        transducer=toml.choice(table, "transducer", TRANSDUCERS, place=place),
        stimulus=toml.choice(table, "stimulus", STIMULI, place=place),
        frequency_hz=toml.number(table, "frequency_hz", place=place, above=0.0, unit="Hz"),
        relation=toml.choice(table, "relation", _RELATIONS, place=place, default="="),
        level_db_nhl=level,
    )
