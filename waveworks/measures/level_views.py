"""What the pictures of one level need beside its numbers; nothing is drawn here."""

import contextlib
import math
from dataclasses import dataclass, replace

from waveworks.dsp.agreement import Agreement, CrossCorrelation, agreement, cross_correlation
from waveworks.dsp.averaging import WeightedAverage, weighted_average
from waveworks.dsp.fstats import Growth, growth
from waveworks.dsp.noise_density import NoiseDensity, density_from_noise, density_from_sweeps
from waveworks.dsp.settling import MarkCourse, Settling, follow_marks, running_average, settling
from waveworks.errors import DataError
from waveworks.measures.final_traces import COMBINED, FinalTrace, noise_only
from waveworks.measures.levels import LevelMeasures, most_lags
from waveworks.measures.noise import used_ms
from waveworks.measures.pooling import FloatArray, pool
from waveworks.model import Blocks, Buffers, Sweeps, Waveforms
from waveworks.settings import StimulusWindows

STEP_SWEEPS = 100
"""Sweeps between two points of a course, where there are enough of them."""

_FEWEST_POINTS = 10
_BLOCKS_OF_WEIGHTS = 20
_FEWEST_PER_BLOCK = 10


@dataclass(frozen=True, eq=False, kw_only=True)
class LevelProgress:
    """How the average of a level grew, over all its sweeps or equal blocks in row order.

    Parameters
    ----------
    evidence : {'sweeps', 'blocks'}
        What the steps are made of.
    growth : Growth
        Residual noise over the noise window and Fmp over the response window, against sweeps.
    settling : Settling
        Changes of the running average over the response window.
    course : MarkCourse or None
        The marks in the running average; None where the combined trace has no wave V.
    weighted : WeightedAverage or None
        Block weights by inverse noise variance over the whole trace; None without single sweeps.
    n_per_block : int or None
        Sweeps in a block of `weighted`.
    notes : tuple of str
        What could not be computed, and why.
    """

    evidence: str
    growth: Growth
    settling: Settling
    course: MarkCourse | None = None
    weighted: WeightedAverage | None = None
    n_per_block: int | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class PairView:
    """The two final traces over the response window.

    Parameters
    ----------
    first_nv, second_nv : ndarray, shape (n_samples,)
        In nV.
    agreement : Agreement
        Of the two.
    correlation : CrossCorrelation
        Of the two, over lags.
    step_ms : float
        Time between two samples in ms.
    start_ms, stop_ms : float
        First and last sample in ms.
    """

    first_nv: FloatArray
    second_nv: FloatArray
    agreement: Agreement
    correlation: CrossCorrelation
    step_ms: float
    start_ms: float
    stop_ms: float


