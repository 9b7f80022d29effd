"""The pictures of the page: drawn, put into the page itself, and told in words."""

import base64
import io
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from waveworks import plots
from waveworks.criteria import Criteria
from waveworks.dsp.fstats import Growth
from waveworks.dsp.noise_density import NoiseDensity
from waveworks.measures.final_traces import COMBINED
from waveworks.measures.level_views import (
    LevelProgress,
    noise_density,
    pair_view,
    trace_growths,
)
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.marks import MarkMeasure
from waveworks.measures.recordings import RecordingMeasures
from waveworks.model import Buffers
from waveworks.plots import Limit
from waveworks.report.words import LONGEST_NAME, number_words, printable


@dataclass(frozen=True)
class Picture:
    """A picture on the page.

    Parameters
    ----------
    title : str
        Above it.
    alt : str
        What it shows, for those who cannot see it.
    uri : str
        The picture itself, a data URI.
    wide : bool
        Whether it takes the whole width of the page.
    """

    title: str
    alt: str
    uri: str
    wide: bool = False


def series_pictures(levels: Sequence[LevelMeasures]) -> Iterator[Picture]:
    """Draw the replicates of a level series, eight levels a panel.

    Parameters
    ----------
    levels : sequence of LevelMeasures
        Of one ear and stimulus, the highest first.

    Yields
    ------
    Picture
    """
    for start in range(0, len(levels), plots.MOST_LEVELS):
        panel = levels[start : start + plots.MOST_LEVELS]
        shown = "; ".join(_level_words(level) for level in panel)
        yield _picture(
            "Replicates by level",
            f"Final traces 1 and 2 superimposed, level by level, highest at the top. {shown}.",
            plots.plot_replicates(panel),
            wide=True,
        )
    for start in range(0, len(levels), plots.MOST_POINTS):
        panel = levels[start : start + plots.MOST_POINTS]
        if not any(_has_a_level(level) and level.combined is not None for level in panel):
            continue
        yield _picture(
            "Latency against level",
            "Wave V and SN10 against level, with what the settings expect. "
            + _each(panel, _latency_words),
            plots.plot_latency_level(panel),
        )
        yield _picture(
            "Amplitude against level",
            "V to SN10 against level, as read and of the fitted shape. "
            + _each(panel, _amplitude_words),
            plots.plot_amplitude_level(panel),
        )


def _has_a_level(level: LevelMeasures) -> bool:
    condition = level.condition
    return condition.level_db_nhl is not None or condition.level_db_ehl is not None


def _each(levels: Sequence[LevelMeasures], words: Callable[[MarkMeasure], str]) -> str:
    """Return words about the marks of each level."""
    told = (
        f"{level.condition.words()['level'] or 'no level'}: "
        f"{words(level.marks.get(COMBINED, MarkMeasure()))}"
        for level in levels
    )
    return "; ".join(told) + "."


def _latency_words(marks: MarkMeasure) -> str:
    if math.isnan(marks.v_ms):
        return "none marked"
    return (
        f"V {_with_interval(marks.v_ms, marks.v_se_ms, '.2f', 'ms')}, "
        f"SN10 {_with_interval(marks.sn10_ms, marks.sn10_se_ms, '.2f', 'ms')}, "
        f"{marks.marks_from}"
    )


def _amplitude_words(marks: MarkMeasure) -> str:
    if math.isnan(marks.v_sn10_nv):
        return "none"
    words = _with_interval(marks.v_sn10_nv, marks.v_sn10_se_nv, ".0f", "nV")
    if math.isnan(marks.v_sn10_corrected_nv):
        return words
    corrected = (marks.v_sn10_corrected_nv, marks.v_sn10_corrected_se_nv)
    return f"{words}, of the fitted shape {_with_interval(*corrected, '.0f', 'nV')}"


def _with_interval(value: float, se: float, form: str, unit: str) -> str:
    words = number_words(value, form, unit)
    if math.isnan(se):
        return words
    half = plots.NORMAL_95 * se
    return f"{words} (95 % {value - half:{form}} to {value + half:{form}})"


