"""Criteria as data: the limits that a department sets, each with its source."""

from waveworks.criteria.model import CR, INC, ONE_TRACE_CR, RA, Clause, Criteria
from waveworks.criteria.read import default_criteria, read_criteria

__all__ = [
    "CR",
    "INC",
    "ONE_TRACE_CR",
    "RA",
    "Clause",
    "Criteria",
    "default_criteria",
    "read_criteria",
]
