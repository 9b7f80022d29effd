"""The table of a scenario that becomes `session.toml` as it is."""

from dataclasses import fields
from typing import Any

from waveworks.model import ReportedThreshold, SessionInfo
from waveworks.simulate.scenario_keys import Keys
from waveworks.toml_files import TomlFile

_REPORTED = "reported_threshold"
_FILES = ("settings", "criteria")
"""Keys of session.toml that name files, which a simulated session does not have."""
SESSION_KEYS = tuple(
    _REPORTED if field.name == "reported_thresholds" else field.name
    for field in fields(SessionInfo)
    if field.name not in _FILES
)
REPORTED_KEYS = tuple(field.name for field in fields(ReportedThreshold))

_TEXTS = ("session", "notes", "tester_conclusion")


def session_table(toml: TomlFile) -> dict[str, Any]:
    """Return the keys and values of `session.toml`.

    Parameters
    ----------
    toml : TomlFile
        The scenario.

    Returns
    -------
    dict
        As the scenario gives them.

    Raises
    ------
    ScenarioError
        If a key is unknown, or a value is not what `session.toml` may hold.
    """
    table = toml.table(toml.root, "session")
    toml.check_keys(table, SESSION_KEYS, place="session")
    keys = Keys(toml, (table, "session"))
    keys.optional_number("corrected_age_weeks", -20.0, 1000.0, unit="weeks")
    keys.optional_number("other_ear_threshold_db_nhl", -30.0, 140.0, unit="dB nHL")
    for key in _TEXTS:
        keys.text(key)
    for number, row in enumerate(toml.tables(table, _REPORTED), start=1):
        toml.check_keys(row, REPORTED_KEYS, place=f"session.{_REPORTED} {number}")
    return dict(table)
