"""The shape test: rates without a response, a clear one, and the same by other roads."""

import math

import numpy as np
import pytest
from scipy import linalg, signal, stats

from waveworks.dsp.detection import shape_test
from waveworks.dsp.detectors import detector
from waveworks.dsp.fit_plan import Fit
from waveworks.dsp.noise_spectra import GRID
from waveworks.dsp.shape_detection import shape_p_paths, shape_test_of_sweeps
from waveworks.dsp.shape_fit import shape_fit
from waveworks.dsp.shape_flips import shape_flip_test
from waveworks.dsp.shape_scale import sd_of_z
from waveworks.dsp.shapes_in_noise import plan_of_window
from waveworks.dsp.sign_flips import sign_flip_test
from waveworks.dsp.wave_shapes import WaveShape, shape_bank
from waveworks.errors import DataError
from waveworks.simulate.noise import noise_autocovariance, simulate_average, simulate_noise
from waveworks.simulate.response import response, true_v_ms

TIMES_MS = np.arange(300) / 12
WINDOW_MS = (5.0, 17.0)
INSIDE = slice(60, 205)


def sweeps_of(kind, n_sweeps, seed, amplitude_nv=0.0, latency_ms=8.5):
    wave = response(TIMES_MS, latency_ms, amplitude_nv)
    return simulate_noise(kind, n_sweeps, seed=seed) + wave


def of(sweeps, **options):
    return shape_test(sweeps.mean(axis=0), TIMES_MS, WINDOW_MS, sweeps, **options)


@pytest.mark.parametrize("latency_ms", [7.5, 9.0, 10.5])
def test_a_clear_response_is_found_where_it_is(latency_ms):
    found = of(sweeps_of("Q33", 2000, 1, 200.0, latency_ms))
    assert found.pvalue == pytest.approx(1 / 20_001)
    # The bound at 200 nV in 2000 sweeps is 0.08 ms, the grid of latencies 0.1 ms.
    assert found.v_ms == pytest.approx(true_v_ms(latency_ms), abs=0.35)


@pytest.mark.parametrize("kind", ["Q33", "B", "W"])
def test_noise_is_found_at_the_nominal_rate(kind):
    n_runs = 300
    rng = np.random.default_rng(2)
    p = np.array([of(sweeps_of(kind, 400, rng)).pvalue for _ in range(n_runs)])
    for alpha in (0.05, 0.2):
        rate = stats.binomtest(int(np.sum(p <= alpha)), n_runs).proportion_ci(0.95)
        assert rate.low <= 1.2 * alpha
        assert rate.high >= 0.8 * alpha


def test_half_differences_serve_where_there_are_no_sweeps():
    """One noise-only trace: learned from little, so the null is drawn as widely."""
    rng = np.random.default_rng(3)
    n_runs, hits = 400, 0
    for _ in range(n_runs):
        a, b = simulate_average("Q33", 1000, 2, seed=rng)
        hits += shape_test((a + b) / 2, TIMES_MS, WINDOW_MS, [(a - b) / 2]).pvalue <= 0.05
    rate = stats.binomtest(hits, n_runs).proportion_ci(0.95)
    assert rate.low <= 0.05
    assert rate.high >= 0.025
    clear = simulate_average("Q33", 1000, 2, seed=4) + response(TIMES_MS, 8.5, 200.0)
    half = (clear[0] - clear[1]) / 2
    assert shape_test(clear.mean(axis=0), TIMES_MS, WINDOW_MS, [half]).pvalue < 0.01


def test_z_is_that_of_generalised_least_squares_in_the_true_noise():
    """Known spectrum, middle of the bank written out: amplitude over its error, offset free."""
    sweeps = sweeps_of("Q33", 3000, 5, 120.0)
    found = of(sweeps)
    times = TIMES_MS[INSIDE]
    bank = shape_bank(WaveShape(), (1.5, 6.0))
    latencies = np.arange(6.5, 15.0, 0.05)
    templates = bank.templates(times, latencies).reshape(-1, len(times))
    covariance = linalg.toeplitz(noise_autocovariance("Q33", 300))[INSIDE, INSIDE] / 3000
    root = linalg.cholesky(covariance, lower=True)
    white = linalg.solve_triangular(
        root, np.column_stack([templates.T, np.ones(145), sweeps.mean(axis=0)[INSIDE]]), lower=True
    )
    offset = white[:, -2] / linalg.norm(white[:, -2])
    own = white - np.outer(offset, offset @ white)
    z = own[:, :-2].T @ own[:, -1] / linalg.norm(own[:, :-2], axis=0)
    # The noise of the recording is known to some percent.
    assert found.statistic == pytest.approx(z.max(), rel=0.12)


