"""What holds for every picture, with good data and with bad: bounds, words, letters, bytes."""

import io
import itertools
import math
import subprocess
import sys
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text

from waveworks import plots
from waveworks.dsp.average_noise import average_noise
from waveworks.dsp.averaging import plain_average, weighted_average
from waveworks.dsp.detectors import Looks
from waveworks.dsp.fstats import f_statistic, growth
from waveworks.dsp.noise_density import density_from_noise, density_from_sweeps
from waveworks.dsp.settling import follow_marks, running_average, settling
from waveworks.errors import DataError
from waveworks.measures.level_views import pair_view
from waveworks.model import Average, Buffers, Condition, TimeAxis
from waveworks.plots import Limit
from waveworks.plots.style import LARGEST_IN

NASTY = (
    "<b>60</b> $\\alpha$ & $unpaired \\$x$ %s {0}\n\tline\r\x00\x1b[31m\u202etxet "
    "\u65e5\u672c\u8a9e \U0001f600 e\u0301 " + "W" * 300
)
LIMITS = (Limit(30, "noise-first-look"), Limit(15, "noise-absent"), Limit(22.5, NASTY))
EARLY = TimeAxis(12000.0, -10.0, 420)
LONG = TimeAxis(2000.0, -100.0, 1800)
ONE_SAMPLE = TimeAxis(12000.0, 7.0, 1)


def sweeps_of(bench, n_sweeps=800, **how) -> np.ndarray:
    return bench.sweeps(n_sweeps, **how).sweeps_nv


def course_of(sweeps: np.ndarray, bench, v_ms=7.5, sn10_ms=10.5, step=100):
    return follow_marks(running_average(sweeps, step), bench.axis.times_ms, v_ms, sn10_ms)


def nasty_condition(**changes) -> Condition:
    given = {"level_db_nhl": 40.0, "channel": NASTY, "condition": NASTY, **changes}
    return Condition("left", "insert", "narrowband-chirp", 4000.0, **given)


def series_without_one(bench):
    levels = bench.series(60, 40, 20)
    return [levels[0], without_traces(levels[1]), levels[2]]


def without_traces(level):
    return replace(level, traces=(), marks={}, faults=(NASTY,))


def twins(bench):
    conditions = [nasty_condition(), nasty_condition(condition="second " + NASTY)]
    return [bench.level(bench.average(), bench.average(), condition=c) for c in conditions]


def zeros(axis: TimeAxis) -> Average:
    return Average(np.zeros(axis.n_samples), 1000, axis)


def loud(bench, sd_nv=100_000.0):
    return [
        bench.level(
            bench.average(sd_nv=sd_nv),
            bench.average(sd_nv=sd_nv),
            condition=replace(nasty_condition(), level_db_nhl=float(level), condition=""),
        )
        for level in (60, 50, 40, 30, 20)
    ]


def null_of(sweeps: np.ndarray, **how):
    found = f_statistic(sweeps)
    return plots.plot_null(average_noise(sweeps), found.statistic, found.rn_nv, **how)


def looks_of(*pvalues: float, note: str = "") -> Looks:
    p = np.array(pvalues)
    return Looks(200.0 * np.arange(1, len(p) + 1), np.ones(len(p)), p, note)


def p_values(n_runs: int, *names: str) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(5)
    return {name: rng.random(n_runs) ** (1 + place) for place, name in enumerate(names)}


DETECTORS = ("calibrated-f", "customary-f", "sign-flip", "hotelling-t2", "shape")
TWELVE = tuple(f"{number} {NASTY}" for number in range(12))

