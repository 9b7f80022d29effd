"""The best evidence is used, named, and checked by plain numpy."""

import math
from dataclasses import replace

import numpy as np
import pytest

from waveworks.measures.noise import combined_noise, noise_among, own_noise
from waveworks.measures.pooling import mean_trace, noise_only_trace, pool
from waveworks.model import Average, Blocks, Buffers, Sweeps, TimeAxis

AXIS = TimeAxis(12000.0, 0.0, 300)
WINDOW = (5.0, 17.0)
INSIDE = slice(60, 205)


def test_sweeps_are_evidence_by_themselves(make_recording, rng) -> None:
    sweeps = rng.normal(0, 800, (50, 300))
    noise = own_noise(make_recording(Sweeps(sweeps, AXIS)), WINDOW)
    expected = math.sqrt(sweeps[:, INSIDE].var(axis=0, ddof=1).mean() / 50)
    assert noise.rn_nv == pytest.approx(expected, rel=1e-12)
    assert noise.method == "sweeps"
    assert noise.low_nv < noise.rn_nv < noise.high_nv
    assert (noise.start_ms, noise.stop_ms) == (5.0, 17.0)


def test_blocks_count_by_their_sweeps(make_recording, rng) -> None:
    counts = np.array([100, 300, 200])
    blocks = rng.normal(0, 30, (3, 300))
    recording = make_recording(Blocks(blocks, tuple(counts.tolist()), AXIS))
    noise = own_noise(recording, WINDOW)
    mean = np.average(blocks, axis=0, weights=counts)
    spread = (counts[:, None] * (blocks - mean) ** 2).sum(axis=0) / 2
    assert noise.rn_nv == pytest.approx(math.sqrt(spread[INSIDE].mean() / 600), rel=1e-12)
    assert noise.method == "blocks"
    assert mean_trace(recording.data) == pytest.approx(mean, rel=1e-12)


def test_buffers_of_unequal_size(make_recording, rng) -> None:
    a, b = rng.normal(0, 30, (2, 300))
    noise = own_noise(make_recording(Buffers(a, b, 300, 100, AXIS)), WINDOW)
    rms = math.sqrt(((a - b)[INSIDE] ** 2).mean())
    assert noise.rn_nv == pytest.approx(rms * math.sqrt(300 * 100) / 400, rel=1e-12)
    assert noise.method == "buffers"


@pytest.mark.parametrize(
    ("split", "polarity", "words"),
    [
        ("polarity", "alternating", "hold opposite polarities"),
        (None, "alternating", "unknown way under alternating polarity"),
        ("halves", None, "first and second half"),
        ("alternate", "alternating", ""),
        (None, "rarefaction", ""),
    ],
)
def test_a_split_that_leaves_more_than_noise_is_said(
    make_recording, rng, split, polarity, words: str
) -> None:
    recording = make_recording(Buffers(*rng.normal(0, 30, (2, 300)), 10, 10, AXIS))
    recording = replace(
        recording,
        buffer_split=split,
        condition=replace(recording.condition, polarity=polarity),
    )
    note = own_noise(recording, WINDOW).note
    assert words in note
    assert ("no evidence of absence" in note) == ("polarit" in words)
    assert bool(note) == bool(words)


def test_one_average_has_no_evidence(make_recording, rng) -> None:
    noise = own_noise(make_recording(Average(rng.normal(0, 30, 300), 2000, AXIS)), WINDOW)
    assert math.isnan(noise.rn_nv)
    assert noise.method == ""
    assert noise.note == "no residual noise: one average without sweeps, buffers or replicates"


def test_a_window_outside_the_data_is_a_fault(make_recording, rng) -> None:
    recording = make_recording(Sweeps(rng.normal(0, 800, (5, 300)), AXIS))
    noise = own_noise(recording, (5.0, 40.0))
    assert math.isnan(noise.rn_nv)
    assert "noise window 5 to 40 ms is not inside the data" in noise.fault


