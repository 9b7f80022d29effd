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


def test_every_number_has_its_own_window(make_recording, sweeps):
    """Clicks: noise from 1.5 ms (sample 18) to the end, response 5 to 15 ms (60 to 180)."""
    level = level_of(make_recording(Sweeps(sweeps, AXIS)))
    artefact = sweeps.copy()
    artefact[:, :18] *= 100  # before either window
    late = sweeps.copy()
    late[:, 181:] *= 10  # in the noise window alone
    plain, early_view, late_view = (
        level_progress(level_of(make_recording(Sweeps(data, AXIS))))
        for data in (sweeps, artefact, late)
    )
    np.testing.assert_array_equal(early_view.growth.rn_nv, plain.growth.rn_nv)
    assert (late_view.growth.rn_nv > 5 * plain.growth.rn_nv).all()
    for view in (early_view, late_view):
        np.testing.assert_allclose(view.growth.fmp, plain.growth.fmp)
        np.testing.assert_allclose(view.settling.change_nv, plain.settling.change_nv)
        np.testing.assert_allclose(view.settling.high_nv, plain.settling.high_nv)
    spectrum, with_artefact = (
        noise_density(one) for one in (level, level_of(make_recording(Sweeps(artefact, AXIS))))
    )
    np.testing.assert_allclose(with_artefact.density, spectrum.density)


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
    assert progress.course.n_sweeps[-1] == 1500
    assert progress.weighted is progress.n_per_block is None
    assert progress.notes == ("no weights over time: blocks hold no single sweeps",)


@pytest.mark.parametrize(("n_sweeps", "step"), [(4000, 100), (950, 95), (30, 3), (4, 1)])
def test_few_sweeps_take_smaller_steps(make_recording, n_sweeps, step):
    noise = np.random.default_rng(1).normal(0, 800, (n_sweeps, 300))
    progress = level_progress(level_of(make_recording(Sweeps(noise, AXIS))))
    assert progress.settling.step == step
    assert progress.growth.n_sweeps.size == progress.settling.n_sweeps.size + 1
    assert progress.growth.n_sweeps.size == n_sweeps // step >= min(10, n_sweeps)


def test_what_cannot_be_followed_has_its_reason(make_recording):
    noise = np.random.default_rng(1).normal(0, 800, (19, 300))
    level = level_of(make_recording(Sweeps(noise, AXIS)))
    progress = level_progress(level)
    assert progress.weighted is progress.n_per_block is None
    assert "no weights over time: 19 sweeps; two blocks of 10 are needed" in progress.notes
    zeros = level_progress(level_of(make_recording(Sweeps(np.zeros((1000, 300)), AXIS))))
    assert zeros.course is None
    marks, weights = zeros.notes
    assert marks == "no course of the marks: the combined trace has no wave V"
    assert weights.startswith(
        "no weights over time: sweeps: block 1 of 20 (50 sweeps) has no noise"
    )


def test_copies_count_once(make_recording, sweeps):
    once = make_recording(Sweeps(sweeps[:800], AXIS), "r0")
    again = make_recording(Sweeps(sweeps[:800], AXIS), "r1")
    level = level_of(once, again)
    assert level_progress(level).growth.n_sweeps[-1] == 800
    assert noise_density(level).df == 2 * 799


def test_the_density_says_what_it_is_made_of(make_recording, sweeps):
    halves = sweeps[:1500].reshape(2, 750, 300).mean(axis=1)
    cases = {
        "1500 sweeps": [Sweeps(sweeps, AXIS)],
        "30 blocks of 50 sweeps": [
            Blocks(sweeps.reshape(30, 50, 300).mean(axis=1), (50,) * 30, AXIS)
        ],
        "half the difference of odd and even blocks": [Blocks(halves, None, AXIS)],
        "half the difference of A and B": [Buffers(*halves, 750, 750, AXIS)],
        "half the difference of the two final traces": [Average(h, 750, AXIS) for h in halves],
    }
    for method, data in cases.items():
        recordings = [make_recording(one, f"r{n}") for n, one in enumerate(data)]
        assert noise_density(level_of(*recordings)).method == method


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
    # Parseval in the time domain: the tapered squares, less the lines at 0 and 6000 Hz.
    half = (a - b)[18:] / 2
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(282) / 282)
    signs = (-1.0) ** np.arange(282)
    left_out = (np.sum(half * window) ** 2 + np.sum(half * window * signs) ** 2) / 282
    power = (np.sum((half * window) ** 2) - left_out) / np.sum(window**2)
    assert math.isclose(np.sum(found.density**2) * found.frequency_hz[0], power, rel_tol=1e-9)


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
