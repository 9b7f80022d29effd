"""The records that everything else talks about: frozen, with write-protected arrays."""

from waveworks.model.condition import CONDITION_COLUMNS, Condition
from waveworks.model.recording import (
    BUFFER_SPLITS,
    KINDS,
    LAYOUTS,
    ClinicianMarks,
    Counts,
    Processing,
    Recording,
    Reported,
    SourceFile,
)
from waveworks.model.session import ReportedThreshold, Session, SessionInfo
from waveworks.model.waveforms import Average, Blocks, Buffers, Sweeps, TimeAxis, Waveforms

__all__ = [
    "BUFFER_SPLITS",
    "CONDITION_COLUMNS",
    "KINDS",
    "LAYOUTS",
    "Average",
    "Blocks",
    "Buffers",
    "ClinicianMarks",
    "Condition",
    "Counts",
    "Processing",
    "Recording",
    "Reported",
    "ReportedThreshold",
    "Session",
    "SessionInfo",
    "SourceFile",
    "Sweeps",
    "TimeAxis",
    "Waveforms",
]
