"""Criteria as data: the limits that a department sets, each with its source."""

from waveworks.criteria.model import Clause, Criteria
from waveworks.criteria.read import default_criteria, read_criteria

__all__ = ["Clause", "Criteria", "default_criteria", "read_criteria"]
