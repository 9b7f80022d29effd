"""The pictures of the page: drawn, put into the page itself, and told in words."""

import base64
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import matplotlib as mpl
from matplotlib.axes import Axes

from waveworks import plots
from waveworks.criteria import Criteria
from waveworks.measures.final_traces import COMBINED
from waveworks.measures.level_views import LevelProgress, noise_density, pair_view
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.recordings import RecordingMeasures
from waveworks.model import Buffers
from waveworks.plots import Limit
from waveworks.report.words import number_words, printable

MOST_LEVELS = 8
"""Level pairs in one panel."""

_LONGEST_NAME = 80


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
    drawable = [level for level in levels if level.combined is not None]
    for start in range(0, len(drawable), MOST_LEVELS):
        panel = drawable[start : start + MOST_LEVELS]
        shown = "; ".join(_level_words(level) for level in panel)
        yield _picture(
            "Replicates by level",
            f"Final traces 1 and 2 superimposed, level by level, highest at the top. {shown}.",
            plots.plot_replicates(panel),
            wide=True,
        )


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
            "Combined trace and its 95 % noise band",
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
            f"Noise density against frequency, from {density.method}.",
            plots.plot_noise_density(density),
        )
    if progress is not None:
        yield from _progress_pictures(progress, criteria)


def recording_pictures(measured: RecordingMeasures) -> Iterator[Picture]:
    """Draw one recording.

    Parameters
    ----------
    measured : RecordingMeasures
        Nothing is drawn of one without usable data.

    Yields
    ------
    Picture
    """
    recording = measured.recording
    name = printable(recording.name, _LONGEST_NAME)
    if isinstance(recording.waveforms, Buffers):
        yield _picture(
            f"A, B and half their difference: {name}",
            f"Buffers A and B of {name} superimposed, half their difference below: "
            f"{_noise_words(measured)}.",
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
        name = printable(measured.recording.name, _LONGEST_NAME)
        yield _picture(
            f"Average: {name}",
            f"The average of {name}: {_noise_words(measured)}.",
            plots.plot_recording(measured),
            wide=True,
        )
    yield from recording_pictures(measured)


def _progress_pictures(progress: LevelProgress, criteria: Criteria) -> Iterator[Picture]:
    growth = progress.growth
    noise_limits, f_limits = _limits(criteria, "rn_nv"), _limits(criteria, "fmp")
    met = [(limit.label, growth.sweeps_to_rn(limit.value)) for limit in noise_limits]
    yield _picture(
        "Residual noise against sweeps",
        f"Residual noise is {number_words(growth.rn_nv[-1], '.1f', 'nV')} after "
        f"{growth.n_sweeps[-1]} sweeps. "
        f"{_met_words(met)}",
        plots.plot_residual_noise(growth, limits=noise_limits),
    )
    met = [(limit.label, growth.sweeps_to_fmp(limit.value)) for limit in f_limits]
    yield _picture(
        "Fmp against sweeps",
        f"Fmp is {number_words(growth.fmp[-1], '.2f')} after {growth.n_sweeps[-1]} sweeps. "
        f"{_met_words(met)} A look after every step raises the false-positive rate.",
        plots.plot_fmp(growth, limits=f_limits),
    )
    if progress.settling is not None:
        settling = progress.settling
        yield _picture(
            f"How the average settles, per {settling.step} sweeps",
            f"Change of the running average in the last {settling.step} sweeps: "
            f"{settling.change_nv[-1]:.1f} nV, noise alone would give "
            f"{settling.expected_nv[-1]:.1f} nV (95 % from "
            f"{number_words(settling.low_nv[-1], '.1f', 'nV')} to "
            f"{number_words(settling.high_nv[-1], '.1f', 'nV')}).",
            plots.plot_settling(settling),
        )
    if progress.course is not None:
        course = progress.course
        near = "followed near its final place, which favours that place"
        yield _picture(
            "Wave V latency against sweeps",
            f"Latency of wave V in the running average, {near}.",
            plots.plot_mark_latency(course),
        )
        yield _picture(
            "Amplitude V to SN10 against sweeps",
            f"Amplitude from wave V to SN10 in the running average, {near}.",
            plots.plot_mark_amplitude(course, limits=_limits(criteria, "v_sn10_nv")),
        )
    if progress.weighted is not None and progress.n_per_block is not None:
        weights = progress.weighted.weights
        yield _picture(
            "Weights over time",
            f"Weights by inverse noise variance of {len(weights)} blocks of {progress.n_per_block} "
            f"sweeps, from {weights.min():.3f} to {weights.max():.3f}; they sum to 1.",
            plots.plot_weights(progress.weighted, progress.n_per_block),
        )


def _limits(criteria: Criteria, quantity: str) -> tuple[Limit, ...]:
    return tuple(Limit(clause.value, clause.id) for clause in criteria.of(quantity))


def _met_words(met: Sequence[tuple[str, int | None]]) -> str:
    return " ".join(
        f"Limit {label} first met at {count} sweeps."
        if count is not None
        else f"Limit {label} not met."
        for label, count in met
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
