"""Marks from likelihoods: hand-made hills, errors against blocks that are averaged anew."""

import math

import numpy as np
import pytest

from waveworks.dsp.peaks import suggest_marks
from waveworks.dsp.placing import Placed, hills, place
from waveworks.simulate.noise import simulate_average
from waveworks.simulate.response import response

TIMES_MS = np.arange(300) / 12
WINDOW_MS = (6.5, 12.0)


def placed(share):
    share = np.asarray(share, dtype=float)
    v_ms = 6.0 + np.arange(share.shape[-1])
    ones = np.ones_like(share)
    return Placed(v_ms, v_ms + 3 * ones, share / share.sum(), 10 * ones, ones)


def test_hills_run_from_valley_to_valley_the_largest_first():
    found = hills(placed([[1, 2, 1, 0, 1, 6, 1, 0, 0, 2, 1, 3]]))
    bounds = [(hill.part.start, hill.part.stop) for hill in found]
    assert bounds == [(3, 8), (0, 3), (10, 12), (8, 10)]
    assert [hill.share for hill in found] == pytest.approx([8 / 18, 4 / 18, 4 / 18, 2 / 18])
    assert [hill.at_edge for hill in found] == [False, False, True, False]


def test_a_hill_that_rises_to_the_end_is_at_the_edge():
    (only,) = hills(placed([[0, 1, 2, 3]]))
    assert only.at_edge
    assert only.share == pytest.approx(1)


def test_the_mean_of_a_part_is_weighed_by_its_share():
    one = placed([[1, 3, 0, 0], [0, 4, 0, 2]])
    assert one.mean(one.v_ms, slice(0, 2)) == pytest.approx((6 * 1 + 7 * 7) / 8)
    assert one.mean(one.v_ms, slice(0, 4)) == pytest.approx((6 * 1 + 7 * 7 + 9 * 2) / 10)


def noisy(seed=1, amplitude_nv=120.0):
    blocks = simulate_average("Q33", 50, 60, seed=seed) + response(TIMES_MS, 9.0, amplitude_nv)
    trace = blocks.mean(axis=0)
    return blocks, trace, (blocks - trace) / math.sqrt(len(blocks) - 1)


def test_the_mark_is_the_mean_over_the_likeliest_hill():
    _, trace, deviations = noisy()
    marks = suggest_marks(trace, TIMES_MS, math.nan, WINDOW_MS, noise=deviations)
    evidence = marks.evidence
    again = place(evidence, [evidence.anywhere()], np.zeros(len(evidence.v_ms)))
    best = hills(again)[0].part
    share = again.share[:, best]
    v_ms = np.sum(share * again.v_ms[best]) / share.sum()
    assert marks.v_ms == pytest.approx(v_ms)
    assert marks.others[0].v_ms == pytest.approx(v_ms)
    assert marks.others[0].share == pytest.approx(share.sum())


def test_errors_and_confidence_are_those_of_draws_from_the_likelihood():
    """Shape, latency and amplitude drawn together, 300 000 times, for a trace with two hills."""
    pair = response(TIMES_MS, 7.6, 60.0) + response(TIMES_MS, 10.0, 55.0)
    marks = suggest_marks(pair, TIMES_MS, 20.0, WINDOW_MS, noise_rate=0.9)
    evidence = marks.evidence
    again = place(evidence, [evidence.anywhere()], np.zeros(len(evidence.v_ms)))
    rng = np.random.default_rng(4)
    drawn = rng.choice(again.share.size, size=300_000, p=again.share.ravel())
    shape, latency = np.unravel_index(drawn, again.share.shape)
    v_ms, sn10_ms = again.v_ms[latency], again.sn10_ms[shape, latency]
    best = hills(again)[0]
    here = (latency >= best.part.start) & (latency < best.part.stop)
    assert 0.1 < here.mean() < 0.95
    heights = again.amplitude_nv[shape, latency] + again.se_nv[
        shape, latency
    ] * rng.standard_normal(len(drawn))
    for name, latencies in (("v", v_ms), ("sn10", sn10_ms)):
        at_ms, se_ms = getattr(marks, f"{name}_ms"), getattr(marks, f"{name}_se_ms")
        off = (latencies - at_ms) ** 2
        # What is off elsewhere comes on top of what is off in this hill, not instead of it.
        squared = off[here].mean() + np.sum(off[~here]) / len(off)
        assert at_ms == pytest.approx(latencies[here].mean(), abs=0.01)
        assert se_ms == pytest.approx(math.sqrt(squared), rel=0.01)
        assert se_ms > 0.99 * math.sqrt(off.mean())
    # Amplitudes are those of a wave V in this hill.
    assert marks.v_sn10_corrected_nv == pytest.approx(heights[here].mean(), rel=0.01)
    assert marks.v_sn10_corrected_se_nv == pytest.approx(heights[here].std(), rel=0.01)
    ratio = math.exp(evidence.statistic([evidence.anywhere()]))
    near = np.mean(np.abs(v_ms - marks.v_ms) <= 0.3)
    assert marks.confidence == pytest.approx(near * ratio / (1 + ratio), rel=0.02)


