"""Everything that is measured on one condition: its final traces, their agreement, its marks."""

import math
from dataclasses import dataclass, field, replace

from waveworks.dsp.agreement import agreement
from waveworks.dsp.peaks import Marks
from waveworks.errors import DataError
from waveworks.measures.detection import DetectionMeasure, detection
from waveworks.measures.final_traces import COMBINED, FinalTrace, final_traces
from waveworks.measures.marks import MarkMeasure, Suggestion, level_marks, suggest_level
from waveworks.measures.pooling import pool, without_copies
from waveworks.measures.recordings import windows_of
from waveworks.measures.series import SeriesLevel, choose_together, order_notes
from waveworks.measures.shapes import ShapeMeasure, level_shape
from waveworks.model import Condition, Recording, Session, TimeAxis
from waveworks.settings import ExpectedWave, Settings, StimulusWindows

# Two replicates of one response may be this far apart in time before it is worth a look.
_MAX_LAG_MS = 2.0

SWEEPS_ALIKE = "F counts all sweeps alike; the combined trace weighs by inverse variance"
"""Why F and the noise of the combined trace need not fit each other."""

_NOTHING_TO_POOL = "no F statistic: the recordings do not all hold sweeps, or all blocks"


@dataclass(frozen=True, kw_only=True)
class PairMeasure:
    """Agreement of the two final traces.

    Parameters
    ----------
    gap_nv : float
        Mean absolute difference in nV over the noise window, one vertical offset removed.
    r, r_pvalue : float
        Correlation at lag 0 over the response window, and its one-sided p.
    lag_ms : float
        Lag of the highest correlation in ms.
    snr_power : float
        Power signal-to-noise ratio of the average of the two.
    notes : tuple of str
        What to know about them.
    """

    gap_nv: float = math.nan
    r: float = math.nan
    r_pvalue: float = math.nan
    lag_ms: float = math.nan
    snr_power: float = math.nan
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class LevelMeasures:
    """The measures of one condition.

    Parameters
    ----------
    condition : Condition
        What was recorded at.
    recordings : tuple of Recording
        Its replicates, usable or not.
    traces : tuple of FinalTrace
        Empty where nothing could be combined.
    pair : PairMeasure
        Agreement of the two final traces.
    shape : ShapeMeasure
        Shape test of the combined trace.
    marks : dict of str to MarkMeasure
        By the trace's label.
    detection : DetectionMeasure
        Of all sweeps, or all equal blocks, together.
    windows : StimulusWindows or None
        That were used.
    expected : ExpectedWave or None
        What the settings expect of this kind of recording.
    order_breaks : tuple of str
        Where the marks break the order of the series: against the next higher level with marks.
    notes : tuple of str
        What a reader of the numbers should know.
    faults : tuple of str
        Why something that was asked for could not be measured.
    """

    condition: Condition
    recordings: tuple[Recording, ...]
    traces: tuple[FinalTrace, ...] = ()
    pair: PairMeasure = field(default_factory=PairMeasure)
    shape: ShapeMeasure = field(default_factory=ShapeMeasure)
    marks: dict[str, MarkMeasure] = field(default_factory=dict)
    detection: DetectionMeasure = field(default_factory=DetectionMeasure)
    windows: StimulusWindows | None = None
    expected: ExpectedWave | None = None
    order_breaks: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()

    @property
    def combined(self) -> FinalTrace | None:
        """The combined trace, None where there is none."""
        return next((trace for trace in self.traces if trace.label == COMBINED), None)


def measure_levels(session: Session, settings: Settings) -> tuple[LevelMeasures, ...]:
    """Measure every tested condition of a session.

    Parameters
    ----------
    session : Session
        Its recordings, usable or not.
    settings : Settings
        Windows per stimulus.

    Returns
    -------
    tuple of LevelMeasures
        One a condition, in the order in which the session meets them.
    """
    age_weeks = session.info.corrected_age_weeks
    combinations = [r for r in session.recordings if r.kind == "test" and r.parts]
    measured = [
        _measure(condition, replicates, settings, age_weeks)
        for condition, replicates in session.replicates().items()
    ]
    series = [_series_level(level) for level in measured]
    suggestions = choose_together(series)
    marks = [
        _marks(level, [r for r in combinations if r.condition == level.condition], suggestion)
        for level, suggestion in zip(measured, suggestions, strict=True)
    ]
    combined = [found.get(COMBINED, MarkMeasure()) for found in marks]
    return tuple(
        replace(
            level,
            marks=found,
            order_breaks=broken,
            faults=level.faults + ((one.suggestion.fault,) if one.suggestion.fault else ()),
            notes=tuple(dict.fromkeys((*level.notes, *found_notes.notes, *broken))),
        )
        for level, one, found, found_notes, broken in zip(
            measured, series, marks, combined, order_notes(series, combined), strict=True
        )
    )


