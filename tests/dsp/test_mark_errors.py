"""Amplitudes at marks that somebody placed, against simulated truth."""

import math

import numpy as np
import pytest

from waveworks.dsp.mark_errors import fitted_at, reading_error_nv
from waveworks.dsp.peaks import suggest_marks
from waveworks.simulate.noise import simulate_average
from waveworks.simulate.response import response, true_sn10_ms, true_v_ms

TIMES_MS = np.arange(300) / 12
WINDOW_MS = (6.5, 12.0)
N_RUNS = 400


@pytest.fixture(scope="module")
def evidences():
    """Of a response that is hidden as often as not: 40 nV at 9 ms, ratio about 1.7."""
    pairs = simulate_average("Q33", 1500, 2 * N_RUNS, seed=31).reshape(N_RUNS, 2, 300)
    pairs += response(TIMES_MS, 9.0, 40.0)
    return [
        suggest_marks(
            pair.mean(axis=0), TIMES_MS, math.nan, WINDOW_MS, replicates=pair, bootstrap=False
        ).evidence
        for pair in pairs
    ]


def test_the_fitted_amplitude_where_wave_v_is_has_no_bias(evidences):
    """No place is picked, so noise adds as often as it takes away; marked or not."""
    found = np.array([fitted_at(one, true_v_ms(9.0)) for one in evidences])
    error = found[:, 0].std(ddof=1) / math.sqrt(N_RUNS)
    assert found[:, 0].mean() == pytest.approx(40.0, abs=3 * error)
    off = np.abs(found[:, 0] - 40.0) / found[:, 1]
    assert 0.92 <= np.mean(off <= 1.96) <= 0.98


def test_reading_two_points_is_as_unsure_as_stated(evidences):
    v_ms, sn10_ms = true_v_ms(9.0), true_sn10_ms(9.0)
    read = [-np.diff(np.interp([v_ms, sn10_ms], TIMES_MS, one.trace))[0] for one in evidences]
    stated = math.sqrt(np.mean([reading_error_nv(one, v_ms, sn10_ms) ** 2 for one in evidences]))
    # The SD of 400 values has a standard error of 3.5 %; the size of the noise is learned as well.
    assert stated == pytest.approx(np.std(read, ddof=1), rel=0.14)
    assert reading_error_nv(evidences[0], sn10_ms, v_ms) == reading_error_nv(
        evidences[0], v_ms, sn10_ms
    )


def test_where_no_shape_was_fitted_there_is_no_amplitude(evidences):
    for v_ms in (6.0, 12.5, math.nan):
        assert all(math.isnan(x) for x in fitted_at(evidences[0], v_ms))
