"""The report for people: one self-contained page beside the tables for machines."""

from waveworks.report.write import write_into, write_report

__all__ = ["write_into", "write_report"]