PICTURES = {
    "replicates": lambda b: plots.plot_replicates(b.series(60, 50, 40, 30, 20)),
    "replicates of eight levels": lambda b: plots.plot_replicates(
        b.series(90, 80, 70, 60, 50, 40, 30, 20, v_ms=7.5, sn10_ms=10.5)
    ),
    "replicates of one level": lambda b: plots.plot_replicates(b.series(60)),
    "replicates with suggested marks": lambda b: plots.plot_replicates(
        [b.level(b.sweeps(), b.sweeps())]
    ),
    "replicates, one level without traces": lambda b: plots.plot_replicates(series_without_one(b)),
    "replicates, no level with traces": lambda b: plots.plot_replicates(
        [without_traces(level) for level in b.series(90, 80, 70, 60, 50, 40, 30, 20)]
    ),
    "replicates, one level and no traces": lambda b: plots.plot_replicates(
        [without_traces(one) for one in b.series(60)]
    ),
    "replicates with nasty text": lambda b: plots.plot_replicates(twins(b)),
    "replicates of single averages": lambda b: plots.plot_replicates([b.level(b.average())]),
    "replicates of zeros": lambda b: plots.plot_replicates([b.level(zeros(b.axis))]),
    "replicates of one sample": lambda b: plots.plot_replicates(
        [b.level(zeros(ONE_SAMPLE), v_ms=8, sn10_ms=9)]
    ),
    "replicates from -10 ms": lambda b: plots.plot_replicates(
        [b.level(b.average(axis=EARLY), b.average(axis=EARLY))]
    ),
    "replicates of 900 ms": lambda b: plots.plot_replicates(
        [b.level(b.average(axis=LONG), b.average(axis=LONG))]
    ),
    "replicates of raw noise": lambda b: plots.plot_replicates(loud(b)),
    "combined": lambda b: plots.plot_combined(
        b.level(b.average(), b.average(), v_ms=7.5, sn10_ms=10.5)
    ),
    "combined, suggested": lambda b: plots.plot_combined(b.level(b.sweeps(), b.sweeps())),
    "combined without noise": lambda b: plots.plot_combined(b.level(b.average())),
    "combined with nasty text": lambda b: plots.plot_combined(twins(b)[0]),
    "combined of zeros": lambda b: plots.plot_combined(b.level(zeros(b.axis))),
    "combined of one sample": lambda b: plots.plot_combined(b.level(zeros(ONE_SAMPLE))),
    "combined, mark outside": lambda b: plots.plot_combined(b.level(b.average(), v_ms=80)),
    "combined from -10 ms": lambda b: plots.plot_combined(b.level(b.average(axis=EARLY))),
    "combined of raw noise": lambda b: plots.plot_combined(loud(b)[0]),
    "combined of 900 ms": lambda b: plots.plot_combined(b.level(b.average(axis=LONG))),
    "recording": lambda b: plots.plot_recording(b.measured(b.recording(b.buffers(), NASTY))),
    "recording of one average": lambda b: plots.plot_recording(
        b.measured(b.recording(b.average(), v_ms=7.5))
    ),
    "buffers": lambda b: plots.plot_buffers(b.recording(b.buffers(counts=(1000, 900)), NASTY)),
    "buffers from -10 ms": lambda b: plots.plot_buffers(b.recording(b.buffers(axis=EARLY))),
    "buffers of one sample": lambda b: plots.plot_buffers(
        b.recording(Buffers([1.0], [2.0], None, None, ONE_SAMPLE))
    ),
    "buffers of zeros": lambda b: plots.plot_buffers(
        b.recording(Buffers(np.zeros(300), np.zeros(300), 10, 10, b.axis))
    ),
    "buffers of raw noise": lambda b: plots.plot_buffers(b.recording(b.buffers(sd_nv=1e5))),
    "residual noise": lambda b: plots.plot_residual_noise(growth(sweeps_of(b), 50), limits=LIMITS),
    "residual noise without limits": lambda b: plots.plot_residual_noise(growth(sweeps_of(b), 50)),
    "residual noise, limits far away": lambda b: plots.plot_residual_noise(
        growth(sweeps_of(b), 50), limits=(Limit(1e9, "a"), Limit(0.0, "b"), Limit(-3, "c"))
    ),
    "residual noise of one point": lambda b: plots.plot_residual_noise(growth(sweeps_of(b, 5), 5)),
    "residual noise of one sweep": lambda b: plots.plot_residual_noise(
        growth(np.vstack([sweeps_of(b, 2)]), 1), limits=LIMITS
    ),
    "residual noise of zeros": lambda b: plots.plot_residual_noise(
        growth(np.zeros((1000, 50)), 100), limits=LIMITS
    ),
    "Fmp": lambda b: plots.plot_fmp(growth(sweeps_of(b), 50), limits=(Limit(2.2, "fmp-response"),)),
    "Fmp, limit far away": lambda b: plots.plot_fmp(
        growth(sweeps_of(b), 50), limits=(Limit(1e9, NASTY),)
    ),
    "Fmp, looks": lambda b: plots.plot_fmp(
        growth(sweeps_of(b), 50), limits=LIMITS, at_looks=([200, 500], [math.inf, 2.5])
    ),
    "Fmp of one point": lambda b: plots.plot_fmp(growth(sweeps_of(b, 5), 5)),
    "Fmp of zeros": lambda b: plots.plot_fmp(growth(np.zeros((1000, 50)), 100), limits=LIMITS),
    "settling": lambda b: plots.plot_settling(settling(sweeps_of(b), 50)),
    "settling of two steps": lambda b: plots.plot_settling(settling(sweeps_of(b, 4), 2)),
    "settling of zeros": lambda b: plots.plot_settling(settling(np.zeros((1000, 50)), 100)),
    "latency": lambda b: plots.plot_mark_latency(course_of(sweeps_of(b), b)),
    "latency without SN10": lambda b: plots.plot_mark_latency(
        course_of(sweeps_of(b), b, sn10_ms=math.nan)
    ),
    "latency without turning point": lambda b: plots.plot_mark_latency(
        course_of(np.zeros((500, 300)), b)
    ),
    "latency of one point": lambda b: plots.plot_mark_latency(
        course_of(sweeps_of(b, 100, sd_nv=100.0), b)
    ),
    "amplitude": lambda b: plots.plot_mark_amplitude(
        course_of(sweeps_of(b), b), limits=(Limit(40, "amplitude-response"), Limit(1e6, NASTY))
    ),
    "amplitude without SN10": lambda b: plots.plot_mark_amplitude(
        course_of(sweeps_of(b), b, sn10_ms=math.nan), limits=(Limit(40, "amplitude-response"),)
    ),
    "cross-correlation": lambda b: plots.plot_cross_correlation(
        pair_view(b.level(b.average(), b.average()))
    ),
    "cross-correlation of a constant": lambda b: plots.plot_cross_correlation(
        pair_view(b.level(zeros(b.axis), b.average()))
    ),
    "latency over levels": lambda b: plots.plot_latency_level(b.series(60, 50, 40, 30, 20)),
    "latency over levels, marked": lambda b: plots.plot_latency_level(
        b.series(60, 50, 40, v_ms=7.5, sn10_ms=10.5)
    ),
    "latency of one level": lambda b: plots.plot_latency_level(b.series(60)),
    "latency of many levels": lambda b: plots.plot_latency_level(b.series(*range(90, -30, -5))),
    "latency without traces": lambda b: plots.plot_latency_level(
        [without_traces(level) for level in b.series(60, 40)]
    ),
    "latency with nasty text": lambda b: plots.plot_latency_level(twins(b)),
    "latency without a level": lambda b: plots.plot_latency_level(
        [b.level(b.average(), b.average(), condition=replace(nasty_condition(), level_db_nhl=None))]
    ),
    "amplitude over levels": lambda b: plots.plot_amplitude_level(b.series(60, 50, 40, 30, 20)),
    "amplitude over levels, marked": lambda b: plots.plot_amplitude_level(
        b.series(60, 50, 40, v_ms=7.5, sn10_ms=10.5)
    ),
    "amplitude of raw noise": lambda b: plots.plot_amplitude_level(loud(b)),
    "amplitude without traces": lambda b: plots.plot_amplitude_level(
        [without_traces(level) for level in b.series(60, 40)]
    ),
    "agreement": lambda b: plots.plot_agreement(pair_view(b.level(b.average(), b.average()))),
    "agreement of a constant": lambda b: plots.plot_agreement(
        pair_view(b.level(zeros(b.axis), b.average()))
    ),
    "agreement of raw noise": lambda b: plots.plot_agreement(pair_view(loud(b)[0])),
    "weights": lambda b: plots.plot_weights(weighted_average(sweeps_of(b), 50), 50),
    "weights of sweeps": lambda b: plots.plot_weights(plain_average(sweeps_of(b, 30)), 1),
    "weight of one block": lambda b: plots.plot_weights(weighted_average(sweeps_of(b), 800), 800),
    "density": lambda b: plots.plot_noise_density(density_from_sweeps(sweeps_of(b), 12000.0)),
    "density of one trace": lambda b: plots.plot_noise_density(
        density_from_noise([b.noise(20.0, 300)], 12000.0)
    ),
    "density of zeros": lambda b: plots.plot_noise_density(
        density_from_noise(np.zeros((1, 300)), 12000.0)
    ),
    "density of four samples": lambda b: plots.plot_noise_density(
        density_from_noise([[1.0, 3.0, -2.0, 0.5]], 12000.0)
    ),
    "null": lambda b: null_of(sweeps_of(b, amplitude_nv=40.0)),
    "null, Fmp and a limit far away": lambda b: null_of(
        sweeps_of(b, sd_nv=50.0), limits=(Limit(1e9, NASTY), Limit(-3, "b"), Limit(2.0, "c"))
    ),
    "null without limits": lambda b: null_of(sweeps_of(b), limits=()),
    "null of two sweeps": lambda b: null_of(sweeps_of(b, 2)),
    "null of two samples": lambda b: null_of(sweeps_of(b, 3)[:, :2]),
    "null of zeros": lambda b: null_of(np.zeros((1000, 50))),
    "looks": lambda b: plots.plot_looks(
        looks_of(0.5, 0.1, 0.02, 0.004, 1e-5), [0.01] * 5, name="shape"
    ),
    "looks, some missing": lambda b: plots.plot_looks(
        looks_of(math.nan, 0.1, math.nan, 1e-30, 0.0, note=NASTY),
        [0.0, 1e-4, 1e-3, 0.01, 0.02],
        name=NASTY,
    ),
    "looks, all missing": lambda b: plots.plot_looks(
        looks_of(math.nan, math.nan, note=NASTY), [0.01] * 2, name=NASTY
    ),
    "one look": lambda b: plots.plot_looks(looks_of(1.0), [1.0]),
    "looks without a level": lambda b: plots.plot_looks(looks_of(0.0, 0.0), [0.0, 0.0]),
    "ROC": lambda b: plots.plot_roc(p_values(200, *DETECTORS), p_values(100, *DETECTORS)),
    "ROC of its left end": lambda b: plots.plot_roc(
        p_values(200, *DETECTORS), p_values(100, *DETECTORS), most_noise=0.05
    ),
    "ROC of twelve tests": lambda b: plots.plot_roc(p_values(50, *TWELVE), p_values(9, *TWELVE)),
    "ROC of nothing": lambda b: plots.plot_roc({NASTY: []}, {NASTY: [0.3]}),
    "calibration": lambda b: plots.plot_calibration(p_values(2000, *DETECTORS)),
    "calibration of twelve tests": lambda b: plots.plot_calibration(
        p_values(50, *TWELVE), levels=(0.1, 0.05, 0.02, 0.01, 1e-5)
    ),
    "calibration of two runs": lambda b: plots.plot_calibration({"shape": [0.5, math.nan]}),
    "calibration of nothing": lambda b: plots.plot_calibration({}),
}


