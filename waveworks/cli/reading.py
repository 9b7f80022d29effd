"""The session and the settings that the options of a command ask for."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from waveworks.cli.options import progress

if TYPE_CHECKING:
    from waveworks.criteria import Criteria
    from waveworks.model import Session
    from waveworks.settings import Settings


def read_with_options(session: Path, options: dict[str, Any]) -> "tuple[Session, Settings]":
    """Read a session as the options of `reading_options` say.

    Parameters
    ----------
    session : Path
        The session folder.
    options : dict
        Values of the options by name.

    Returns
    -------
    session : Session
    settings : Settings
        An option wins over the session's file, which wins over the shipped default.

    Raises
    ------
    WaveworksError
        If the session or a file that an option names is unusable.
    """
    # Imported here so that help and version do not wait for numerical libraries.
    from waveworks.loaders.session import read_session, session_settings
    from waveworks.settings import read_settings

    named = options["settings"]
    settings = (session_settings(session) if named is None else read_settings(named)).override(
        response_ms=options["response_window"],
        v_ms=options["v_window"],
        noise_ms=options["noise_window"],
        fsp_point_ms=options["fsp_point"],
        bandpass_hz=options["bandpass"],
        reject_uv=options["reject_uv"],
    )
    found = read_session(
        session, csv_format=options["csv_format"], settings=settings, track=progress("reading")
    )
    return found, settings


def criteria_with_options(session: Path, options: dict[str, Any]) -> "Criteria":
    """Return the criteria that the options of a command ask for.

    Parameters
    ----------
    session : Path
        The session folder.
    options : dict
        Values of the options by name.

    Returns
    -------
    Criteria
        An option wins over the session's file, which wins over the shipped example.

    Raises
    ------
    WaveworksError
        If the session or the criteria file is unusable.
    """
    from waveworks.criteria import read_criteria
    from waveworks.loaders.session import session_criteria

    named = options["criteria"]
    return session_criteria(session) if named is None else read_criteria(named)
