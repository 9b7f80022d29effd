"""The command line: parse, call the pipeline, write. No analysis happens here."""

from waveworks.cli.app import main

__all__ = ["main"]