@pytest.fixture(params=PICTURES, scope="module")
def picture(request, make_bench):
    ax = PICTURES[request.param](make_bench())
    # Text is measured as it is drawn on a screen, whose whole pixels make it widest.
    ax.figure.set_dpi(110)
    FigureCanvasAgg(ax.figure).draw()
    return ax


def written(ax) -> list[Text]:
    ticks = [text for axis in (ax.xaxis, ax.yaxis) for text in axis.get_ticklabels()]
    everything = [*ax.texts, *ticks, ax.xaxis.label, ax.yaxis.label, ax.title]
    return [text for text in everything if text.get_visible() and text.get_text()]


def boxes(ax) -> list[tuple[str, object]]:
    renderer = ax.figure.canvas.get_renderer()
    return [(text.get_text(), Text.get_window_extent(text, renderer)) for text in written(ax)]


def test_all_text_lies_inside_the_figure(picture) -> None:
    width, height = picture.figure.bbox.width, picture.figure.bbox.height
    outside = [
        (text, box.extents)
        for text, box in boxes(picture)
        if box.x0 < 0 or box.y0 < 0 or box.x1 > width or box.y1 > height
    ]
    assert outside == []


def test_no_two_texts_overlap(picture) -> None:
    overlapping = [
        (first, second)
        for (first, box), (second, other) in itertools.combinations(boxes(picture), 2)
        if min(box.x1, other.x1) - max(box.x0, other.x0) > 1
        and min(box.y1, other.y1) - max(box.y0, other.y0) > 1
    ]
    assert overlapping == []