def test_sign_flips_of_blocks_rank_it_likewise():
    """The same filters, the noise turned over: both p near each other where both are small."""
    sweeps = sweeps_of("Q33", 600, 7, 60.0)[:, INSIDE]
    found = shape_test_of_sweeps(sweeps, 1 / 12)
    times = np.arange(145) / 12
    bank = shape_bank(WaveShape(), (1.5, 6.0))
    templates = bank.templates(times, np.arange(1.5, 10.0, 0.1)).reshape(-1, 145)
    covariance = linalg.toeplitz(noise_autocovariance("Q33", 300))[INSIDE, INSIDE]
    root = linalg.cholesky(covariance, lower=True)
    white = linalg.solve_triangular(root, np.column_stack([templates.T, np.ones(145)]), lower=True)
    offset = white[:, -1] / linalg.norm(white[:, -1])
    own = white[:, :-1] - np.outer(offset, offset @ white[:, :-1])
    filters = linalg.solve_triangular(root, own / linalg.norm(own, axis=0), lower=True, trans="T")
    flipped = sign_flip_test(
        sweeps, 1999, seed=8, statistic=lambda x: (x @ filters).max(axis=1), n_per_block=10
    )
    assert 0.0005 < flipped.pvalue < 0.6
    assert math.log(found.pvalue) == pytest.approx(math.log(flipped.pvalue), abs=0.8)


def test_flips_agree_with_the_noise_model():
    """Another null: signs of the recording's own blocks, in place of draws of a spectrum."""
    agree = []
    for seed in range(8):
        sweeps = sweeps_of("Q33", 600, 30 + seed, 60.0)
        found = of(sweeps)
        flipped = shape_flip_test(sweeps, TIMES_MS, WINDOW_MS, 1999, seed=1)
        assert flipped.statistic == pytest.approx(found.statistic, rel=1e-9)
        agree.append(math.log(found.pvalue / flipped.pvalue))
    # With the least p of flips, 1 / 2000, draws and flips are each known to a third or better.
    assert abs(np.mean(agree)) < 0.4


def test_flips_of_noise_are_found_at_the_nominal_rate():
    n_runs = 200
    rng = np.random.default_rng(15)
    p = np.array(
        [
            shape_flip_test(sweeps_of("W", 300, rng), TIMES_MS, WINDOW_MS, 199, rng).pvalue
            for _ in range(n_runs)
        ]
    )
    rate = stats.binomtest(int(np.sum(p <= 0.1)), n_runs).proportion_ci(0.95)
    assert rate.low <= 0.12
    assert rate.high >= 0.08


def test_wave_v_is_looked_for_where_it_may_be():
    sweeps = sweeps_of("Q33", 2000, 16, 200.0, 8.5)
    near, elsewhere = (of(sweeps, v_window_ms=window) for window in ((7.5, 9.5), (10.5, 12.5)))
    assert near.v_ms == pytest.approx(true_v_ms(8.5), abs=0.35)
    assert elsewhere.v_ms >= 10.5
    assert elsewhere.statistic < near.statistic


@pytest.mark.parametrize("correlation", [0.0, 0.6])
def test_the_sd_of_z_is_that_of_the_true_covariance(correlation):
    """White up to 6 kHz, and falling steadily: none of the grid's, but written down exactly."""
    covariance = linalg.toeplitz(correlation ** np.arange(145.0))
    root = linalg.cholesky(covariance, lower=True)
    # The SD of nine degrees of freedom or more in each of 1500: known to 0.6 %.
    noise = np.random.default_rng(17).standard_normal((1500, 145)) @ root.T
    plan, _ = plan_of_window(145, 1 / 12)
    fit = shape_fit(plan)
    weights = np.zeros((1, len(GRID)))
    weights[0, 1] = 1
    measured = Fit(np.zeros(0), np.zeros(0), weights, np.ones((1, len(GRID))), np.zeros(1))
    filters = fit.measure_in(np.eye(145), 1, 1.0).z.reshape(145, -1)
    true_sd = np.sqrt(np.sum(filters * (covariance @ filters), axis=0)).reshape(fit.shape)
    # Several times the tolerance, or a flat SD would pass as well.
    assert true_sd.max() / true_sd.min() > 1.15
    assert sd_of_z(plan, noise, measured) == pytest.approx(true_sd, rel=0.03)


