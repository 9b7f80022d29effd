"""Settings as data: the windows per stimulus, and the processing of continuous recordings."""

from waveworks.settings.model import Settings, StimulusWindows
from waveworks.settings.read import default_settings, read_settings

__all__ = ["Settings", "StimulusWindows", "default_settings", "read_settings"]
