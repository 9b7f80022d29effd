"""Wave V and SN10 of a level: a clinician's marks where they exist, else a suggestion."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from waveworks.dsp.mark_errors import fitted_at, reading_error_nv
from waveworks.dsp.peaks import Candidate, Marks, suggest_marks
from waveworks.errors import DataError
from waveworks.measures.final_traces import COMBINED, FinalTrace
from waveworks.measures.noise import shared_counts
from waveworks.measures.pooling import noise_only_traces
from waveworks.measures.shapes import shape_of
from waveworks.model import Recording
from waveworks.settings import ExpectedWave, StimulusWindows

# Two members' marks further apart than this are not simply averaged without a word.
_MARKS_APART_MS = 0.5


@dataclass(frozen=True, kw_only=True)
class MarkMeasure:
    """Wave V and SN10 of one trace.

    Parameters
    ----------
    v_ms, sn10_ms : float
        Latency in ms; NaN is none.
    v_se_ms, sn10_se_ms : float
        Standard error in ms; NaN for a clinician's mark.
    v_sn10_nv, v_sn10_se_nv : float
        Amplitude from V to SN10 and its standard error in nV.
    v_sn10_corrected_nv, v_sn10_corrected_se_nv : float
        Amplitude of the fitted shape, which no peak was picked for, and its standard error, in nV;
        of a clinician's marks with wave V where it was placed.
    confidence : float
        Of a suggestion, from 0 to 1.
    marks_from : {'clinician', 'suggested', 'none'}
        Who placed them.
    method : str
        How a suggestion was made.
    others : tuple of Candidate
        Where else wave V could be, the best first; of a suggestion only.
    searched_ms : tuple of float or None
        Where wave V was looked for, in ms; None for a clinician's mark, and where nothing was.
    sn10_after_ms : tuple of float or None
        How long after wave V SN10 was looked for, in ms; likewise.
    notes : tuple of str
        What to know about them.
    """

    v_ms: float = math.nan
    sn10_ms: float = math.nan
    v_se_ms: float = math.nan
    sn10_se_ms: float = math.nan
    v_sn10_nv: float = math.nan
    v_sn10_se_nv: float = math.nan
    v_sn10_corrected_nv: float = math.nan
    v_sn10_corrected_se_nv: float = math.nan
    confidence: float = math.nan
    marks_from: str = "none"
    method: str = ""
    others: tuple[Candidate, ...] = ()
    searched_ms: tuple[float, float] | None = None
    sn10_after_ms: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Suggestion:
    """What the combined trace of a level suggests.

    Parameters
    ----------
    marks : Marks
        Empty where nothing could be looked for.
    notes : tuple of str
        What to know about it beside the note of the marks.
    fault : str
        Why the V window could not be used; empty where it could.
    """

    marks: Marks
    notes: tuple[str, ...] = ()
    fault: str = ""


def level_marks(
    traces: Sequence[FinalTrace],
    combinations: Sequence[Recording],
    v_window_ms: tuple[float, float] | None,
    suggestion: Suggestion,
) -> dict[str, MarkMeasure]:
    """Return the marks of every final trace of a level.

    Parameters
    ----------
    traces : sequence of FinalTrace
        With the combined one.
    combinations : sequence of Recording
        Stored combinations of this condition; their marks are those of the combined trace.
    v_window_ms : tuple of float or None
        Where wave V is looked for, in ms.
    suggestion : Suggestion
        Of the combined trace; a clinician's marks come before it.

    Returns
    -------
    dict of str to MarkMeasure
        By the trace's label. A trace whose members have no mark of their own is read at the
        latencies of the combined trace.
    """
    combined = next(trace for trace in traces if trace.label == COMBINED)
    placed = _clinician(combined, combinations, v_window_ms)
    marks = _with_errors(placed, suggestion) if placed else _suggested(suggestion)
    result = {}
    for trace in traces:
        if trace is not combined:
            own = _clinician(trace, (), v_window_ms)
            result[trace.label] = own or replace(
                marks,
                others=(),
                v_sn10_nv=_amplitude(trace, marks.v_ms, marks.sn10_ms),
                v_sn10_se_nv=math.nan,
                v_sn10_corrected_nv=math.nan,
                v_sn10_corrected_se_nv=math.nan,
            )
    return {**result, COMBINED: marks}


def suggest_level(
    traces: Sequence[FinalTrace],
    windows: StimulusWindows,
    expected: ExpectedWave | None,
    level_db_nhl: float | None,
) -> Suggestion:
    """Suggest marks of the combined trace of a level from this level alone.

    Parameters
    ----------
    traces : sequence of FinalTrace
        With the combined one.
    windows : StimulusWindows
        Of the stimulus; the noise window is what counts as free of artefact and muscle.
    expected : ExpectedWave or None
        What is expected of this kind of recording.
    level_db_nhl : float or None
        Of the level; None is not known in dB nHL.

    Returns
    -------
    Suggestion
    """
    if windows.v_ms is None:
        note = "no marks: the settings give this stimulus no V window"
        return Suggestion(Marks(), (note,))
    notes: tuple[str, ...] = ()
    shape = shape_of(expected)
    expected_ms = (-math.inf, math.inf)
    if expected is None or level_db_nhl is None:
        notes = ("the settings expect no latency at this level: the whole V window is searched",)
    else:
        expected_ms = expected.window(level_db_nhl)
        start, stop = (max(expected_ms[0], windows.v_ms[0]), min(expected_ms[1], windows.v_ms[1]))
        if stop - start < 2 * expected.v_width_ms:
            notes = (
                f"wave V is expected from {expected_ms[0]:.3g} to {expected_ms[1]:.3g} ms, outside "
                "the V window: the whole V window is searched",
            )
            expected_ms = (-math.inf, math.inf)
    combined = next(trace for trace in traces if trace.label == COMBINED)
    try:
        combined.axis.window(*windows.v_ms, name="V window")
    except DataError as fault:
        return Suggestion(Marks(), fault=f"no marks: {fault}")
    replicates = [trace.trace_nv for trace in traces if trace is not combined]
    noise = noise_only_traces(combined.members)
    try:
        marks = suggest_marks(
            combined.trace_nv,
            combined.axis.times_ms,
            combined.noise.rn_nv,
            windows.v_ms,
            replicates=replicates if len(replicates) > 1 else None,
            noise=noise if len(noise) else None,
            sn10_after_ms=shape.sn10_after_ms,
            response_window_ms=windows.response_ms,
            clean_ms=windows.noise_ms,
            expected_ms=expected_ms,
            shape=shape,
        )
    except DataError as fault:
        return Suggestion(Marks(), (f"no marks: {fault}",))
    return Suggestion(marks, notes)


def _clinician(
    trace: FinalTrace,
    combinations: Sequence[Recording],
    v_window_ms: tuple[float, float] | None,
) -> MarkMeasure | None:
    stored = [recording for recording in combinations if recording.marks.placed]
    if stored:
        placed, weights = [stored[0].marks], [1.0]
    else:
        counts, _ = shared_counts(trace.members)
        pairs = zip(trace.members, counts, strict=True)
        marked = [(m.marks, float(count)) for m, count in pairs if m.marks.placed]
        placed, weights = [m for m, _ in marked], [count for _, count in marked]
    if not placed:
        return None
    inside = [mark for mark in placed if not _outside(trace, mark.v_ms, mark.sn10_ms)]
    counted = inside or placed
    weights = [w for mark, w in zip(placed, weights, strict=True) if mark in counted]
    v_ms, v_notes = _mean_mark([mark.v_ms for mark in counted], weights, "V")
    sn10_ms, sn10_notes = _mean_mark([mark.sn10_ms for mark in counted], weights, "SN10")
    notes = v_notes + sn10_notes
    if math.isnan(sn10_ms):
        notes += ("no SN10 mark: no amplitude",)
    elif sn10_ms <= v_ms:
        notes += (f"SN10 mark at {sn10_ms:g} ms is not after V at {v_ms:g} ms: no amplitude",)
    # Each member's own: the mean of two marks outside can lie inside.
    outside = _outside(trace, *(latency for m in placed for latency in (m.v_ms, m.sn10_ms)))
    if v_window_ms is not None:
        start, stop = v_window_ms
        outside += tuple(
            f"V mark at {v:g} ms is not in the V window, {start:g} to {stop:g} ms"
            for v in dict.fromkeys(mark.v_ms for mark in placed)
            if v < start or v > stop
        )
    return MarkMeasure(
        v_ms=v_ms,
        sn10_ms=sn10_ms,
        marks_from="clinician",
        notes=notes + outside,
        v_sn10_nv=_amplitude(trace, v_ms, sn10_ms) if inside else math.nan,
    )


def _with_errors(placed: MarkMeasure, suggestion: Suggestion) -> MarkMeasure:
    """Add what the noise of the combined trace says about the amplitude at a clinician's marks."""
    evidence = suggestion.marks.evidence
    if evidence is None or math.isnan(placed.v_sn10_nv):
        return placed
    corrected_nv, corrected_se_nv = fitted_at(evidence, placed.v_ms)
    return replace(
        placed,
        v_sn10_se_nv=reading_error_nv(evidence, placed.v_ms, placed.sn10_ms),
        v_sn10_corrected_nv=corrected_nv,
        v_sn10_corrected_se_nv=corrected_se_nv,
    )


