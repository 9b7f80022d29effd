"""Settings as data: windows per stimulus, processing of continuous data, the expected wave V."""

from waveworks.settings.expectation import ExpectedWave
from waveworks.settings.model import Settings, StimulusWindows
from waveworks.settings.read import default_settings, read_settings

__all__ = ["ExpectedWave", "Settings", "StimulusWindows", "default_settings", "read_settings"]
