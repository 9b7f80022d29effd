"""Level series: one choice for all levels, and words where marks break the order of levels."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from waveworks.dsp.peaks import Marks
from waveworks.measures.final_traces import final_traces
from waveworks.measures.levels import measure_levels
from waveworks.measures.marks import MarkMeasure, Suggestion
from waveworks.measures.pooling import noise_only_traces
from waveworks.measures.series import SeriesLevel, order_notes
from waveworks.model import (
    Average,
    Blocks,
    Buffers,
    Condition,
    Session,
    SessionInfo,
    Sweeps,
    TimeAxis,
)
from waveworks.settings import ExpectedWave, default_settings
from waveworks.simulate.noise import simulate_average, simulate_noise
from waveworks.simulate.response import response, true_v_ms

AXIS = TimeAxis(12_000.0, 0.0, 300)


def condition(level_db, **change):
    cells = {
        "ear": "right",
        "transducer": "insert",
        "stimulus": "narrowband-chirp",
        "frequency_hz": 4000.0,
        "level_db_nhl": level_db,
    }
    return Condition(**(cells | change))


def level(level_db, *, expected=None, **change):
    return SeriesLevel(
        condition=condition(level_db, **change),
        expected=expected,
        combined=None,
        suggestion=Suggestion(Marks()),
    )


def mark(v_ms, amplitude_nv=100.0, se_nv=10.0, **more):
    return MarkMeasure(
        v_ms=v_ms, v_sn10_nv=amplitude_nv, v_sn10_se_nv=se_nv, marks_from="clinician", **more
    )


# --- the order of levels -------------------------------------------------------------------------


def test_marks_in_order_need_no_word():
    levels = [level(db) for db in (60, 50, 30)]
    found = order_notes(levels, [mark(7.6, 160), mark(8.1, 107), mark(9.1, 60)])
    assert found == ((), (), ())


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1)])
def test_a_wave_that_comes_earlier_at_a_lower_level_is_told(order):
    levels = [level(db) for db in (60, 50, 40)]
    marks = [mark(8.0, 160), mark(7.2, 107), mark(7.9, 71)]
    found = order_notes([levels[i] for i in order], [marks[i] for i in order])
    notes = {levels[i].condition.level_db: note for i, note in zip(order, found, strict=True)}
    assert notes[60] == notes[40] == ()
    (words,) = notes[50]
    assert "0.80 ms earlier than at 60 dB nHL" in words


def test_a_step_that_is_too_long_is_told_with_the_usual_one():
    levels = [level(60), level(40)]
    ((), (words,)) = order_notes(levels, [mark(7.6, 160), mark(10.0, 71)])
    assert "2.40 ms later than at 60 dB nHL; up to 2 ms is usual" in words
    wide = ExpectedWave(
        stimulus="narrowband-chirp",
        level_db_nhl=(60.0,),
        v_ms=(7.6,),
        slope_ms_per_db=-0.05,
        step_ms_per_10_db=(0.1, 1.5),
        source="invented",
    )
    levels = [level(60, expected=wide), level(40, expected=wide)]
    assert order_notes(levels, [mark(7.6, 160), mark(10.0, 71)]) == ((), ())


@pytest.mark.parametrize(("v_ms", "told"), [(7.05, False), (6.95, True)])
def test_a_step_that_may_lead_earlier_grows_with_the_levels_between(v_ms, told):
    """0.4 ms earlier for 10 dB is usual here: 0.8 ms for 20 dB, and 0.2 ms of slack."""
    row = ExpectedWave(
        stimulus="narrowband-chirp",
        level_db_nhl=(60.0,),
        v_ms=(8.0,),
        slope_ms_per_db=-0.05,
        step_ms_per_10_db=(-0.4, 1.0),
        source="invented",
    )
    levels = [level(60, expected=row), level(40, expected=row)]
    found = order_notes(levels, [mark(8.0, 160), mark(v_ms, 71)])
    assert ["earlier" in note for note in found[1]] == [True] * told


def test_without_standard_errors_the_slack_is_a_fifth_of_a_millisecond():
    levels = [level(60), level(50)]
    for step_ms, words in ((-0.19, None), (-0.21, "earlier"), (1.19, None), (1.21, "later")):
        found = order_notes(levels, [mark(8.0, 100), mark(8.0 + step_ms, 90)])[1]
        assert len(found) == (words is not None)
        assert all(words in note for note in found)


def test_an_amplitude_whose_noise_nobody_knows_is_not_said_to_grow():
    levels = [level(60), level(50)]
    assert order_notes(levels, [mark(8.0, 50), mark(8.5, 90, math.nan)]) == ((), ())
    assert "40 nV larger" in order_notes(levels, [mark(8.0, 50), mark(8.5, 90)])[1][0]


def test_a_clinicians_amplitude_has_the_noise_of_two_points(make_recording):
    """Blocks of SD 50 nV, 25 of them: 10 nV in the trace, 14.1 in a difference of two points,
    20 between two levels; twice that is slack."""
    rng = np.random.default_rng(5)
    noise_only = make_recording(Blocks(50 * rng.standard_normal((25, 300)), None, AXIS))
    (combined_trace,) = (
        trace for trace in final_traces([noise_only], (0.0, 25.0)) if trace.label == "combined"
    )
    levels = [replace(level(db), combined=combined_trace) for db in (60, 50)]
    rn_nv = combined_trace.noise.rn_nv
    assert rn_nv == pytest.approx(10, rel=0.1)
    for times_rn, told in ((3.9, False), (4.1, True)):
        marks = [mark(7.6, 100.0, math.nan), mark(8.1, 100.0 + times_rn * rn_nv, math.nan)]
        assert bool(order_notes(levels, marks)[1]) is told


def test_an_amplitude_that_grows_beyond_its_noise_is_told():
    levels = [level(60), level(50)]
    assert order_notes(levels, [mark(7.6, 100), mark(8.1, 127)]) == ((), ())  # 2 x 14.1 nV
    ((), (words,)) = order_notes(levels, [mark(7.6, 100), mark(8.1, 140)])
    assert "40 nV larger than at 60 dB nHL" in words


def test_uncertain_latencies_are_given_their_slack():
    levels = [level(60), level(50)]
    early = [mark(8.0), mark(7.5, 90)]
    assert order_notes(levels, early)[1] != ()
    unsure = [replace(one, v_se_ms=0.3) for one in early]
    assert order_notes(levels, unsure)[1] == ()


def test_levels_are_compared_within_their_series_only():
    """Another ear, and dB eHL beside dB nHL."""
    others = [level(50, ear="left"), level(None, level_db_ehl=50.0)]
    found = order_notes([level(60), *others], [mark(9.0), mark(7.0), mark(7.0)])
    assert found == ((), (), ())
    both = order_notes(
        [level(None, level_db_ehl=60.0), level(None, level_db_ehl=50.0)], [mark(9.0), mark(7.0)]
    )
    assert "60 dB eHL" in both[1][0]


def test_levels_without_a_mark_and_equal_levels_are_passed_over():
    levels = [level(60), level(50), level(50, masking_db=40.0), level(40)]
    marks = [mark(8.0), MarkMeasure(), mark(8.4, 90), mark(7.5, 80)]
    found = order_notes(levels, marks)
    assert found[:3] == ((), (), ())
    assert "earlier than at 50 dB nHL" in found[3][0]
    assert order_notes(levels[1:3], [mark(9.0), mark(8.0)]) == ((), ())


def test_each_of_two_equal_levels_is_held_against_the_level_above():
    """Unmasked and masked, in either order."""
    levels = [level(60), level(50), level(50, masking_db=40.0)]
    for order in ((0, 1, 2), (2, 1, 0)):
        marks = [mark(9.0), mark(8.0, 90), mark(8.1, 90)]
        found = order_notes([levels[i] for i in order], [marks[i] for i in order])
        told = {i: bool(note) for i, note in zip(order, found, strict=True)}
        assert told == {0: False, 1: True, 2: True}


# --- noise-only traces ---------------------------------------------------------------------------


@pytest.fixture
def noise_of(make_recording):
    """`noise_of(waveforms, ...)`: the noise-only traces of recordings that hold them."""
    return lambda *held: noise_only_traces([make_recording(waveforms) for waveforms in held])


def test_blocks_of_sweeps_have_the_power_of_the_noise_in_the_average(noise_of):
    """White noise of SD 800 nV: 800^2 / 1200 for all sweeps together."""
    sweeps = simulate_noise("W", 1200, seed=1)
    traces = noise_of(Sweeps(sweeps[:500], AXIS), Sweeps(sweeps[500:], AXIS))
    assert traces.shape == (60, 300)
    assert np.mean(traces**2) == pytest.approx(800**2 / 1200, rel=0.03)


def test_unequal_blocks_have_it_too(noise_of):
    counts = np.array([100, 50, 25, 25] * 5)
    rng = np.random.default_rng(2)
    blocks = rng.standard_normal((20, 300)) * 800 / np.sqrt(counts)[:, np.newaxis]
    traces = noise_of(Blocks(blocks, tuple(int(n) for n in counts), AXIS))
    assert np.mean(traces**2) == pytest.approx(800**2 / counts.sum(), rel=0.05)


def test_deviations_of_blocks_worked_out_exactly(noise_of):
    """Blocks that are unit vectors show the weights W of the deviations. Noise of variance 1 in a
    sweep has 1 / n in a block, so W diag(1 / n) W' must have 1 / N on its diagonal on average, and
    a response, equal in all blocks, must leave nothing."""
    counts = np.array([100, 50, 25, 25] * 3)
    axis = TimeAxis(12_000.0, 0.0, len(counts))
    unit_vectors = np.eye(len(counts))
    weights = noise_of(Blocks(unit_vectors, tuple(int(n) for n in counts), axis))
    covariance = weights @ np.diag(1 / counts) @ weights.T
    assert np.trace(covariance) / len(counts) == pytest.approx(1 / counts.sum())
    np.testing.assert_allclose(weights.sum(axis=1), 0, atol=1e-15)


def test_buffers_worked_by_hand(noise_of):
    """(1 - 0) / 2 of 200 sweeps of 300, and of 60 and 40 sweeps sqrt(2400) / 100, of 100 of 300."""
    axis = TimeAxis(12_000.0, 0.0, 16)
    ones, zeros = np.ones(16), np.zeros(16)
    traces = noise_of(Buffers(ones, zeros, 100, 100, axis), Buffers(zeros, ones, 60, 40, axis))
    np.testing.assert_allclose(traces[0], 0.5 * math.sqrt(2 / 3))
    np.testing.assert_allclose(traces[1], -math.sqrt(2400) / 100 * math.sqrt(1 / 3))
    unknown = noise_of(Buffers(ones, zeros, None, None, axis), Buffers(zeros, ones, 60, 40, axis))
    np.testing.assert_allclose(np.abs(unknown), 0.5 * math.sqrt(1 / 2))


def test_buffers_give_one_trace_a_recording(noise_of):
    counts = ((900, 900), (400, 200), (1000, 1000))
    rng = np.random.default_rng(3)
    squares = []
    for _ in range(60):
        pairs = [
            Buffers(
                rng.standard_normal(300) * 800 / math.sqrt(n_a),
                rng.standard_normal(300) * 800 / math.sqrt(n_b),
                n_a,
                n_b,
                AXIS,
            )
            for n_a, n_b in counts
        ]
        traces = noise_of(*pairs)
        assert traces.shape == (3, 300)
        squares.append(np.mean(traces**2))
    assert np.mean(squares) == pytest.approx(800**2 / 4400, rel=0.03)


def test_few_sweeps_give_half_their_difference_and_averages_nothing(noise_of):
    sweeps = simulate_noise("W", 40, seed=4)
    (half,) = noise_of(Sweeps(sweeps, AXIS))
    np.testing.assert_allclose(half, (sweeps[::2].mean(axis=0) - sweeps[1::2].mean(axis=0)) / 2)
    averages = [Average(sweep, 10, AXIS) for sweep in sweeps[:2]]
    assert noise_of(*averages).shape == (0, 300)


# --- a session -----------------------------------------------------------------------------------


@pytest.fixture
def measured(make_recording):
    """`measured({level: (latency, amplitude)})`: levels of two averages each, by level."""

    def make(truth, *, settings=None, seed=1, sn10_ms=math.nan, v_ms=None, **cells):
        rng = np.random.default_rng(seed)
        recordings = []
        for level_db, (latency_ms, amplitude_nv) in truth.items():
            pair = simulate_average("Q33", 1500, 2, seed=rng)
            pair += response(AXIS.times_ms, latency_ms, amplitude_nv)
            recordings += [
                make_recording(
                    Average(trace, 1500, AXIS),
                    f"{level_db}-{number}",
                    condition=condition(level_db, **cells),
                    v_ms=math.nan if v_ms is None else v_ms[level_db],
                    sn10_ms=sn10_ms,
                )
                for number, trace in enumerate(pair)
            ]
        session = Session(folder=Path(), info=SessionInfo("s"), recordings=tuple(recordings))
        levels = measure_levels(session, settings or default_settings())
        return {level.condition.level_db_nhl: level for level in levels}

    return make


def combined(level):
    return level.marks["combined"]


def test_averages_alone_get_marks_from_their_difference(measured):
    levels = measured({60.0: (7.6, 160.0)})
    found = combined(levels[60.0])
    assert found.marks_from == "suggested"
    assert abs(found.v_ms - 7.55) < 3 * found.v_se_ms
    assert "replicates less their mean" in found.method


def test_the_window_is_narrowed_to_what_is_expected_at_the_level(measured):
    """Chirp at 4 kHz: 9.64 ms at 7 dB nHL, 0.035 ms a dB, 2.5 ms either way; V window 6.5 to 12."""
    levels = measured({57.0: (7.6, 160.0), 17.0: (9.0, 160.0)})
    assert combined(levels[57.0]).searched_ms == pytest.approx((6.5, 7.89 + 2.5), abs=0.01)
    assert combined(levels[17.0]).searched_ms == pytest.approx((9.29 - 2.5, 9.29 + 2.5), abs=0.01)
    assert not any("searched" in note for note in levels[57.0].notes)


def test_a_window_by_hand_is_searched_whole(measured):
    by_hand = default_settings().override(v_ms=(6.5, 13.0))
    levels = measured({60.0: (7.6, 160.0)}, settings=by_hand)
    assert combined(levels[60.0]).searched_ms == pytest.approx((6.5, 13.0))


def test_without_a_row_the_whole_window_is_searched_and_a_note_says_so(measured):
    bare = replace(default_settings(), expectations=())
    level_ = measured({60.0: (7.6, 160.0)}, settings=bare)[60.0]
    assert combined(level_).searched_ms == pytest.approx((6.5, 12.0))
    assert any("the whole V window is searched" in note for note in level_.notes)


def test_an_expectation_outside_the_v_window_gives_way(measured):
    far = replace(default_settings().expectations[0], stimulus="narrowband-chirp")
    far = replace(far, frequency_hz=4000.0, v_ms=(30.0, 29.0))
    settings = replace(default_settings(), expectations=(far,))
    level_ = measured({60.0: (7.6, 160.0)}, settings=settings)[60.0]
    assert combined(level_).searched_ms == pytest.approx((6.5, 12.0))
    assert any("outside the V window" in note for note in level_.notes)


def test_levels_of_a_series_help_each_other(measured):
    """A weak lower level is found nearer to the truth under a clear one than by itself."""
    truth = {60.0: (7.6, 160.0), 50.0: (8.1, 50.0)}
    off = []
    for seed in range(8):
        both = combined(measured(truth, seed=seed)[50.0])
        rng = np.random.default_rng(seed)
        simulate_average("Q33", 1500, 2, seed=rng)  # the upper level's
        alone = combined(measured({50.0: truth[50.0]}, seed=rng)[50.0])
        off.append([abs(one.others[0].v_ms - true_v_ms(8.1)) for one in (both, alone)])
    assert np.mean(off, axis=0)[0] < 0.8 * np.mean(off, axis=0)[1]


def test_a_clinicians_marks_stand_and_their_disorder_is_told(measured):
    truth = {60.0: (7.6, 160.0), 50.0: (8.1, 107.0)}
    placed = {60.0: 9.0, 50.0: 7.4}
    levels = measured(truth, v_ms=placed, sn10_ms=12.0)
    assert {db: combined(one).v_ms for db, one in levels.items()} == pytest.approx(placed)
    assert any("1.60 ms earlier than at 60 dB nHL" in note for note in levels[50.0].notes)
    assert not any("earlier" in note for note in levels[60.0].notes)


def test_a_clinicians_mark_outside_the_v_window_is_told(measured):
    level_ = measured({60.0: (7.6, 160.0)}, v_ms={60.0: 4.0})[60.0]
    assert any("V mark at 4 ms is not in the V window, 6.5 to 12 ms" in n for n in level_.notes)


def test_a_suggestion_says_nothing_against_a_clinician() -> None:
    levels = [level(60), level(50), level(40)]
    placed = [replace(mark(v), marks_from="clinician") for v in (7.0, 9.0)]
    suggested = replace(mark(9.5), marks_from="suggested")
    found = order_notes(levels, [placed[0], suggested, placed[1]])
    assert found[2] == ()
    # Between suggestions, and of a suggestion against a clinician's mark, it is told.
    other = replace(mark(6.0), marks_from="suggested")
    assert order_notes(levels[:2], [placed[0], other])[1]
    assert order_notes(levels[1:], [suggested, other])[1]


@pytest.mark.parametrize(("v_ms", "sn10_ms"), [(40.0, 44.0), (12.0, 11.0)])
def test_a_mark_that_cannot_be_says_nothing_of_the_level_below(
    make_recording, v_ms, sn10_ms
) -> None:
    runs = [make_recording(Average(np.zeros(300), 1000, AXIS), f"r{i}") for i in range(2)]
    combined = final_traces(runs, (1.5, math.inf))[-1]  # ends at 25 ms
    levels = [replace(level(db), combined=combined) for db in (40, 30)]
    impossible = replace(mark(v_ms), sn10_ms=sn10_ms, marks_from="clinician")
    below = replace(mark(9.0), marks_from="clinician")
    assert order_notes(levels, [impossible, below])[1] == ()
