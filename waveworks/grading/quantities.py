"""What a clause limits, read off the measures of a level, with its uncertainty."""

import math
from collections.abc import Callable
from dataclasses import dataclass

from waveworks.measures.final_traces import COMBINED, FinalTrace
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.marks import MarkMeasure
from waveworks.measures.noise import perhaps_split_by_polarity


@dataclass(frozen=True)
class Known:
    """A value that a clause is held against.

    Parameters
    ----------
    value : float
        In the unit of the clause; NaN is not known.
    se : float
        Its standard error; NaN where nobody knows it.
    df : float
        Degrees of freedom, of a residual noise only.
    why : str
        Why it is not known.
    """

    value: float
    se: float = math.nan
    df: float = math.nan
    why: str = ""


def known_quantity(level: LevelMeasures, quantity: str, trace: FinalTrace) -> Known:
    """Return a quantity of a level.

    Parameters
    ----------
    level : LevelMeasures
        With final traces.
    quantity : str
        One that criteria can limit.
    trace : FinalTrace
        Which trace of the level, where it is one of a trace.

    Returns
    -------
    Known
    """
    return _QUANTITIES[quantity](level, trace)


def _noise(_: LevelMeasures, trace: FinalTrace) -> Known:
    noise = trace.noise
    se = noise.rn_nv / math.sqrt(2 * noise.df) if noise.df > 0 else math.nan
    return Known(noise.rn_nv, se, noise.df, "" if noise.known else noise.note)


def _marks(level: LevelMeasures, trace: FinalTrace) -> MarkMeasure:
    return level.marks.get(trace.label, MarkMeasure())


def _amplitude(level: LevelMeasures, trace: FinalTrace) -> Known:
    marks = _marks(level, trace)
    combined = level.combined
    se = marks.v_sn10_se_nv
    if math.isnan(se) and combined is not None and combined.noise.rn_nv > 0:
        # The error of the same reading grows with the noise of the trace.
        of_combined = level.marks.get(COMBINED, MarkMeasure()).v_sn10_se_nv
        se = of_combined * trace.noise.rn_nv / combined.noise.rn_nv
    return Known(marks.v_sn10_nv, se, why=_why_no_amplitude(marks))


def _corrected(level: LevelMeasures, trace: FinalTrace) -> Known:
    marks = _marks(level, trace)
    why = _why_no_amplitude(marks)
    return Known(marks.v_sn10_corrected_nv, marks.v_sn10_corrected_se_nv, why=why)


def _ratio(level: LevelMeasures, trace: FinalTrace) -> Known:
    amplitude = _amplitude(level, trace)
    gap_nv = level.pair.gap_nv
    if not gap_nv > 0:
        return Known(math.nan, why="no gap between two final traces")
    return Known(amplitude.value / gap_nv, amplitude.se / gap_nv, why=amplitude.why)


def _gap(level: LevelMeasures, _: FinalTrace) -> Known:
    return Known(level.pair.gap_nv, why="no gap between two final traces")


def _fmp(level: LevelMeasures, _: FinalTrace) -> Known:
    return Known(level.detection.fmp, why=level.detection.note)


def _f_pvalue(level: LevelMeasures, _: FinalTrace) -> Known:
    return Known(level.detection.pvalue, why=level.detection.note)


def _shape_pvalue(level: LevelMeasures, _: FinalTrace) -> Known:
    return Known(level.shape.pvalue, why=level.shape.note)


def _r(level: LevelMeasures, _: FinalTrace) -> Known:
    return Known(level.pair.r, why="; ".join(level.pair.notes))


def _r_pvalue(level: LevelMeasures, _: FinalTrace) -> Known:
    return Known(level.pair.r_pvalue, why="; ".join(level.pair.notes))


def _sweeps(_: LevelMeasures, trace: FinalTrace) -> Known:
    if trace.n_sweeps is None:
        return Known(math.nan, why="the sweeps of a recording are not known")
    return Known(float(trace.n_sweeps))


def _traces(level: LevelMeasures, _: FinalTrace) -> Known:
    return Known(float(len(level.traces) - 1))


def _outside(level: LevelMeasures, trace: FinalTrace) -> Known:
    """Return how far wave V lies outside what is expected."""
    marks, db = _marks(level, trace), level.condition.level_db_nhl
    if math.isnan(marks.v_ms):
        return Known(math.nan, why="no wave V")
    if level.expected is None or db is None:
        return Known(math.nan, why="the settings expect no latency at this level")
    first, last = level.expected.window(db)
    outside_ms = max(first - marks.v_ms, marks.v_ms - last)
    # Inside there is no distance, so no error of one.
    return Known(outside_ms, marks.v_se_ms) if outside_ms > 0 else Known(0.0)


def _order(level: LevelMeasures, trace: FinalTrace) -> Known:
    if math.isnan(_marks(level, trace).v_ms):
        return Known(math.nan, why="no wave V")
    return Known(float(len(level.order_breaks)))


def _clinician(level: LevelMeasures, trace: FinalTrace) -> Known:
    """Count marks on copies and on data that could not be used, too: somebody saw a response."""
    own = _marks(level, trace).marks_from == "clinician"
    return Known(float(own or any(one.marks.anywhere for one in level.recordings)))


def _suggested(level: LevelMeasures, trace: FinalTrace) -> Known:
    return Known(float(_marks(level, trace).marks_from == "suggested"))


def _polarity(_: LevelMeasures, trace: FinalTrace) -> Known:
    split = [member for member in trace.members if perhaps_split_by_polarity(member)]
    return Known(float(len(split)))


def _why_no_amplitude(marks: MarkMeasure) -> str:
    if math.isnan(marks.v_ms):
        return "no wave V"
    return "no SN10" if math.isnan(marks.sn10_ms) else "no amplitude at the marks"


_QUANTITIES: dict[str, Callable[[LevelMeasures, FinalTrace], Known]] = {
    "rn_nv": _noise,
    "gap_nv": _gap,
    "v_sn10_nv": _amplitude,
    "v_sn10_corrected_nv": _corrected,
    "v_sn10_gap_ratio": _ratio,
    "fmp": _fmp,
    "f_pvalue": _f_pvalue,
    "shape_pvalue": _shape_pvalue,
    "r": _r,
    "r_pvalue": _r_pvalue,
    "n_sweeps": _sweeps,
    "n_traces": _traces,
    "v_outside_ms": _outside,
    "order_breaks": _order,
    "clinician_marks": _clinician,
    "suggested_marks": _suggested,
    "polarity_buffers": _polarity,
}
