"""A level series as a whole: one choice of marks for all levels, and what breaks their order."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from waveworks.dsp.level_series import STEP_MS_PER_10_DB
from waveworks.dsp.peaks import suggest_series
from waveworks.measures.final_traces import FinalTrace
from waveworks.measures.marks import MarkMeasure, Suggestion
from waveworks.model import Condition
from waveworks.settings import ExpectedWave

_SLACK_MS = 0.2
"""Two marks may be out of step by so much before it is worth a word (own choice)."""

_SLACK_SE = 2.0


@dataclass(frozen=True, eq=False, kw_only=True)
class SeriesLevel:
    """One level of a series.

    Parameters
    ----------
    condition : Condition
        Of the level.
    expected : ExpectedWave or None
        What is expected of this kind of recording.
    combined : FinalTrace or None
        Its combined trace.
    suggestion : Suggestion
        Of the combined trace.
    """

    condition: Condition
    expected: ExpectedWave | None
    combined: FinalTrace | None
    suggestion: Suggestion


def choose_together(levels: Sequence[SeriesLevel]) -> tuple[Suggestion, ...]:
    """Choose the marks of each series of levels together.

    Parameters
    ----------
    levels : sequence of SeriesLevel
        Of one session, in any order.

    Returns
    -------
    tuple of Suggestion
        In the order given.
    """
    chosen = [level.suggestion for level in levels]
    for members in _series(levels):
        first = levels[members[0]].expected
        together = suggest_series(
            [levels[i].suggestion.marks for i in members],
            [levels[i].condition.level_db for i in members],
            step_ms_per_10_db=STEP_MS_PER_10_DB if first is None else first.step_ms_per_10_db,
        )
        for i, marks in zip(members, together, strict=True):
            chosen[i] = replace(levels[i].suggestion, marks=marks)
    return tuple(chosen)


def order_notes(
    levels: Sequence[SeriesLevel], marks: Sequence[MarkMeasure]
) -> tuple[tuple[str, ...], ...]:
    """Say where marks break the order of a series: later and smaller as the level falls.

    Parameters
    ----------
    levels : sequence of SeriesLevel
        Of one session, in any order.
    marks : sequence of MarkMeasure
        Of the combined trace of each.

    Returns
    -------
    tuple of tuple of str
        Of each level, against the next higher level with marks that can be; a clinician's only
        against a clinician's.
    """
    notes: list[tuple[str, ...]] = [()] * len(levels)
    for members in _series(levels):
        marked = [i for i in members if _can_be(levels[i], marks[i])]
        for below in marked:
            db = {i: levels[i].condition.level_db for i in marked}
            # A suggestion says nothing against what a clinician placed.
            by_clinician = marks[below].marks_from == "clinician"
            higher = [
                i
                for i in marked
                if db[i] > db[below] and (marks[i].marks_from == "clinician" or not by_clinician)
            ]
            if higher:
                above = min(higher, key=db.__getitem__)
                notes[below] = _breaks(levels[above], marks[above], levels[below], marks[below])
    return tuple(notes)


def _series(levels: Sequence[SeriesLevel]) -> list[list[int]]:
    groups: dict[tuple[Condition, bool], list[int]] = {}
    for i, level in enumerate(levels):
        if not math.isnan(level.condition.level_db):
            key = (level.condition.series, level.condition.level_db_nhl is None)
            groups.setdefault(key, []).append(i)
    return [members for members in groups.values() if len(members) > 1]


def _can_be(level: SeriesLevel, marks: MarkMeasure) -> bool:
    """Tell whether there is a wave V that lies in the data, and before SN10."""
    if math.isnan(marks.v_ms) or marks.sn10_ms <= marks.v_ms:
        return False
    axis = None if level.combined is None else level.combined.axis
    return axis is None or axis.start_ms <= marks.v_ms <= axis.stop_ms


def _breaks(
    above: SeriesLevel, upper: MarkMeasure, below: SeriesLevel, lower: MarkMeasure
) -> tuple[str, ...]:
    unit = "dB nHL" if below.condition.level_db_nhl is not None else "dB eHL"
    there = f"at {above.condition.level_db:g} {unit}"
    step_db = above.condition.level_db - below.condition.level_db
    per_10_db = STEP_MS_PER_10_DB if below.expected is None else below.expected.step_ms_per_10_db
    least_ms, most_ms = (per_10 * step_db / 10 for per_10 in per_10_db)
    slack = math.hypot(_SLACK_MS, *(_SLACK_SE * _known(m.v_se_ms) for m in (upper, lower)))
    step_ms = lower.v_ms - upper.v_ms
    found = []
    if step_ms < min(0.0, least_ms) - slack:
        found.append(
            f"wave V comes {-step_ms:.2f} ms earlier than {there}; it should not as the level falls"
        )
    elif step_ms > most_ms + slack:
        found.append(
            f"wave V comes {step_ms:.2f} ms later than {there}; up to {most_ms:.2g} ms is usual"
        )
    larger = lower.v_sn10_nv - upper.v_sn10_nv
    noise_nv = math.hypot(*(_amplitude_se(one, m) for one, m in ((above, upper), (below, lower))))
    if larger > _SLACK_SE * noise_nv:
        found.append(
            f"the amplitude is {larger:.3g} nV larger than {there}; it should not grow as the "
            "level falls"
        )
    return tuple(found)


def _known(value: float) -> float:
    return 0.0 if math.isnan(value) else value


def _amplitude_se(level: SeriesLevel, marks: MarkMeasure) -> float:
    """Return the error of an amplitude: of a clinician's mark, that of two independent points.

    NaN, against which nothing is too large, where nobody knows the noise.
    """
    if not math.isnan(marks.v_sn10_se_nv):
        return marks.v_sn10_se_nv
    return math.nan if level.combined is None else math.sqrt(2) * level.combined.noise.rn_nv