@pytest.mark.parametrize("noise", ["Q33", "S33", "W"])
def test_the_error_of_an_amplitude_is_that_of_two_points_of_the_noise(noise):
    """Read off many simulated averages: slow noise shares much, white noise lies above 1500 Hz."""
    averages = simulate_average(noise, 1500, 2000, seed=6)
    trace = response(TIMES_MS, 9.0, 300.0)
    marks = suggest_marks(
        trace, TIMES_MS, math.nan, WINDOW_MS, noise=averages[:400], bootstrap=False
    )
    v, sn10 = (np.abs(TIMES_MS - at_ms).argmin() for at_ms in (marks.v_ms, marks.sn10_ms))
    assert marks.v_sn10_se_nv == pytest.approx((averages[:, v] - averages[:, sn10]).std(), rel=0.08)


def test_candidates_with_next_to_no_share_are_not_listed():
    pair = response(TIMES_MS, 7.6, 150.0) + response(TIMES_MS, 10.6, 75.0)
    marks = suggest_marks(pair, TIMES_MS, 15.0, WINDOW_MS)
    evidence = marks.evidence
    found = hills(place(evidence, [evidence.anywhere()], np.zeros(len(evidence.v_ms))))
    listed = [hill for hill in found if hill.share >= 1e-3]
    assert len(listed) < len(found)
    assert [one.share for one in marks.others] == pytest.approx([hill.share for hill in listed])


def test_errors_by_blocks_are_those_of_averages_made_anew():
    """Blocks drawn with replacement and averaged, each average suggested by itself."""
    blocks, trace, deviations = noisy(amplitude_nv=200.0)
    rng = np.random.default_rng(2)
    found = []
    for _ in range(150):
        drawn = blocks[rng.integers(len(blocks), size=len(blocks))].mean(axis=0)
        one = suggest_marks(drawn, TIMES_MS, math.nan, WINDOW_MS, noise=deviations, bootstrap=False)
        found.append((one.v_ms, one.sn10_ms, one.v_sn10_nv, one.v_sn10_corrected_nv))
    sd = np.std(found, axis=0, ddof=1)
    with_blocks = suggest_marks(trace, TIMES_MS, math.nan, WINDOW_MS, noise=deviations)
    curved = suggest_marks(trace, TIMES_MS, math.nan, WINDOW_MS, noise=deviations, bootstrap=False)
    names = ("v_se_ms", "sn10_se_ms", "v_sn10_se_nv", "v_sn10_corrected_se_nv")
    for name, by_hand in zip(names, sd, strict=True):
        # 150 and 200 draws: each SD within 6 % (standard error).
        expected = max(by_hand, getattr(curved, name))
        assert getattr(with_blocks, name) == pytest.approx(expected, rel=0.2)
    assert "blocks" in with_blocks.method
    assert "blocks" not in curved.method


def test_amplitude_is_read_off_the_trace_as_it_was_given():
    """48 kHz is thinned for the fit; the amplitude is not read off what is left."""
    times_ms = np.arange(1200) / 48
    rng = np.random.default_rng(3)
    trace = response(times_ms, 9.0, 200.0) + 3 * rng.standard_normal(1200)
    marks = suggest_marks(trace, times_ms, 3.0, WINDOW_MS)
    at_v, at_sn10 = np.interp([marks.v_ms, marks.sn10_ms], times_ms, trace)
    assert marks.v_sn10_nv == pytest.approx(at_v - at_sn10)


def test_errors_fall_with_the_amplitude_down_to_the_grid():
    """Latencies are 0.02 ms apart: no error is smaller than the SD of rounding to them."""

    def se_ms(amplitude_nv):
        trace = response(TIMES_MS, 9.0, amplitude_nv)
        return suggest_marks(trace, TIMES_MS, 5.0, WINDOW_MS).v_se_ms

    assert se_ms(100.0) / se_ms(200.0) == pytest.approx(2, rel=0.2)
    for amplitude_nv in (1e4, 1e6):
        assert se_ms(amplitude_nv) == pytest.approx(0.02 / math.sqrt(12), rel=0.01)
