"""Records with write-protected arrays, and the time axis."""

import math
import pickle

import numpy as np
import pytest

from waveworks.errors import DataError
from waveworks.model import Average, Blocks, Buffers, Sweeps, TimeAxis

AXIS = TimeAxis(12000.0, 0.0, 300)


def test_arrays_are_copies_that_cannot_be_written() -> None:
    values = np.ones((3, 300))
    sweeps = Sweeps(values, AXIS)
    values[0, 0] = 7.0
    assert sweeps.sweeps_nv[0, 0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        sweeps.sweeps_nv[0, 0] = 2.0


def test_records_survive_a_trip_to_another_process() -> None:
    again = pickle.loads(pickle.dumps(Buffers(np.ones(300), np.zeros(300), 3, 4, AXIS)))
    assert again.n_sweeps == 7
    assert np.array_equal(again.a_nv, np.ones(300))


@pytest.mark.parametrize(
    ("window_ms", "samples"),
    [
        ((0.0, 25.0), (0, 300)),  # the last sample lies one step before 25 ms
        ((5.0, 17.0), (60, 205)),  # 60/12 = 5 ms and 204/12 = 17 ms, both ends included
        ((-math.inf, math.inf), (0, 300)),
        ((5.01, 17.0), (61, 205)),
        ((1.5, math.inf), (18, 300)),
    ],
)
def test_a_window_includes_both_ends(window_ms, samples) -> None:
    found = AXIS.window(*window_ms)
    assert (found.start, found.stop) == samples


@pytest.mark.parametrize(
    ("window_ms", "message"),
    [
        ((5.0, 26.0), "window 5 to 26 ms is not inside the data, 0 to 24.9167 ms"),
        ((-1.0, 5.0), "not inside the data"),
        ((5.0, 5.0), "it must start before it stops"),
        ((5.01, 5.05), "holds no sample (one every 0.0833333 ms)"),
        ((30.0, math.inf), "holds no sample"),
    ],
)
def test_an_impossible_window_is_refused(window_ms, message: str) -> None:
    with pytest.raises(DataError) as caught:
        AXIS.window(*window_ms)
    assert message in str(caught.value)


def test_a_window_follows_the_start_of_the_axis() -> None:
    late = TimeAxis(1000.0, -10.0, 30)
    assert late.window(-5.0, 5.0) == slice(5, 16)
    assert late.time_ms(5) == -5.0
    assert late.nearest(0.4) == 10
    with pytest.raises(DataError, match="point 30 ms is not inside"):
        late.nearest(30.0, name="point")


def test_axes_agree_within_a_hundredth_of_a_step() -> None:
    assert AXIS.agrees_with(TimeAxis(12000.0, 0.0005, 300))
    assert not AXIS.agrees_with(TimeAxis(12000.0, 0.01, 300))
    assert not AXIS.agrees_with(TimeAxis(12000.0, 0.0, 299))
    assert not AXIS.agrees_with(TimeAxis(12001.0, 0.0, 300))


def test_counts_follow_the_data() -> None:
    blocks = Blocks(np.ones((2, 300)), (100, 150), AXIS)
    assert blocks.n_sweeps == 250
    assert Blocks(np.ones((2, 300)), None, AXIS).n_sweeps is None
    assert Buffers(np.ones(300), np.ones(300), None, None, AXIS).counts == (1, 1)
    assert Average(np.ones(300), None, AXIS).n_sweeps is None


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: TimeAxis(0.0, 0.0, 3), "sampling rate is 0.0 Hz"),
        (lambda: TimeAxis(1.0, math.nan, 3), "start of the data is nan ms"),
        (lambda: TimeAxis(1.0, 0.0, 0), "time axis has 0 samples"),
        (lambda: Sweeps(np.ones((2, 5)), AXIS), "5 samples given, the time axis has 300"),
        (lambda: Sweeps(np.ones(300), AXIS), "1 dimensions given, 2 needed"),
        (lambda: Average(np.full(300, np.nan), 3, AXIS), "not finite"),
        (lambda: Average(np.array([]), 3, AXIS), "empty"),
        (lambda: Blocks(np.ones((2, 300)), (5,), AXIS), "1 counts for 2 blocks"),
        (lambda: Buffers(np.ones(300), np.ones(300), 3, None, AXIS), "belong together"),
    ],
)
def test_impossible_records_are_refused(make, message: str) -> None:
    with pytest.raises(DataError) as caught:
        make()
    assert message in str(caught.value)