def test_letters_are_at_least_seven_points_and_dark(picture) -> None:
    for text in written(picture):
        assert text.get_fontsize() >= 7, text
        assert max(to_rgb(text.get_color())) < 0.4, text


def test_no_text_is_read_as_mathematics(picture) -> None:
    own = [*picture.texts, picture.xaxis.label, picture.yaxis.label]
    assert not any(text.get_parse_math() for text in own if text.get_text())


def test_the_figure_stays_in_bounds(picture) -> None:
    width, height = picture.figure.get_size_inches()
    assert 2 <= width <= LARGEST_IN[0] + 1e-9
    assert 1.5 <= height <= LARGEST_IN[1] + 1e-9


def test_no_picture_is_empty_without_a_word(picture) -> None:
    """A line with a finite point inside the axes, or words in it that say why there is none."""
    (left, right), (low, high) = picture.get_xlim(), picture.get_ylim()

    def is_seen(line) -> bool:
        x, y = (np.asarray(values, dtype=float) for values in line.get_data())
        points = (x >= left) & (x <= right) & (y >= low) & (y <= high)
        drawn = points.sum() > 1 or line.get_marker() not in ("none", "None", None, "")
        return bool(points.any()) and drawn

    data = [line for line in picture.lines if line.get_zorder() >= 2 and is_seen(line)]
    why = [t for t in picture.texts if t.xy == (0.5, 0.5) or t.get_text().startswith("no trace: ")]
    assert data or why


