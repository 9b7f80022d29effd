"""How often detection tests find noise, and a known response: whole experiments."""

from waveworks.calibration.experiment import Cell, Experiment, run
from waveworks.calibration.own_sweeps import (
    SessionNoise,
    SessionSources,
    session_noise,
    session_sources,
)
from waveworks.calibration.sources import NoiseSource, SimulatedNoise
from waveworks.calibration.table import (
    CALIBRATION_COLUMNS,
    calibration_table,
    not_made,
    off_nominal,
)

__all__ = [
    "CALIBRATION_COLUMNS",
    "Cell",
    "Experiment",
    "NoiseSource",
    "SessionNoise",
    "SessionSources",
    "SimulatedNoise",
    "calibration_table",
    "not_made",
    "off_nominal",
    "run",
    "session_noise",
    "session_sources",
]
