"""What the pictures need agrees with the numbers beside them."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from waveworks.measures.level_views import level_progress, noise_density, pair_view
from waveworks.measures.levels import measure_levels
from waveworks.model import Average, Blocks, Buffers, Session, SessionInfo, Sweeps, TimeAxis
from waveworks.settings import default_settings
from waveworks.simulate.noise import simulate_noise
from waveworks.simulate.response import response

AXIS = TimeAxis(12000.0, 0.0, 300)
SETTINGS = default_settings()
WAVE = response(AXIS.times_ms, 8.5, 120.0)


def level_of(*recordings, settings=SETTINGS):
    session = Session(folder=Path(), info=SessionInfo("s"), recordings=recordings)
    (level,) = measure_levels(session, settings)
    return level


@pytest.fixture
def sweeps():
    return simulate_noise("Q33", 1500, seed=21, independent=True) + WAVE


@pytest.fixture
def level(make_recording, sweeps):
    halves = [Sweeps(sweeps[:800], AXIS), Sweeps(sweeps[800:], AXIS)]
    return level_of(*(make_recording(half, f"r{n}") for n, half in enumerate(halves)))


def test_the_end_of_the_growth_is_the_number_of_the_level(level):
    progress = level_progress(level)
    assert progress.evidence == "sweeps"
    assert progress.growth.n_sweeps.tolist() == list(range(100, 1600, 100))
    assert math.isclose(progress.growth.fmp[-1], level.detection.fmp, rel_tol=1e-9)
    # The combined trace may weigh its members; all its sweeps alike give nearly the same noise.
    assert math.isclose(progress.growth.rn_nv[-1], level.combined.noise.rn_nv, rel_tol=0.02)


def test_the_course_ends_near_the_marks(level):
    course = level_progress(level).course
    marks = level.marks["combined"]
    assert course.n_sweeps[-1] == 1500
    assert abs(course.v_ms[-1] - marks.v_ms) < 0.15  # the suggestion smooths, the course does not
    assert abs(course.sn10_ms[-1] - marks.sn10_ms) < 1.0


def test_weights_cover_all_sweeps_in_about_twenty_blocks(level):
    progress = level_progress(level)
    assert progress.n_per_block == 75
    assert progress.weighted.weights.size == 20
    assert math.isclose(progress.weighted.weights.sum(), 1.0)


def test_blocks_are_counted_in_sweeps(make_recording, sweeps):
    blocks = sweeps.reshape(30, 50, 300).mean(axis=1)
    progress = level_progress(level_of(make_recording(Blocks(blocks, (50,) * 30, AXIS))))
    assert progress.evidence == "blocks"
    assert progress.growth.n_sweeps.tolist() == list(range(100, 1600, 100))
    assert progress.settling.step == 100
    assert progress.settling.n_sweeps[-1] == 1500
    assert progress.weighted is None


@pytest.mark.parametrize("counts", [None, (50, 60)])
def test_unequal_or_unknown_blocks_have_no_growth(make_recording, sweeps, counts):
    blocks = np.array([sweeps[:50].mean(axis=0), sweeps[50:110].mean(axis=0)])
    assert level_progress(level_of(make_recording(Blocks(blocks, counts, AXIS)))) is None


def test_averages_have_no_growth(make_recording, sweeps):
    trace = sweeps.mean(axis=0)
    assert level_progress(level_of(make_recording(Average(trace, 1500, AXIS)))) is None


def test_the_pair_is_that_of_the_level(level):
    view = pair_view(level)
    assert view.agreement.r == level.pair.r
    assert view.agreement.lag_samples * view.step_ms == level.pair.lag_ms
    assert math.isclose(np.corrcoef(view.first_nv, view.second_nv)[0, 1], level.pair.r)
    zero = view.correlation.lag_samples == 0
    assert math.isclose(view.correlation.r[zero][0], level.pair.r)
    # Clicks: 5 to 15 ms at 12 kHz.
    assert (view.start_ms, view.stop_ms) == (5.0, 15.0)
    assert view.first_nv.size == 121


def test_one_trace_is_no_pair(make_recording, sweeps):
    assert pair_view(level_of(make_recording(Sweeps(sweeps, AXIS)))) is None


def test_the_noise_of_one_buffer_pair_is_its_half_difference(make_recording, rng):
    a, b = rng.normal(0, 30, (2, 300)) + WAVE
    level = level_of(make_recording(Buffers(a, b, 500, 500, AXIS)))
    found = noise_density(level)
    assert found.df == 2
    # Parseval, without 0 Hz, half the sampling rate and what the window tapers at the ends.
    step_hz = found.frequency_hz[1] - found.frequency_hz[0]
    half = (a - b)[18:] / 2
    assert math.isclose(math.sqrt(np.sum(found.density**2) * step_hz), half.std(), rel_tol=0.15)


def test_averages_show_noise_by_their_difference_and_one_alone_shows_none(make_recording, rng):
    traces = rng.normal(0, 30, (2, 300))
    recordings = [make_recording(Average(t, 900, AXIS), f"r{n}") for n, t in enumerate(traces)]
    assert noise_density(level_of(*recordings)).df == 2
    assert noise_density(level_of(recordings[0])) is None


@pytest.mark.parametrize(
    "waveforms",
    [
        Sweeps(np.zeros((1000, 300)), AXIS),
        Sweeps(np.ones((1, 300)), AXIS),
        Sweeps(np.ones((40, 1)), TimeAxis(12000.0, 8.0, 1)),
        Sweeps(np.ones((2, 2)), TimeAxis(12000.0, 8.0, 2)),
        Buffers(np.zeros(300), np.zeros(300), None, None, AXIS),
        Average(np.zeros(1), None, TimeAxis(12000.0, 8.0, 1)),
    ],
)
def test_meagre_data_give_none_or_values_but_no_fault(make_recording, waveforms):
    whole = tuple(
        replace(row, noise_ms=(-math.inf, math.inf), response_ms=(-math.inf, math.inf), v_ms=None)
        for row in SETTINGS.stimuli
    )
    for settings in (SETTINGS, replace(SETTINGS, stimuli=whole)):
        level = level_of(make_recording(waveforms, "a"), settings=settings)
        progress = level_progress(level)
        if progress is not None:
            assert progress.growth.n_sweeps[-1] == len(waveforms.sweeps_nv)
        density = noise_density(level)
        assert density is None or (density.density == 0).all()
        assert pair_view(level) is None


def test_times_before_the_stimulus_are_no_obstacle(make_recording, sweeps):
    early = TimeAxis(12000.0, -10.0, 300)  # to 14.9 ms
    level = level_of(make_recording(Sweeps(np.roll(sweeps, 120, axis=1), early)))
    assert level_progress(level).growth.n_sweeps[-1] == 1500


def test_a_window_outside_the_data_gives_no_course(make_recording, sweeps):
    early = TimeAxis(12000.0, -11.0, 300)  # to 13.9 ms; the response window of clicks ends at 15
    level = level_of(make_recording(Sweeps(sweeps, early)))
    assert level_progress(level) is None
    assert "response window" in level.detection.fault