def most_lags(axis: TimeAxis, window: slice) -> int:
    """Return how far two traces are shifted against each other.

    Parameters
    ----------
    axis : TimeAxis
        Of the traces.
    window : slice
        Of the samples that are compared.

    Returns
    -------
    int
        Samples: 2 ms, at most half the window.
    """
    half = int(window.stop - window.start) // 2
    return min(round(_MAX_LAG_MS / axis.step_ms), half)


def _measure(
    condition: Condition,
    replicates: tuple[Recording, ...],
    settings: Settings,
    corrected_age_weeks: float | None,
) -> LevelMeasures:
    """Measure everything of a condition but its marks."""
    readable = [recording for recording in replicates if recording.waveforms is not None]
    usable, copies = without_copies(readable)
    notes = tuple(
        f"'{recording.name}' could not be used"
        for recording in replicates
        if recording not in readable
    )
    notes += copies
    expected = settings.expectation_for(
        condition.stimulus, condition.frequency_hz, condition.transducer, corrected_age_weeks
    )
    nothing = LevelMeasures(
        condition=condition, recordings=replicates, expected=expected, notes=notes
    )
    if not usable:
        return replace(nothing, notes=notes or ("no recording but stored combinations",))
    try:
        windows = windows_of(usable[0], settings)
    except DataError as fault:
        return replace(nothing, notes=(*notes, str(fault)))
    try:
        traces = final_traces(usable, windows.noise_ms)
    except DataError as fault:
        return replace(nothing, faults=(str(fault),))
    pair = _pair(traces, windows)
    pooled = pool(usable)
    detected = DetectionMeasure(note=_NOTHING_TO_POOL)
    if pooled is not None:
        detected = detection(pooled, windows)
    combined = traces[-1]
    shape = level_shape(combined, traces, windows, expected)
    found = [*notes, combined.noise.note, *pair.notes, shape.note, detected.note]
    if combined.weighting == "inverse-variance" and not math.isnan(detected.fmp):
        found.append(SWEEPS_ALIKE)
    return replace(
        nothing,
        traces=traces,
        pair=pair,
        shape=shape,
        detection=detected,
        windows=windows,
        notes=tuple(note for note in found if note),
    )


def _series_level(level: LevelMeasures) -> SeriesLevel:
    suggestion = Suggestion(Marks())
    if level.windows is not None:
        suggestion = suggest_level(
            level.traces, level.windows, level.expected, level.condition.level_db_nhl
        )
    return SeriesLevel(
        condition=level.condition,
        expected=level.expected,
        combined=level.combined,
        suggestion=suggestion,
    )


def _marks(
    level: LevelMeasures, combinations: list[Recording], suggestion: Suggestion
) -> dict[str, MarkMeasure]:
    if level.windows is None:
        return {}
    return level_marks(level.traces, combinations, level.windows.v_ms, suggestion)


def _pair(traces: tuple[FinalTrace, ...], windows: StimulusWindows) -> PairMeasure:
    pair = [trace for trace in traces if trace.label != COMBINED]
    if len(pair) < 2:
        return PairMeasure(notes=("one trace only: no replicate agreement",))
    first, second = pair
    axis = first.axis
    notes: list[str] = []
    gap_nv = math.nan
    try:
        whole = axis.window(*windows.noise_ms, name="noise window")
        gap_nv = agreement(first.trace_nv[whole], second.trace_nv[whole]).gap_nv
    except DataError as fault:
        notes.append(f"no gap: {fault}")
    try:
        response = axis.window(*windows.response_ms, name="response window")
        agreed = agreement(
            first.trace_nv[response],
            second.trace_nv[response],
            max_lag=most_lags(axis, response),
        )
    except DataError as fault:
        return PairMeasure(gap_nv=gap_nv, notes=(*notes, f"no replicate agreement: {fault}"))
    if agreed.note:
        notes.append(agreed.note)
    return PairMeasure(
        gap_nv=gap_nv,
        r=agreed.r,
        r_pvalue=agreed.pvalue,
        lag_ms=agreed.lag_samples * axis.step_ms,
        snr_power=agreed.snr_power,
        notes=tuple(notes),
    )
