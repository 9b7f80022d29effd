"""The pictures of traces show the samples, marks, windows and noise that they were given."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import PolyCollection
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text

from waveworks.errors import DataError
from waveworks.model import Average, Buffers, Condition
from waveworks.plots import (
    EAR_COLOURS,
    plot_buffers,
    plot_combined,
    plot_recording,
    plot_replicates,
)


def nv_per_ms_on_paper(ax) -> float:
    """How many nV are as long as 1 ms, read from the drawn picture."""
    FigureCanvasAgg(ax.figure).draw()
    origin, one_ms, one_nv = ax.transData.transform([(0, 0), (1, 0), (0, 1)])
    return (one_ms - origin)[0] / (one_nv - origin)[1]


def marker(ax, name):
    return [line for line in ax.lines if line.get_label() == name]


@pytest.mark.parametrize("nv_per_ms", [25.0, 50.0, 100.0])
def test_one_ms_is_as_long_as_so_many_nv(bench, nv_per_ms) -> None:
    level = bench.level(bench.average(), bench.average())
    pictures = (
        plot_combined(level, nv_per_ms=nv_per_ms),
        plot_replicates(bench.series(60, 50, 40, 30, 20), nv_per_ms=nv_per_ms),
        plot_buffers(bench.recording(bench.buffers()), nv_per_ms=nv_per_ms),
        plot_recording(bench.measured(bench.recording(bench.buffers())), nv_per_ms=nv_per_ms),
    )
    for ax in pictures:
        assert nv_per_ms_on_paper(ax) == pytest.approx(nv_per_ms, rel=1e-6)


@pytest.mark.parametrize("size_in", [(3, 9), (12, 3)])
def test_the_aspect_holds_in_axes_of_the_caller(bench, size_in) -> None:
    figure = Figure(figsize=size_in)
    ax = plot_combined(bench.level(bench.average()), ax=figure.add_subplot())
    assert nv_per_ms_on_paper(ax) == pytest.approx(50, rel=1e-6)


@pytest.mark.parametrize("nv_per_ms", [24.9, 100.1, 0.0, -50.0, np.nan, np.inf])
def test_an_aspect_that_is_not_sane_is_refused(bench, nv_per_ms) -> None:
    level = bench.level(bench.average())
    with pytest.raises(DataError, match="may be drawn as long as 25 to 100 nV"):
        plot_combined(level, nv_per_ms=nv_per_ms)
    with pytest.raises(DataError, match="25 to 100"):
        plot_replicates([level], nv_per_ms=nv_per_ms)
    with pytest.raises(DataError, match="25 to 100"):
        plot_buffers(bench.recording(bench.buffers()), nv_per_ms=nv_per_ms)


def test_raw_noise_says_which_scale_it_has(bench, words_of) -> None:
    ax = plot_combined(bench.level(bench.average(sd_nv=1e5)))
    used = nv_per_ms_on_paper(ax)
    assert used > 1000
    assert f"1 ms is drawn as long as {used:.0f} nV, not 50 nV" in words_of(ax)


def test_a_quiet_trace_is_not_blown_up(bench) -> None:
    ax = plot_combined(bench.level(bench.average(amplitude_nv=0.0, sd_nv=1.0)))
    assert np.diff(ax.get_ylim())[0] >= 300
    assert nv_per_ms_on_paper(ax) == pytest.approx(50)


def test_replicates_show_both_traces_of_each_level_about_its_zero(bench, lines_named) -> None:
    levels = bench.series(20, 60, 40)
    ax = plot_replicates(levels)
    ordered = sorted(levels, key=lambda level: -level.condition.level_db_nhl)
    zeros = np.asarray(lines_named(ax, "zero lines")[0].get_ydata())[::3]
    assert np.ptp(np.diff(zeros)) == pytest.approx(0, abs=1e-9)
    assert zeros[0] > zeros[1] > zeros[2]
    for label in ("1", "2"):
        for line, level, zero in zip(
            lines_named(ax, f"trace {label}"), ordered, zeros, strict=True
        ):
            trace = next(trace for trace in level.traces if trace.label == label)
            expected = trace.trace_nv - np.median(level.combined.trace_nv) + zero
            np.testing.assert_allclose(line.get_ydata(), expected)
            np.testing.assert_allclose(line.get_xdata(), bench.axis.times_ms)


def test_replicates_are_labelled_in_the_margin(bench) -> None:
    levels = bench.series(60, 40)
    ax = plot_replicates(levels)
    heights = {text.get_text(): text.xy[1] for text in ax.texts}
    for level in levels:
        zero = heights[f"{level.condition.level_db_nhl:g} dB nHL"]
        assert heights[f"RN {level.combined.noise.rn_nv:.1f} nV"] == zero
    assert heights["60 dB nHL"] > heights["40 dB nHL"]


def test_neighbours_of_usual_size_do_not_meet(bench, lines_named) -> None:
    ax = plot_replicates(bench.series(60, 50, 40))
    lines = lines_named(ax, "trace 1")
    for upper, lower in itertools.pairwise(lines):
        assert upper.get_ydata().min() >= lower.get_ydata().max()


def test_one_wild_level_is_cut_and_the_others_stay_readable(bench, lines_named, words_of) -> None:
    levels = bench.series(60, 40, 20)
    wild = bench.level(
        bench.average(sd_nv=20_000.0), bench.average(sd_nv=20_000.0), condition=levels[1].condition
    )
    ax = plot_replicates([levels[0], wild, levels[2]])
    assert "Cut off: a trace reaches" in words_of(ax)
    assert nv_per_ms_on_paper(ax) == pytest.approx(50)
    zeros = np.asarray(lines_named(ax, "zero lines")[0].get_ydata())[::3]
    spacing = zeros[0] - zeros[1]
    middle = lines_named(ax, "trace 1")[1].get_ydata()
    assert np.isnan(middle).any()
    assert np.nanmax(np.abs(middle - zeros[1])) <= spacing


def test_a_stimulus_artefact_does_not_choose_the_scale(bench, words_of) -> None:
    trace = bench.response()
    trace[:10] = 20_000.0
    for ax in (
        plot_replicates([bench.level(Average(trace, 1000, bench.axis))]),
        plot_combined(bench.level(Average(trace, 1000, bench.axis))),
        plot_buffers(bench.recording(Buffers(trace, trace, 5, 5, bench.axis))),
    ):
        assert np.diff(ax.get_ylim())[0] < 1000
        assert "Cut off" in words_of(ax)


def test_marks_stand_at_the_latencies_of_the_combined_trace(bench) -> None:
    level = bench.level(bench.average(), bench.average(), v_ms=7.4, sn10_ms=10.3)
    for plot in (plot_combined, lambda one: plot_replicates([one])):
        ax = plot(level)
        assert [line.get_xdata()[0] for line in marker(ax, "V")] == [7.4]
        assert [line.get_xdata()[0] for line in marker(ax, "SN10")] == [10.3]
        assert {text.get_text() for text in ax.texts} >= {"V", "SN10"}
    at_v = np.interp(7.4, bench.axis.times_ms, level.combined.trace_nv)
    assert marker(plot_combined(level), "V")[0].get_ydata()[0] == pytest.approx(at_v)


def test_a_clinicians_mark_is_filled_and_a_suggestion_hollow(bench, words_of) -> None:
    suggested = bench.level(bench.sweeps(), bench.sweeps())
    assert suggested.marks["combined"].marks_from == "suggested"
    placed = bench.level(bench.average(), bench.average(), v_ms=7.4, sn10_ms=10.3)
    for plot in (plot_combined, lambda one: plot_replicates([one])):
        hollow, filled = plot(suggested), plot(placed)
        assert to_rgb(marker(hollow, "V")[0].get_markerfacecolor()) == (1, 1, 1)
        assert max(to_rgb(marker(filled, "V")[0].get_markerfacecolor())) < 0.2
        assert "suggested mark" in words_of(hollow)
        assert "clinician's mark" in words_of(filled)


def test_a_suggestion_carries_its_interval(bench, lines_named) -> None:
    level = bench.level(bench.sweeps(), bench.sweeps())
    marks = level.marks["combined"]
    ax = plot_combined(level)
    bars = [line.get_xdata() for line in ax.lines if line.get_marker() == "|"]
    expected = [(marks.v_ms, marks.v_se_ms), (marks.sn10_ms, marks.sn10_se_ms)]
    np.testing.assert_allclose(bars, [(at - 1.96 * se, at + 1.96 * se) for at, se in expected])


def test_without_marks_there_are_words_and_no_marker(bench, words_of) -> None:
    level = bench.level(bench.average())
    assert "No wave V marked." in words_of(plot_combined(level))
    assert "no V marked" in words_of(plot_replicates([level]))
    assert not marker(plot_combined(level), "V")


def test_a_mark_outside_the_data_is_told_and_not_drawn(bench, words_of) -> None:
    level = bench.level(bench.average(), v_ms=7.5, sn10_ms=80.0)
    ax = plot_combined(level)
    assert "SN10 is marked at 80 ms, outside the data." in words_of(ax)
    assert not marker(ax, "SN10")
    assert "SN10 outside" in words_of(plot_replicates([level]))


def test_the_band_is_1_96_residual_noise(bench, words_of) -> None:
    level = bench.level(bench.average(), bench.average())
    ax = plot_combined(level)
    (band,) = [one for one in ax.collections if isinstance(one, PolyCollection)]
    edges = band.get_paths()[0].vertices
    trace, rn = level.combined.trace_nv, level.combined.noise.rn_nv
    middle = 150
    heights = edges[np.isclose(edges[:, 0], bench.axis.times_ms[middle]), 1]
    expected = [trace[middle] - 1.96 * rn, trace[middle] + 1.96 * rn]
    np.testing.assert_allclose(np.unique(np.round(heights, 9)), np.round(expected, 9))
    assert f"residual noise ({rn:.3g} nV)" in words_of(ax)


def test_the_band_is_said_to_be_pointwise(bench, words_of) -> None:
    for ax in (
        plot_combined(bench.level(bench.average(), bench.average())),
        plot_recording(bench.measured(bench.recording(bench.buffers()))),
    ):
        assert "Band: at each point by itself." in words_of(ax)


def test_without_residual_noise_there_is_a_word_and_no_band(bench, words_of) -> None:
    ax = plot_combined(bench.level(bench.average()))
    assert "Residual noise not known: no band." in words_of(ax)
    assert not [one for one in ax.collections if isinstance(one, PolyCollection)]
    assert "RN not known" in words_of(plot_replicates([bench.level(bench.average())]))


def test_combined_is_bold_and_its_parts_thin(bench, lines_named) -> None:
    level = bench.level(bench.average(), bench.average())
    ax = plot_combined(level)
    (bold,) = lines_named(ax, "combined trace")
    np.testing.assert_array_equal(bold.get_ydata(), level.combined.trace_nv)
    parts = [lines_named(ax, f"trace {label}")[0] for label in "12"]
    for line, trace in zip(parts, level.traces, strict=False):
        np.testing.assert_array_equal(line.get_ydata(), trace.trace_nv)
        assert line.get_linewidth() < bold.get_linewidth() / 1.5
    assert parts[0].get_linestyle() != parts[1].get_linestyle()


def test_windows_are_shown(bench, lines_named, words_of) -> None:
    ax = plot_combined(bench.level(bench.average()))
    (response,) = lines_named(ax, "response window")
    assert tuple(response.get_xdata()) == (5, 15)
    (v_window,) = ax.patches
    assert (v_window.get_x(), v_window.get_x() + v_window.get_width()) == (5.5, 11)
    assert "window for wave V, 5.5 to 11 ms" in words_of(ax)


@pytest.mark.parametrize("ear", ["right", "left", "other"])
def test_the_ear_has_its_colour_and_the_second_trace_its_style(bench, lines_named, ear) -> None:
    condition = Condition(ear, "insert", "click", level_db_nhl=40.0)
    ax = plot_replicates([bench.level(bench.average(), bench.average(), condition=condition)])
    first, second = lines_named(ax, "trace 1")[0], lines_named(ax, "trace 2")[0]
    assert first.get_color() == EAR_COLOURS[ear]
    assert first.get_linestyle() == "-"
    assert second.get_linestyle() == "--"


def test_the_stimulus_is_drawn_where_the_data_begin_before_it(bench, words_of) -> None:
    early = replace(bench.axis, start_ms=-10.0, n_samples=420)
    level = bench.level(bench.average(axis=early), bench.average(axis=early))
    recording = bench.recording(bench.buffers(axis=early))
    for ax in (plot_combined(level), plot_replicates([level]), plot_buffers(recording)):
        assert any(list(line.get_xdata()) == [0, 0] for line in ax.lines)
        assert "Dotted line: stimulus." in words_of(ax)
    assert "stimulus" not in words_of(plot_combined(bench.level(bench.average())))


def test_the_scale_bar_is_as_long_as_it_says(bench, lines_named) -> None:
    for ax in (
        plot_replicates(bench.series(60, 40)),
        plot_buffers(bench.recording(bench.buffers())),
    ):
        (bar,) = lines_named(ax, "scale bar")
        length = abs(np.diff(bar.get_ydata())[0])
        assert f"{length:g} nV" in [text.get_text() for text in ax.texts]
        assert bar.get_xdata()[0] > bench.axis.stop_ms


def test_what_levels_share_is_in_the_title_and_what_differs_beside_them(bench, words_of) -> None:
    def levels(*maskings):
        return [
            bench.level(
                bench.average(),
                condition=Condition(
                    "left", "bone", "click", level_db_nhl=30.0 + n, masking_db=masking
                ),
            )
            for n, masking in enumerate(maskings)
        ]

    ax = plot_replicates(levels("none", 40.0))
    title = next(text for text in ax.texts if text.get_text().startswith("left ear"))
    assert "masked" not in title.get_text()
    assert "masking 40 dB" in words_of(ax)
    assert "left ear, click, unmasked, bone" in words_of(plot_replicates(levels("none", "none")))


def test_levels_that_do_not_belong_together_are_refused(bench) -> None:
    right = bench.series(60)
    left = bench.series(60, condition=Condition("left", "insert", "click"))
    chirp = bench.series(60, condition=Condition("right", "insert", "broadband-chirp"))
    for other in (left, chirp):
        with pytest.raises(DataError, match="one ear and one stimulus; given are right ear, click"):
            plot_replicates([*right, *other])
    with pytest.raises(DataError, match="9 levels given; one picture holds 1 to 8"):
        plot_replicates(right * 9)
    with pytest.raises(DataError, match="0 levels given"):
        plot_replicates([])


def test_a_level_without_a_trace_tells_why(bench, words_of) -> None:
    level = bench.level(bench.average())
    empty = replace(level, traces=(), marks={}, faults=("replicates differ in time",))
    assert "no trace: replicates differ in time" in words_of(plot_replicates([level, empty]))
    with pytest.raises(DataError, match="has no combined trace: replicates differ in time"):
        plot_combined(empty)


def test_levels_without_any_trace_are_told_in_their_order(bench, lines_named) -> None:
    levels = [
        replace(level, traces=(), marks={}, faults=faults, notes=notes)
        for level, faults, notes in zip(
            bench.series(20, 60, 40), (("a",), (), ()), (("b",), ("c",), ()), strict=True
        )
    ]
    ax = plot_replicates(levels)
    heights = {text.get_text(): text.xy[1] for text in ax.texts}
    for level, words in (
        ("60 dB nHL", "no trace: c"),
        ("40 dB nHL", "no trace: nothing could be combined"),
        ("20 dB nHL", "no trace: a; b"),
    ):
        assert heights[level] == heights[words]
    assert heights["60 dB nHL"] > heights["40 dB nHL"] > heights["20 dB nHL"]
    assert not lines_named(ax, "scale bar")
    with pytest.raises(DataError, match="25 to 100"):
        plot_replicates(levels, nv_per_ms=0.0)


def test_why_there_is_no_trace_stays_in_axes_of_the_caller(bench) -> None:
    level, other = bench.series(60, 40)
    empty = replace(other, traces=(), marks={}, faults=("one reason after another " * 9,))
    for levels in ([level, empty], [empty]):
        figure = Figure(figsize=(10, 4), layout="constrained")
        canvas = FigureCanvasAgg(figure)
        axes = figure.subplots(1, 3)
        plot_replicates(levels, ax=axes[0])
        canvas.draw()
        (why,) = [text for text in axes[0].texts if text.get_text().startswith("no trace")]
        box = Text.get_window_extent(why, canvas.get_renderer())
        assert box.x1 <= axes[0].get_position(original=True).x1 * figure.bbox.width + 1


@pytest.mark.parametrize(
    ("rn_nv", "words"),
    [
        (16.04, "RN 16.0 nV"),
        (71_823.4, "RN 71800 nV"),
        (1.1234e7, "RN 1.12e7 nV"),
        (4e12, "RN 4e12 nV"),
    ],
)
def test_a_residual_noise_of_any_size_keeps_its_unit(bench, rn_nv, words) -> None:
    level = bench.level(bench.average(), bench.average())
    noise = replace(level.combined.noise, rn_nv=rn_nv)
    traces = tuple(
        replace(trace, noise=noise) if trace is level.combined else trace for trace in level.traces
    )
    ax = plot_replicates([replace(level, traces=traces)])
    assert words in [text.get_text() for text in ax.texts]


def test_buffers_lie_about_zero_and_half_their_difference_below(bench, lines_named) -> None:
    data = bench.buffers()
    ax = plot_buffers(bench.recording(data))
    a, b, difference = (lines_named(ax, name)[0] for name in ("A", "B", "(A \u2212 B)/2"))
    middle = np.median(np.concatenate([data.a_nv, data.b_nv]))
    np.testing.assert_allclose(a.get_ydata(), data.a_nv - middle)
    np.testing.assert_allclose(b.get_ydata(), data.b_nv - middle)
    half = (data.a_nv - data.b_nv) / 2
    offset = difference.get_ydata() - half
    assert np.ptp(offset) < 1e-9
    assert difference.get_ydata().max() < min(a.get_ydata().min(), b.get_ydata().min())
    assert a.get_linestyle() != b.get_linestyle()


def test_buffers_of_unequal_counts_are_scaled_and_say_so(bench, lines_named, words_of) -> None:
    data = bench.buffers(counts=(1500, 500))
    ax = plot_buffers(bench.recording(data))
    drawn = lines_named(ax, "(A \u2212 B)/2")[0].get_ydata()
    # Noise of the average: sqrt(n_a n_b) / (n_a + n_b) of the difference, 0.433 instead of 0.5.
    share = np.std(drawn) / np.std(data.a_nv - data.b_nv)
    assert share == pytest.approx(np.sqrt(1500 * 500) / 2000)
    assert "A holds 1500 sweeps and B 500" in words_of(ax)


def test_what_holds_no_buffers_is_refused(bench) -> None:
    with pytest.raises(DataError, match="'x' holds average; this picture needs buffers A and B"):
        plot_buffers(bench.recording(bench.average(), "x"))
    with pytest.raises(DataError, match="file is empty"):
        plot_buffers(bench.recording(None, "x", problem="file is empty"))


def test_a_recording_is_drawn_with_its_own_noise(bench, lines_named, words_of) -> None:
    data = bench.buffers()
    measured = bench.measured(bench.recording(data, "first run", v_ms=7.5))
    ax = plot_recording(measured)
    (average,) = lines_named(ax, "average")
    np.testing.assert_allclose(average.get_ydata(), (data.a_nv + data.b_nv) / 2)
    assert f"residual noise ({measured.noise.rn_nv:.3g} nV)" in words_of(ax)
    assert "first run: right ear, click, 40 dB nHL" in words_of(ax)
    assert [line.get_xdata()[0] for line in marker(ax, "V")] == [7.5]