def level_pictures(
    level: LevelMeasures, progress: LevelProgress | None, criteria: Criteria
) -> Iterator[Picture]:
    """Draw every step of one level.

    Parameters
    ----------
    level : LevelMeasures
        What was measured.
    progress : LevelProgress or None
        How its average grew.
    criteria : Criteria
        Whose limits are drawn.

    Yields
    ------
    Picture
    """
    if level.combined is not None:
        yield _picture(
            "Combined trace, with 1.96 residual noise on either side at each point by itself",
            f"Final traces and their combination. {_level_words(level)}.",
            plots.plot_combined(level),
            wide=True,
        )
    pair = pair_view(level)
    if pair is not None:
        agreed = pair.agreement
        yield _picture(
            "Agreement of the two final traces",
            "Trace 2 against trace 1, sample by sample over the response window: "
            f"r {number_words(agreed.r, '.2f')}, p {number_words(agreed.pvalue, '.2g')}, "
            f"independent samples {number_words(agreed.n_effective, '.1f')}.",
            plots.plot_agreement(pair),
        )
        yield _picture(
            "Cross-correlation over lags",
            f"Correlation of the two final traces at lags of up to "
            f"{pair.correlation.lag_samples.max() * pair.step_ms:.1f} ms either way; highest at "
            f"{number_words(agreed.lag_samples * pair.step_ms, '.2f', 'ms')}.",
            plots.plot_cross_correlation(pair),
        )
    density = noise_density(level)
    if density is not None:
        yield _picture(
            "Spectrum of the noise left in the average",
            f"Noise density against frequency, from {density.method}: {_density_words(density)}.",
            plots.plot_noise_density(density),
        )
    for label, growth in trace_growths(level).items():
        limits = _limits(criteria, "rn_nv", "each trace")
        yield _noise_picture(f"trace {label}", growth, limits)
    if progress is not None:
        yield from _progress_pictures(progress, criteria)


def buffer_pictures(measured: RecordingMeasures) -> Iterator[Picture]:
    """Draw the buffers of a recording that holds them.

    Parameters
    ----------
    measured : RecordingMeasures
        Nothing is drawn of another layout, or without usable data.

    Yields
    ------
    Picture
    """
    recording = measured.recording
    name = printable(recording.name, LONGEST_NAME)
    if isinstance(recording.waveforms, Buffers):
        yield _picture(
            f"A, B and half their difference: {name}",
            f"Buffers A and B of {name} superimposed, half their difference (scaled where their "
            f"counts differ) below: {_noise_words(measured)}.",
            plots.plot_buffers(recording),
            wide=True,
        )


def trace_pictures(measured: RecordingMeasures) -> Iterator[Picture]:
    """Draw the average of one recording, whatever it holds, and its buffers.

    Parameters
    ----------
    measured : RecordingMeasures
        Nothing is drawn of one without usable data.

    Yields
    ------
    Picture
    """
    if measured.recording.waveforms is not None:
        name = printable(measured.recording.name, LONGEST_NAME)
        yield _picture(
            f"Average: {name}",
            f"The average of {name}: {_noise_words(measured)}.",
            plots.plot_recording(measured),
            wide=True,
        )
    yield from buffer_pictures(measured)


def _progress_pictures(progress: LevelProgress, criteria: Criteria) -> Iterator[Picture]:
    growth = progress.growth
    limits = _limits(criteria, "rn_nv", "combined")
    if limits:
        yield _noise_picture("all sweeps together", growth, limits)
    limits = _limits(criteria, "fmp", "combined")
    fmp = float(growth.fmp[-1])
    met = [(limit, growth.sweeps_to_fmp(limit.value)) for limit in limits]
    told = "" if math.isnan(fmp) else f" {_met_words(met)}"
    yield _picture(
        "Fmp against sweeps",
        f"Fmp is {number_words(fmp, '.2f')} after {growth.n_sweeps[-1]} sweeps, the last full "
        f"step.{told} "
        "A look after every step raises the false-positive rate.",
        plots.plot_fmp(growth, limits=limits),
    )
    settling = progress.settling
    words = "The average does not change at all: the sweeps do not differ."
    if settling.expected_nv[-1] > 0:
        words = (
            f"Change of the running average in the last {settling.step} sweeps: "
            f"{settling.change_nv[-1]:.1f} nV; noise of constant power in independent sweeps would "
            f"give {settling.expected_nv[-1]:.1f} nV (95 % from "
            f"{number_words(settling.low_nv[-1], '.1f', 'nV')} to "
            f"{number_words(settling.high_nv[-1], '.1f', 'nV')})."
        )
    yield _picture(
        f"How the average settles, per {settling.step} sweeps", words, plots.plot_settling(settling)
    )
    if progress.course is not None:
        course = progress.course
        near = "followed near its final place, which favours that place"
        yield _picture(
            "Wave V latency against sweeps",
            f"Latency of wave V in the running average, {near}: "
            f"{_course_words(course.v_ms, '.2f', 'ms')}.",
            plots.plot_mark_latency(course),
        )
        yield _picture(
            "Amplitude V to SN10 against sweeps",
            f"Amplitude from wave V to SN10 in the running average, {near}: "
            f"{_course_words(course.v_sn10_nv, '.0f', 'nV')}.",
            plots.plot_mark_amplitude(course, limits=_limits(criteria, "v_sn10_nv", "combined")),
        )
    if progress.weighted is not None and progress.n_per_block is not None:
        weights = progress.weighted.weights
        yield _picture(
            "Weights over time",
            f"Weights by inverse noise variance of {len(weights)} blocks of {progress.n_per_block} "
            f"sweeps, from {weights.min():.3f} to {weights.max():.3f}; they sum to 1.",
            plots.plot_weights(progress.weighted, progress.n_per_block),
        )


