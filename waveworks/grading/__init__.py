"""Grades of levels, clause by clause, and the thresholds that follow from them."""

from waveworks.grading.grades import grade_levels
from waveworks.grading.level_grade import LevelGrade
from waveworks.grading.outcomes import Outcome
from waveworks.grading.tables import CLAUSES_COLUMNS, clauses_table, graded_levels_table
from waveworks.grading.threshold_table import THRESHOLDS_COLUMNS, thresholds_table
from waveworks.grading.thresholds import Threshold, find_thresholds

__all__ = [
    "CLAUSES_COLUMNS",
    "THRESHOLDS_COLUMNS",
    "LevelGrade",
    "Outcome",
    "Threshold",
    "clauses_table",
    "find_thresholds",
    "grade_levels",
    "graded_levels_table",
    "thresholds_table",
]
