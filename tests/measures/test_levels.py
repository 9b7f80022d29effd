"""Final traces, their agreement and their marks."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from waveworks.measures.final_traces import final_traces, group_members
from waveworks.measures.levels import measure_levels
from waveworks.model import (
    Average,
    Buffers,
    Recording,
    Session,
    SessionInfo,
    Sweeps,
    TimeAxis,
)
from waveworks.settings import default_settings
from waveworks.simulate.noise import simulate_average
from waveworks.simulate.response import response, true_sn10_ms, true_v_ms

AXIS = TimeAxis(12000.0, 0.0, 300)
WINDOW = (1.5, math.inf)
SETTINGS = default_settings()


def session_of(*recordings: Recording) -> Session:
    return Session(folder=Path(), info=SessionInfo("s"), recordings=recordings)


@pytest.fixture
def averages(make_recording, rng):
    def make(n: int, **fields):
        return [
            make_recording(Average(rng.normal(0, 20, 300), 1000, AXIS), f"r{i + 1}", **fields)
            for i in range(n)
        ]

    return make


@pytest.mark.parametrize(
    ("n", "expected"),
    [
        (1, {"1": ["r1"]}),
        (2, {"1": ["r1"], "2": ["r2"]}),
        (3, {"1": ["r1", "r3"], "2": ["r2"]}),
        (4, {"1": ["r1", "r3"], "2": ["r2", "r4"]}),
        (5, {"1": ["r1", "r3", "r5"], "2": ["r2", "r4"]}),
    ],
)
def test_odd_runs_are_pooled_apart_from_even_ones(averages, n: int, expected) -> None:
    """Four runs: 1st with 3rd, 2nd with 4th (common practice, no source)."""
    found = group_members(averages(n))
    assert {label: [m.name for m in members] for label, members in found.items()} == expected


def test_a_group_wins_over_the_default(averages) -> None:
    runs = [replace(r, group=g) for r, g in zip(averages(4), (1, 1, 2, None), strict=True)]
    found = group_members(runs)
    assert {label: [m.name for m in members] for label, members in found.items()} == {
        "1": ["r1", "r2"],
        "2": ["r3", "r4"],
    }


def test_pooled_averages_count_by_their_sweeps(make_recording, rng) -> None:
    traces = rng.normal(0, 20, (3, 300))
    runs = [
        make_recording(Average(trace, n, AXIS), f"r{i}")
        for i, (trace, n) in enumerate(zip(traces, (1000, 500, 3000), strict=True))
    ]
    one, two, combined = final_traces(runs, WINDOW)
    assert one.trace_nv == pytest.approx(np.average(traces[[0, 2]], axis=0, weights=[1, 3]))
    assert one.weights == (0.25, 0.75)
    assert (one.n_sweeps, two.n_sweeps, combined.n_sweeps) == (4000, 500, 4500)
    assert combined.trace_nv == pytest.approx(np.average(traces, axis=0, weights=[2, 1, 6]))
    assert combined.weighting == "counts"
    # Noise among replicates falls with the square root of the sweeps.
    assert two.noise.rn_nv / combined.noise.rn_nv == pytest.approx(3.0)


def test_sweeps_with_many_degrees_of_freedom_weigh_by_inverse_variance(make_recording, rng) -> None:
    quiet, loud = rng.normal(0, 500, (400, 300)), rng.normal(0, 1000, (400, 300))
    runs = [make_recording(Sweeps(x, AXIS), n) for x, n in ((quiet, "q"), (loud, "l"))]
    *_, combined = final_traces(runs, WINDOW)
    assert combined.weighting == "inverse-variance"
    power = np.array([x[:, 18:].var(axis=0, ddof=1).mean() / 400 for x in (quiet, loud)])
    weights = (1 / power) / (1 / power).sum()
    assert combined.weights == pytest.approx(weights, rel=1e-12)
    assert combined.noise.rn_nv == pytest.approx(math.sqrt(1 / (1 / power).sum()), rel=1e-12)
    assert combined.noise.method == "sweeps"


def test_buffer_pairs_know_too_little_to_be_weights(make_recording, rng) -> None:
    """Below 50 degrees of freedom recordings count by sweeps, and pooled buffers give the noise."""
    pairs = simulate_average("Q33", 1000, 4, seed=5).reshape(2, 2, 300)
    runs = [
        make_recording(Buffers(a, b, 1000, 1000, AXIS), f"r{i}") for i, (a, b) in enumerate(pairs)
    ]
    *_, combined = final_traces(runs, WINDOW)
    assert combined.weighting == "counts"
    assert combined.weights == (0.5, 0.5)
    half = (pairs[:, 0].mean(axis=0) - pairs[:, 1].mean(axis=0))[18:] / 2
    assert combined.noise.rn_nv == pytest.approx(math.sqrt((half**2).mean()), rel=1e-12)
    assert combined.noise.method == "buffers"


def test_data_without_any_noise_break_nothing(make_recording) -> None:
    runs = [make_recording(Sweeps(np.zeros((60, 300)), AXIS), n) for n in "ab"]
    (level,) = measure_levels(session_of(*runs), SETTINGS)
    assert level.combined.noise.rn_nv == 0.0
    assert level.combined.weighting == "counts"
    assert math.isnan(level.pair.r)
    assert level.marks["combined"].marks_from == "none"


def test_marks_count_by_sweeps_even_where_traces_count_by_noise(make_recording, rng) -> None:
    runs = [
        make_recording(Sweeps(rng.normal(0, sd, (200, 300)), AXIS), name, v_ms=v)
        for name, sd, v in (("a", 400, 8.0), ("b", 1600, 8.4))
    ]
    (level,) = measure_levels(session_of(*runs), SETTINGS)
    assert level.combined.weighting == "inverse-variance"
    assert level.marks["combined"].v_ms == pytest.approx(8.2)
    assert any("F counts all sweeps alike" in note for note in level.notes)


def test_the_same_samples_are_never_counted_twice(make_recording, rng) -> None:
    """A copy would halve the noise and make a response of it."""
    sweeps = rng.normal(0, 800, (200, 300))
    runs = [make_recording(Sweeps(sweeps, AXIS), n) for n in "ab"]
    (level,) = measure_levels(session_of(*runs), SETTINGS)
    (alone,) = measure_levels(session_of(runs[0]), SETTINGS)
    assert level.combined.n_sweeps == 200
    assert level.combined.noise.rn_nv == alone.combined.noise.rn_nv
    assert level.detection.fmp == alone.detection.fmp
    assert [r.name for r in level.recordings] == ["a", "b"]
    assert "'b' holds the same samples as 'a' and is counted once" in level.notes


def test_noise_fits_the_weights_where_counts_are_partly_known(make_recording, rng) -> None:
    traces = rng.normal(0, 20, (3, 300))
    runs = [
        make_recording(Average(trace, n, AXIS), f"r{i}")
        for i, (trace, n) in enumerate(zip(traces, (100, None, 1900), strict=True))
    ]
    one, two, combined = final_traces(runs, WINDOW)
    assert one.weights == (0.5, 0.5)
    assert one.weighting == "equal"
    spread = ((traces - traces.mean(axis=0)) ** 2).sum(axis=0)[18:].mean() / 2
    assert one.noise.rn_nv == pytest.approx(math.sqrt(spread / 2), rel=1e-12)
    assert two.noise.rn_nv == pytest.approx(math.sqrt(spread), rel=1e-12)
    assert combined.noise.rn_nv == pytest.approx(math.sqrt(spread / 3), rel=1e-12)
    assert (one.n_sweeps, two.n_sweeps, combined.n_sweeps) == (2000, None, None)


def test_buffers_of_partly_known_size_keep_noise_and_weights_together(make_recording) -> None:
    pairs = simulate_average("Q33", 100, 4, seed=6).reshape(2, 2, 300)
    runs = [
        make_recording(Buffers(*pair, n, n, AXIS), f"r{i}")
        for i, (pair, n) in enumerate(zip(pairs, (100, None), strict=True))
    ]
    *_, combined = final_traces(runs, WINDOW)
    assert combined.weights == (0.5, 0.5)
    power = [(((a - b)[18:] / 2) ** 2).mean() for a, b in pairs]
    assert combined.noise.rn_nv == pytest.approx(math.sqrt(sum(power) / 4), rel=1e-12)
    assert "recordings count equally" in combined.noise.note


def test_an_empty_f_has_its_reason(averages) -> None:
    (level,) = measure_levels(session_of(*averages(2)), SETTINGS)
    assert math.isnan(level.detection.fmp)
    assert any("do not all hold sweeps" in note for note in level.notes)


def test_gap_and_correlation_of_the_pair(make_recording, rng) -> None:
    shape = response(AXIS.times_ms, 8.0, 200.0)
    x, y = shape + rng.normal(0, 10, (2, 300))
    runs = [make_recording(Average(t, 2000, AXIS), n) for t, n in ((x, "x"), (y + 7.0, "y"))]
    (level,) = measure_levels(session_of(*runs), SETTINGS)
    difference = (x - y)[18:]
    expected = np.abs(difference - np.median(difference)).mean()
    assert level.pair.gap_nv == pytest.approx(expected, rel=1e-9)
    response_window = slice(60, 181)  # 5 to 15 ms, the shipped window for clicks
    r = stats.pearsonr(x[response_window], y[response_window]).statistic
    assert level.pair.r == pytest.approx(r, rel=1e-9)
    assert level.pair.lag_ms == 0.0


def test_one_trace_alone_has_no_pair(averages) -> None:
    (level,) = measure_levels(session_of(*averages(1)), SETTINGS)
    assert math.isnan(level.pair.gap_nv)
    assert "one trace only: no replicate agreement" in level.notes
    assert [trace.label for trace in level.traces] == ["1", "combined"]


def test_replicates_that_differ_in_time_are_not_combined(make_recording, rng) -> None:
    short = Average(rng.normal(0, 20, 200), 1000, TimeAxis(12000.0, 0.0, 200))
    runs = [
        make_recording(Average(rng.normal(0, 20, 300), 1000, AXIS), "long"),
        make_recording(short, "short"),
    ]
    (level,) = measure_levels(session_of(*runs), SETTINGS)
    assert level.traces == ()
    (fault,) = level.faults
    assert "replicates 'long' and 'short' differ in time: 300 samples at 12000 Hz" in fault


def test_controls_and_stored_combinations_are_no_replicates(make_recording, averages, rng) -> None:
    runs = averages(2)
    control = make_recording(Average(rng.normal(0, 20, 300), 1000, AXIS), "c", kind="control")
    stored = make_recording(
        Average(rng.normal(0, 20, 300), 2000, AXIS), "s", parts=("r1", "r2"), v_ms=8.0
    )
    (level,) = measure_levels(session_of(*runs, control, stored), SETTINGS)
    assert [r.name for r in level.recordings] == ["r1", "r2"]
    assert level.combined.n_sweeps == 2000


def test_another_channel_is_another_condition(make_recording, averages, rng) -> None:
    first, second = averages(2)
    other = replace(second, condition=replace(second.condition, channel="Cz"))
    levels = measure_levels(session_of(first, other), SETTINGS)
    assert [len(level.recordings) for level in levels] == [1, 1]


def test_clinician_marks_are_averaged_by_sweeps(make_recording, rng) -> None:
    shape = response(AXIS.times_ms, 8.0, 200.0)
    runs = [
        make_recording(Average(shape + offset, n, AXIS), name, v_ms=v, sn10_ms=11.0)
        for name, n, v, offset in (("a", 1000, 8.0, 0.0), ("b", 3000, 8.2, 5.0))
    ]
    (level,) = measure_levels(session_of(*runs), SETTINGS)
    marks = level.marks["combined"]
    assert marks.marks_from == "clinician"
    assert marks.v_ms == pytest.approx(8.15)
    at_v, at_sn10 = np.interp([8.15, 11.0], AXIS.times_ms, shape)
    assert marks.v_sn10_nv == pytest.approx(at_v - at_sn10, rel=1e-9)
    assert level.marks["1"].v_ms == 8.0
    assert not any("V marks" in note for note in level.notes)


def test_marks_far_apart_are_said(make_recording) -> None:
    shape = response(AXIS.times_ms, 8.0, 200.0)
    runs = [
        make_recording(Average(shape + v, 9, AXIS), n, v_ms=v) for n, v in (("a", 8.0), ("b", 8.6))
    ]
    (level,) = measure_levels(session_of(*runs), SETTINGS)
    assert "V marks of the members are 0.60 ms apart" in level.notes
    assert "no SN10 mark: no amplitude" in level.notes
    assert math.isnan(level.marks["combined"].v_sn10_nv)


def test_a_stored_combination_gives_the_marks_of_the_combined_trace(make_recording) -> None:
    shape = response(AXIS.times_ms, 8.0, 200.0)
    runs = [make_recording(Average(shape, 9, AXIS), n, v_ms=7.0) for n in "ab"]
    stored = make_recording(Average(shape, 18, AXIS), "s", parts=("a", "b"), v_ms=8.0, sn10_ms=11.0)
    (level,) = measure_levels(session_of(*runs, stored), SETTINGS)
    assert level.marks["combined"].v_ms == 8.0
    assert level.marks["1"].v_ms == 7.0


def test_a_mark_outside_the_data_gives_no_amplitude(make_recording) -> None:
    shape = response(AXIS.times_ms, 8.0, 200.0)
    run = make_recording(Average(shape, 9, AXIS), "a", v_ms=8.0, sn10_ms=80.0)
    (level,) = measure_levels(session_of(run), SETTINGS)
    assert math.isnan(level.marks["combined"].v_sn10_nv)
    assert any("mark at 80 ms is not inside the data" in note for note in level.notes)


def test_sn10_before_v_gives_no_amplitude(make_recording) -> None:
    shape = np.linspace(0, 100, 300)
    run = make_recording(Average(shape, 9, AXIS), "a", v_ms=9.5, sn10_ms=7.0)
    (level,) = measure_levels(session_of(run), SETTINGS)
    assert math.isnan(level.marks["combined"].v_sn10_nv)
    assert "SN10 mark at 7 ms is not after V at 9.5 ms: no amplitude" in level.notes


def test_a_mark_outside_the_data_does_not_count_beside_one_inside(make_recording) -> None:
    shape = np.linspace(0, 100, 300)
    runs = [
        make_recording(Average(shape + i, 9, AXIS), f"r{i}", v_ms=v_ms, sn10_ms=v_ms + 3)
        for i, v_ms in enumerate((8.0, 30.0, 9.0))
    ]
    (level,) = measure_levels(session_of(*runs), SETTINGS)
    assert level.marks["combined"].v_ms == pytest.approx(8.5)
    assert level.marks["combined"].sn10_ms == pytest.approx(11.5)


def test_a_clinicians_marks_get_errors_and_the_amplitude_of_the_fitted_shape(
    make_recording,
) -> None:
    """200 nV, wave V placed where it is: one value within its own four standard errors."""
    noise = simulate_average("Q33", 1500, 2, seed=8)
    shape = response(AXIS.times_ms, 8.0, 200.0)
    v_ms, sn10_ms = true_v_ms(8.0), true_sn10_ms(8.0)
    runs = [
        make_recording(Average(shape + n, 1500, AXIS), f"r{i}", v_ms=v_ms, sn10_ms=sn10_ms)
        for i, n in enumerate(noise)
    ]
    (level,) = measure_levels(session_of(*runs), SETTINGS)
    marks = level.marks["combined"]
    assert marks.marks_from == "clinician"
    assert marks.v_ms == pytest.approx(v_ms)
    assert math.isnan(marks.v_se_ms)
    assert 5 < marks.v_sn10_corrected_se_nv < 40
    assert abs(marks.v_sn10_corrected_nv - 200) < 4 * marks.v_sn10_corrected_se_nv
    assert 5 < marks.v_sn10_se_nv < 60


def test_each_members_mark_is_held_against_window_and_data(make_recording) -> None:
    """30 and -3 ms have a mean of 13.5 ms, in the data."""
    shape = np.linspace(0, 100, 300)
    runs = [
        make_recording(Average(shape + i, 9, AXIS), f"r{i}", v_ms=v_ms, sn10_ms=15.0)
        for i, v_ms in enumerate((30.0, -3.0))
    ]
    (level,) = measure_levels(session_of(*runs), SETTINGS)
    assert math.isnan(level.marks["combined"].v_sn10_nv)
    for v in ("30", "-3"):
        assert f"mark at {v} ms is not inside the data, 0 to 24.9167 ms" in level.notes
        assert any(f"V mark at {v} ms is not in the V window" in note for note in level.notes)


def test_a_clear_response_is_suggested_near_the_truth(make_recording) -> None:
    noise = simulate_average("Q33", 1500, 2, seed=8)
    shape = response(AXIS.times_ms, 8.0, 300.0)
    runs = [make_recording(Average(shape + n, 1500, AXIS), f"r{i}") for i, n in enumerate(noise)]
    (level,) = measure_levels(session_of(*runs), SETTINGS)
    marks = level.marks["combined"]
    assert marks.marks_from == "suggested"
    # The bound at 300 nV is 0.043 ms; a plain maximum is up to three times as far off.
    assert marks.v_ms == pytest.approx(true_v_ms(8.0), abs=0.3)
    assert level.marks["1"].v_ms == marks.v_ms
    trace = level.traces[0].trace_nv
    at_v, at_sn10 = np.interp([marks.v_ms, marks.sn10_ms], AXIS.times_ms, trace)
    assert level.marks["1"].v_sn10_nv == pytest.approx(at_v - at_sn10)


def test_a_stimulus_without_a_v_window_is_not_searched(make_recording, averages) -> None:
    runs = [
        replace(r, condition=replace(r.condition, stimulus="other", level_db_nhl=None))
        for r in averages(2)
    ]
    (level,) = measure_levels(session_of(*runs), SETTINGS)
    assert level.marks["combined"].marks_from == "none"
    assert "no marks: the settings give this stimulus no V window" in level.notes


@pytest.mark.parametrize("levels_db", [(60.0,), (60.0, 50.0)])
def test_a_v_window_outside_the_data_is_a_fault_of_the_level(averages, levels_db) -> None:
    settings = SETTINGS.override(v_ms=(30.0, 40.0))
    runs = [
        replace(run, condition=replace(run.condition, level_db_nhl=db), name=f"{db}-{run.name}")
        for db in levels_db
        for run in averages(2)
    ]
    levels = measure_levels(session_of(*runs), settings)
    assert len(levels) == len(levels_db)
    for level in levels:
        assert level.faults == (
            "no marks: V window 30 to 40 ms is not inside the data, 0 to 24.9167 ms",
        )
        assert level.marks["combined"].marks_from == "none"


def test_an_unusable_replicate_stays_in_the_row(averages) -> None:
    first, second = averages(2)
    broken = replace(second, waveforms=None, problem="x.csv: broken")
    (level,) = measure_levels(session_of(first, broken), SETTINGS)
    assert [r.name for r in level.recordings] == ["r1", "r2"]
    assert "'r2' could not be used" in level.notes
    (empty,) = measure_levels(session_of(broken), SETTINGS)
    assert empty.traces == ()
