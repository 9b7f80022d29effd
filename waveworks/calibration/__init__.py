"""How often detection tests find noise, and a known response: whole experiments."""

from waveworks.calibration.experiment import Cell, Experiment, run
from waveworks.calibration.sources import (
    NoiseSource,
    SessionNoise,
    SimulatedNoise,
    session_noise,
)
from waveworks.calibration.table import CALIBRATION_COLUMNS, calibration_table, off_nominal

__all__ = [
    "CALIBRATION_COLUMNS",
    "Cell",
    "Experiment",
    "NoiseSource",
    "SessionNoise",
    "SimulatedNoise",
    "calibration_table",
    "off_nominal",
    "run",
    "session_noise",
]
