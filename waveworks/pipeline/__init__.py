"""The one road from a session to its tables."""

from waveworks.pipeline.analysis import Analysis, analyse

__all__ = ["Analysis", "analyse"]