def _mean_mark(
    latencies: Sequence[float], weights: Sequence[float], name: str
) -> tuple[float, tuple[str, ...]]:
    pairs = zip(latencies, weights, strict=True)
    known = [(latency, weight) for latency, weight in pairs if not math.isnan(latency)]
    if not known:
        return math.nan, ()
    placed = [latency for latency, _ in known]
    apart = max(placed) - min(placed)
    notes = (f"{name} marks of the members are {apart:.2f} ms apart",)
    mean = float(np.average(placed, weights=[weight for _, weight in known]))
    return mean, notes if apart > _MARKS_APART_MS else ()


def _outside(trace: FinalTrace, *latencies_ms: float) -> tuple[str, ...]:
    axis = trace.axis
    return tuple(
        f"mark at {latency:g} ms is not inside the data, {axis.start_ms:g} to {axis.stop_ms:g} ms"
        for latency in dict.fromkeys(latencies_ms)
        if not math.isnan(latency) and not axis.start_ms <= latency <= axis.stop_ms
    )


def _amplitude(trace: FinalTrace, v_ms: float, sn10_ms: float) -> float:
    """Read the amplitude from V to a later SN10, between samples by straight lines."""
    if not v_ms < sn10_ms or _outside(trace, v_ms, sn10_ms):
        return math.nan
    at_v, at_sn10 = np.interp([v_ms, sn10_ms], trace.axis.times_ms, trace.trace_nv)
    return float(at_v - at_sn10)


def _suggested(suggestion: Suggestion) -> MarkMeasure:
    marks = suggestion.marks
    return MarkMeasure(
        v_ms=marks.v_ms,
        sn10_ms=marks.sn10_ms,
        v_se_ms=marks.v_se_ms,
        sn10_se_ms=marks.sn10_se_ms,
        v_sn10_nv=marks.v_sn10_nv,
        v_sn10_se_nv=marks.v_sn10_se_nv,
        v_sn10_corrected_nv=marks.v_sn10_corrected_nv,
        v_sn10_corrected_se_nv=marks.v_sn10_corrected_se_nv,
        confidence=marks.confidence,
        marks_from="suggested" if marks.marked else "none",
        method=marks.method,
        others=marks.others,
        searched_ms=None if marks.evidence is None else marks.evidence.expected_ms,
        sn10_after_ms=None if marks.evidence is None else marks.evidence.plan.sn10_after_ms,
        notes=(*suggestion.notes, marks.note) if marks.note else suggestion.notes,
    )