def _noise_picture(of: str, growth: Growth, limits: Sequence[Limit]) -> Picture:
    rn_nv = float(growth.rn_nv[-1])
    words = f"Residual noise of {of} is not known: the sweeps do not differ."
    if rn_nv > 0:  # a dead channel is not quiet
        met = [(limit, growth.sweeps_to_rn(limit.value)) for limit in limits]
        words = (
            f"Residual noise of {of} is {rn_nv:.1f} nV after {growth.n_sweeps[-1]} sweeps, the "
            f"last full step, all alike. {_met_words(met)}"
        )
    return _picture(
        f"Residual noise against sweeps: {of}",
        words,
        plots.plot_residual_noise(growth, limits=limits),
    )


def _limits(criteria: Criteria, quantity: str, scope: str) -> tuple[Limit, ...]:
    return tuple(Limit.of(clause) for clause in criteria.of(quantity, scope))


def _met_words(met: Sequence[tuple[Limit, int | None]]) -> str:
    return " ".join(
        f"Limit {printable(limit.label, LONGEST_NAME)}, {limit.value:g}: "
        + ("not met." if count is None else f"first met at {count} sweeps.")
        for limit, count in met
    )


def _course_words(values: NDArray[np.float64], form: str, unit: str) -> str:
    first, last = (number_words(float(values[place]), form, unit) for place in (0, -1))
    return f"{first} at the first step, {last} at the last"


def _density_words(density: NoiseDensity) -> str:
    frequencies = density.frequency_hz
    told = [round(place * (frequencies.size - 1)) for place in (0, 0.1, 0.5)]
    return ", ".join(
        f"{density.density[i]:.2g} nV/√Hz at {frequencies[i]:.0f} Hz" for i in dict.fromkeys(told)
    )


def _level_words(level: LevelMeasures) -> str:
    words = [level.condition.words()["level"] or "no level"]
    if level.combined is not None:
        words.append(f"residual noise {number_words(level.combined.noise.rn_nv, '.1f', 'nV')}")
    marks = level.marks.get(COMBINED)
    if marks is None or math.isnan(marks.v_ms):
        words.append("no wave V marked")
    else:
        sn10 = "" if math.isnan(marks.sn10_ms) else f", SN10 at {marks.sn10_ms:.2f} ms"
        words.append(f"wave V at {marks.v_ms:.2f} ms{sn10} ({marks.marks_from})")
    return ", ".join(words)


def _noise_words(measured: RecordingMeasures) -> str:
    return f"residual noise {number_words(measured.noise.rn_nv, '.1f', 'nV')}"


def _picture(title: str, alt: str, axes: Axes, *, wide: bool = False) -> Picture:
    buffer = io.BytesIO()
    # A fixed salt and no date: the same picture is the same bytes.
    with mpl.rc_context({"svg.hashsalt": "waveworks", "svg.fonttype": "path"}):
        figure = axes.get_figure(root=True)
        assert figure is not None  # the axes were just drawn on one
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    encoded = base64.b64encode(buffer.getvalue()).decode("ascii")
    return Picture(title, alt, f"data:image/svg+xml;base64,{encoded}", wide)