def level_progress(level: LevelMeasures) -> LevelProgress | None:
    """Return how the average of a level grew.

    Parameters
    ----------
    level : LevelMeasures
        What was measured.

    Returns
    -------
    LevelProgress or None
        None unless the recordings hold single sweeps, or equal blocks of a known number of
        sweeps, and the windows of the level fit them.
    """
    if level.combined is None or level.windows is None:
        return None
    pooled = pool(level.combined.members)
    epochs, per_epoch = _epochs(pooled)
    if epochs is None or len(epochs) < 2:
        return None
    axis = level.combined.axis
    step = _step(len(epochs), per_epoch)
    try:
        grown = _noise_growth(level.combined, epochs, per_epoch, level.windows)
        response = axis.window(*level.windows.response_ms, name="response window")
        grown = replace(grown, fmp=growth(epochs[:, response], step).fmp)
        settled = settling(epochs[:, response], step)
    except DataError:
        return None  # the level's own note says what does not fit
    marks = level.marks[COMBINED]
    course, notes = None, []
    if math.isnan(marks.v_ms):
        notes.append("no course of the marks: the combined trace has no wave V")
    else:
        running = running_average(epochs, step)
        course = follow_marks(running, axis.times_ms, marks.v_ms, marks.sn10_ms)
    weighted, n_per_block = None, max(len(epochs) // _BLOCKS_OF_WEIGHTS, _FEWEST_PER_BLOCK)
    try:
        weighted = _weights(pooled, n_per_block)
    except DataError as fault:
        notes.append(f"no weights over time: {fault}")
    return LevelProgress(
        evidence="sweeps" if isinstance(pooled, Sweeps) else "blocks",
        growth=grown,
        settling=replace(
            settled, n_sweeps=settled.n_sweeps * per_epoch, step=settled.step * per_epoch
        ),
        course=course and replace(course, n_sweeps=course.n_sweeps * per_epoch),
        weighted=weighted,
        n_per_block=None if weighted is None else n_per_block,
        notes=tuple(notes),
    )


def trace_growths(level: LevelMeasures) -> dict[str, Growth]:
    """Return how the noise of each final trace fell, because limits are asked of each of them.

    Parameters
    ----------
    level : LevelMeasures
        What was measured.

    Returns
    -------
    dict of str to Growth
        By the trace's label, all its sweeps alike; without the traces that hold neither sweeps nor
        equal blocks, or that the windows do not fit.
    """
    growths = {}
    for trace in level.traces:
        if trace.label == COMBINED or level.windows is None:
            continue
        epochs, per_epoch = _epochs(pool(trace.members))
        if epochs is None or len(epochs) < 2:
            continue
        # Where the window does not fit, the level's own note says so.
        with contextlib.suppress(DataError):
            growths[trace.label] = _noise_growth(trace, epochs, per_epoch, level.windows)
    return growths


def pair_view(level: LevelMeasures) -> PairView | None:
    """Return the two final traces over the response window, with their correlation over lags.

    Parameters
    ----------
    level : LevelMeasures
        What was measured.

    Returns
    -------
    PairView or None
        None unless there are two traces that the response window fits.
    """
    pair = [trace for trace in level.traces if trace.label != COMBINED]
    if len(pair) < 2 or level.windows is None:
        return None
    axis = pair[0].axis
    try:
        response = axis.window(*level.windows.response_ms, name="response window")
        first, second = (trace.trace_nv[response] for trace in pair)
        lags = most_lags(axis, response)
        agreed = agreement(first, second, max_lag=lags)
        correlation = cross_correlation(first, second, lags)
    except DataError:
        return None  # the level's own note says why there is no agreement
    start_ms, stop_ms = used_ms(axis, response)
    return PairView(
        first_nv=first,
        second_nv=second,
        agreement=agreed,
        correlation=correlation,
        step_ms=axis.step_ms,
        start_ms=start_ms,
        stop_ms=stop_ms,
    )


def noise_density(level: LevelMeasures) -> NoiseDensity | None:
    """Return the spectrum of the noise left in the combined trace.

    Parameters
    ----------
    level : LevelMeasures
        What was measured.

    Returns
    -------
    NoiseDensity or None
        Over the noise window, from sweeps, blocks, buffers or half the difference of the final
        traces, the first that there is; None without any of them.
    """
    if level.combined is None or level.windows is None:
        return None
    axis = level.combined.axis
    try:
        noise = axis.window(*level.windows.noise_ms, name="noise window")
        pooled = pool(level.combined.members)
        epochs, per_epoch = _epochs(pooled)
        if epochs is not None and len(epochs) > 1:
            found = density_from_sweeps(epochs[:, noise], axis.sfreq_hz)
            blocks = f"{len(epochs)} blocks of {per_epoch} sweeps"
            return found if isinstance(pooled, Sweeps) else replace(found, method=blocks)
        only = noise_only(level.combined, level.traces)
        if only is None:
            return None
        found = density_from_noise([only[noise]], axis.sfreq_hz)
        return replace(found, method=f"half the difference of {_difference_of(pooled)}")
    except DataError:
        return None  # too short for a spectrum, or a window that the level's note tells about


def _difference_of(pooled: Waveforms | None) -> str:
    """Return what `noise_only` takes the difference of."""
    match pooled:
        case Buffers():
            return "A and B"
        case Blocks():
            return "odd and even blocks"
        case _:
            return "the two final traces"


def _weights(pooled: Waveforms | None, n_per_block: int) -> WeightedAverage:
    """Weight blocks of sweeps, or say why they cannot be weighted."""
    if not isinstance(pooled, Sweeps):
        raise DataError("blocks hold no single sweeps")
    if pooled.n_sweeps < 2 * n_per_block:
        raise DataError(f"{pooled.n_sweeps} sweeps; two blocks of {n_per_block} are needed")
    return weighted_average(pooled.sweeps_nv, n_per_block)


def _epochs(pooled: Waveforms | None) -> tuple[FloatArray | None, int]:
    """Return single sweeps or equal blocks, and how many sweeps one of them is."""
    if isinstance(pooled, Sweeps):
        return pooled.sweeps_nv, 1
    if isinstance(pooled, Blocks) and len(set(pooled.n_per_block or ())) == 1:
        assert pooled.n_per_block is not None  # its counts are one and the same
        return pooled.blocks_nv, pooled.n_per_block[0]
    return None, 0


def _noise_growth(
    trace: FinalTrace, epochs: FloatArray, per_epoch: int, windows: StimulusWindows
) -> Growth:
    """Return how the noise of a trace fell over the noise window, against sweeps."""
    noise = trace.axis.window(*windows.noise_ms, name="noise window")
    grown = growth(epochs[:, noise], _step(len(epochs), per_epoch))
    return replace(grown, n_sweeps=grown.n_sweeps * per_epoch)


def _step(n_epochs: int, per_epoch: int) -> int:
    """Return the epochs in a step: 100 sweeps, fewer where there would be too few points."""
    return max(1, min(STEP_SWEEPS // per_epoch, n_epochs // _FEWEST_POINTS))