def test_the_same_data_give_the_same_bytes(make_bench) -> None:
    def svg(name: str) -> bytes:
        buffer = io.BytesIO()
        with mpl.rc_context({"svg.hashsalt": "x"}):
            ax = PICTURES[name](make_bench())
            ax.figure.savefig(buffer, format="svg", metadata={"Date": None})
        return buffer.getvalue()

    for name in ("replicates", "combined, suggested", "residual noise", "density"):
        assert svg(name) == svg(name), name


@pytest.mark.parametrize("name", ["replicates", "combined", "residual noise", "agreement"])
def test_a_picture_goes_into_axes_of_the_caller(name, bench) -> None:
    figure = Figure(figsize=(12, 8), layout="constrained")
    axes = figure.subplots(1, 2)
    functions = {
        "replicates": lambda: plots.plot_replicates(bench.series(60, 40), ax=axes[1]),
        "combined": lambda: plots.plot_combined(bench.level(bench.average()), ax=axes[1]),
        "residual noise": lambda: plots.plot_residual_noise(
            growth(sweeps_of(bench), 50), limits=LIMITS, ax=axes[1]
        ),
        "agreement": lambda: plots.plot_agreement(
            pair_view(bench.level(bench.average(), bench.average())), ax=axes[1]
        ),
    }
    assert functions[name]() is axes[1]
    FigureCanvasAgg(figure).draw()
    assert not axes[0].has_data()
    assert axes[1].has_data()


def test_plots_never_load_pyplot() -> None:
    code = "import sys, waveworks.plots; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_a_limit_that_is_no_number_is_refused() -> None:
    with pytest.raises(DataError, match="limit is nan; it must be a finite number"):
        Limit(math.nan, "x")
