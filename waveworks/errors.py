"""The errors and warnings that a user can meet.

Every message names the place (file, row, column), the value, the limit and the unit, so that it
can be shown as one plain line. Anything else that escapes is a bug and may show a traceback.
"""


class WaveworksError(Exception):
    """Base of every error whose cause is the input, not the program."""


class LoadError(WaveworksError, ValueError):
    """A data file, or its description, cannot be understood."""


class SessionError(WaveworksError, ValueError):
    """`recordings.csv` or `session.toml` itself is unusable; nothing can be measured."""


class SettingsError(WaveworksError, ValueError):
    """A settings file has an unknown key or an impossible value."""


class ScenarioError(WaveworksError, ValueError):
    """A scenario file has an unknown key or asks for what cannot be simulated."""


class DataError(WaveworksError, ValueError):
    """An array cannot answer the question that was put to it (too few sweeps, not finite, ...)."""


class OutputError(WaveworksError, OSError):
    """A result cannot be written."""


class WaveworksWarning(UserWarning):
    """Base of every warning: the result stands, and the user should know something about it."""


class DataWarning(WaveworksWarning):
    """The data are usable but look doubtful."""