def test_fine_sampling_finds_the_same():
    rng = np.random.default_rng(18)
    coarse = sweeps_of("Q33", 400, rng, 100.0)
    fine = signal.resample_poly(coarse, 4, 1, axis=-1, padtype="line")
    found = of(coarse)
    times_ms = np.arange(1200) / 48
    again = shape_test(fine.mean(axis=0), times_ms, WINDOW_MS, fine)
    assert again.statistic == pytest.approx(found.statistic, rel=0.03)
    assert again.v_ms == pytest.approx(found.v_ms, abs=0.11)
    assert math.log(again.pvalue) == pytest.approx(math.log(found.pvalue), abs=0.3)


def test_scale_offset_and_a_later_clock_change_nothing():
    sweeps = sweeps_of("Q33", 500, 9, 100.0)
    found = of(sweeps)
    assert of(1e-6 * sweeps).statistic == pytest.approx(found.statistic, rel=1e-6)
    assert of(sweeps + 700.0).statistic == pytest.approx(found.statistic, rel=1e-6)
    later = shape_test(sweeps.mean(axis=0), TIMES_MS + 3, (8.0, 20.0), sweeps)
    assert later.statistic == pytest.approx(found.statistic, rel=1e-9)
    assert later.v_ms == pytest.approx(found.v_ms + 3)


def test_cut_sweeps_give_the_same_as_the_window():
    sweeps = sweeps_of("Q33", 500, 10, 100.0)
    cut = sweeps[:, INSIDE]
    inside = shape_test(cut.mean(axis=0), TIMES_MS[INSIDE], WINDOW_MS, cut)
    found = shape_test_of_sweeps(cut, 1 / 12)
    assert found.statistic == pytest.approx(inside.statistic, rel=1e-9)
    assert found.v_ms == pytest.approx(inside.v_ms - 5, abs=1e-6)
    assert found.pvalue == inside.pvalue


def test_paths_are_uniform_and_hang_together():
    sweeps = sweeps_of("Q33", 500, 11)[:, INSIDE]
    paths = shape_p_paths(sweeps, 1 / 12, [100, 200, 800], 4000)
    for column in paths.T:
        assert stats.kstest(column, "uniform").statistic < 0.03
    near, far = (stats.spearmanr(paths[:, 1], paths[:, i])[0] for i in (0, 2))
    assert near > far > 0.1


def test_looks_at_an_overall_rate_find_a_response():
    """130 nV, looks every 400 sweeps to 2000, 1 % overall: nine of ten recordings at least."""
    looks = 400 * np.arange(1, 6)
    test = detector("shape")
    planned = sweeps_of("Q33", 2000, 12)[:, INSIDE]
    levels = test.levels(planned, looks, 0.01, step_ms=1 / 12)
    assert 0.002 < levels[0] < 0.006
    found = 0
    for seed in range(10):
        sweeps = sweeps_of("Q33", 2000, 100 + seed, 130.0)[:, INSIDE]
        found += (test.looks(sweeps, looks, step_ms=1 / 12).pvalue <= levels).any()
    assert found >= 9


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"noise": np.zeros((4, 300))}, "nothing varies"),
        ({"noise": np.ones((4, 299))}, "noise has 299 samples, trace has 300"),
        ({"noise": np.full((4, 300), np.nan)}, "nan"),
        ({"times_ms": TIMES_MS[:-1]}, "trace has 300 samples, times_ms has 299"),
        ({"times_ms": TIMES_MS**2}, "rise evenly"),
        ({"window_ms": (30.0, 40.0)}, "leaves no room"),
        ({"window_ms": (5.0, 8.0)}, "leaves no room"),
        ({"trace": np.full(300, math.inf)}, "inf"),
    ],
)
def test_bad_input_is_told_in_one_line(change, words):
    rng = np.random.default_rng(13)
    arguments = {
        "trace": rng.standard_normal(300),
        "times_ms": TIMES_MS,
        "window_ms": WINDOW_MS,
        "noise": rng.standard_normal((20, 300)),
    } | change
    with pytest.raises(DataError, match=words) as caught:
        shape_test(**arguments)
    assert "\n" not in str(caught.value)


def test_identical_sweeps_and_an_unknown_clock_are_refused():
    same = np.tile(np.sin(np.arange(145.0)), (30, 1))
    with pytest.raises(DataError, match="nothing varies"):
        shape_test_of_sweeps(same, 1 / 12)
    with pytest.raises(DataError, match="step_ms is nan"):
        detector("shape").looks(np.random.default_rng(14).standard_normal((30, 145)), [30])