def test_replicates_are_evidence_for_each_other(make_recording, rng) -> None:
    counts = (1000, 2000, 1000)
    traces = rng.normal(0, 20, (3, 300))
    recordings = [
        make_recording(Average(trace, count, AXIS), f"r{count}-{index}")
        for index, (trace, count) in enumerate(zip(traces, counts, strict=True))
    ]
    among = noise_among(recordings, WINDOW)
    mean = np.average(traces, axis=0, weights=counts)
    per_sweep = (np.array(counts)[:, None] * (traces - mean) ** 2).sum(axis=0)[INSIDE].mean() / 2
    assert among.left_in(recordings).rn_nv == pytest.approx(math.sqrt(per_sweep / 4000), rel=1e-12)
    alone = among.left_in(recordings[1:2])
    assert alone.rn_nv == pytest.approx(math.sqrt(per_sweep / 2000), rel=1e-12)
    assert alone.method == "replicates"


def test_replicates_of_unknown_size_count_equally(make_recording, rng) -> None:
    traces = rng.normal(0, 20, (2, 300))
    recordings = [
        make_recording(Average(trace, None, AXIS), f"r{i}") for i, trace in enumerate(traces)
    ]
    noise = noise_among(recordings, WINDOW).left_in(recordings)
    half = (traces[0] - traces[1])[INSIDE] / 2
    assert noise.rn_nv == pytest.approx(math.sqrt((half**2).mean()), rel=1e-12)
    assert "recordings count equally" in noise.note


def test_pooled_sweeps_and_buffers(make_recording, rng) -> None:
    first, second = rng.normal(0, 800, (2, 10, 300))
    pooled = pool([make_recording(Sweeps(x, AXIS)) for x in (first, second)])
    assert np.array_equal(pooled.sweeps_nv, np.concatenate([first, second]))
    pairs = rng.normal(0, 30, (2, 2, 300))
    counts = ((100, 300), (200, 200))
    buffers = pool(
        [
            make_recording(Buffers(a, b, n_a, n_b, AXIS))
            for (a, b), (n_a, n_b) in zip(pairs, counts, strict=True)
        ]
    )
    assert buffers.counts == (300, 500)
    assert buffers.a_nv == pytest.approx(
        np.average(pairs[:, 0], axis=0, weights=[100, 200]), rel=1e-12
    )
    assert buffers.b_nv == pytest.approx(
        np.average(pairs[:, 1], axis=0, weights=[300, 200]), rel=1e-12
    )


def test_unlike_recordings_are_not_pooled(make_recording, rng) -> None:
    sweeps = make_recording(Sweeps(rng.normal(0, 800, (10, 300)), AXIS))
    average = make_recording(Average(rng.normal(0, 30, 300), 9, AXIS))
    assert pool([sweeps, average]) is None
    assert pool([average, average]) is None


def test_noise_only_traces_hold_no_response(make_recording, rng) -> None:
    """A response that every sweep shares cancels exactly; the noise keeps its scale."""
    response = np.linspace(0, 1e4, 300)
    sweeps = rng.normal(0, 800, (2001, 300))
    pure = noise_only_trace(Sweeps(sweeps, AXIS))
    shifted = noise_only_trace(Sweeps(sweeps + response, AXIS))
    assert shifted == pytest.approx(pure, abs=1e-8)
    # SD 800/sqrt(2001); 300 independent samples: 4 standard errors of an SD are 16 %.
    assert pure.std() == pytest.approx(800 / math.sqrt(2001), rel=0.16)
    assert noise_only_trace(Average(response, 5, AXIS)) is None


def test_independent_noises_add_in_power(make_recording, rng) -> None:
    parts = [
        own_noise(make_recording(Buffers(*rng.normal(0, s, (2, 300)), 9, 9, AXIS)), WINDOW)
        for s in (20.0, 40.0)
    ]
    both = combined_noise(parts, [0.75, 0.25])
    expected = math.hypot(0.75 * parts[0].rn_nv, 0.25 * parts[1].rn_nv)
    assert both.rn_nv == pytest.approx(expected, rel=1e-12)
    # Satterthwaite: between the smaller of the two and their sum.
    assert min(p.df for p in parts) <= both.df <= sum(p.df for p in parts)
    mixed = combined_noise(
        [parts[0], own_noise(make_recording(Sweeps(rng.normal(0, 9, (9, 300)), AXIS)), WINDOW)],
        [0.5, 0.5],
    )
    assert mixed.method == "buffers"
