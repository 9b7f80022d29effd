"""Sweeps cut from a continuous channel."""

import math

import numpy as np
import pytest
from scipy import signal

from waveworks.errors import DataError, LoadError
from waveworks.loaders.cutting import cut_sweeps, within_limit
from waveworks.loaders.raw import Continuous

RATE = 1000.0


def continuous(values, onsets) -> Continuous:
    return Continuous(("Cz",), np.asarray([values], dtype=float), RATE, np.asarray(onsets))


def cut(values, onsets, **kw):
    given = {"start_ms": -2.0, "stop_ms": 3.0, "bandpass_hz": None, "name": "c.edf", **kw}
    return cut_sweeps(continuous(values, onsets), **given)


def test_each_sweep_holds_the_samples_around_its_stimulus() -> None:
    made = cut(np.arange(100), [10, 50])
    assert np.array_equal(made.signals.values_nv, [range(8, 14), range(48, 54)])
    assert made.signals.axis.start_ms == -2.0
    assert made.signals.axis.n_samples == 6
    assert made.n_left_out == 0


def test_stimuli_too_near_the_ends_are_counted() -> None:
    made = cut(np.arange(100), [1, 2, 50, 96, 97])
    assert made.signals.values_nv[:, 2].tolist() == [2, 50, 96]
    assert made.n_left_out == 2


def test_the_band_pass_sees_the_whole_channel_before_the_cut() -> None:
    """Second road: scipy's zero-phase filter on the whole channel, sliced by hand."""
    values = np.random.default_rng(1).normal(0, 1000, 4000)
    made = cut(values, [1500, 2500], bandpass_hz=(20.0, 200.0))
    sos = signal.butter(2, (20.0, 200.0), "bandpass", fs=RATE, output="sos")
    expected = signal.sosfiltfilt(sos, values)
    found = made.signals.values_nv
    assert found[0] == pytest.approx(expected[1498:1504], abs=1e-3)
    assert found[1] == pytest.approx(expected[2498:2504], abs=1e-3)
    assert made.processing.bandpass_hz == (20.0, 200.0)
    assert "20" in made.processing.description


def test_an_impossible_band_pass_is_refused_not_changed() -> None:
    with pytest.raises(DataError, match="500"):
        cut(np.zeros(4000), [1500], bandpass_hz=(20.0, 500.0))


@pytest.mark.parametrize(
    ("kw", "onsets", "message"),
    [
        ({"stop_ms": math.nan}, [50], "c.edf: epoch_stop_ms is empty"),
        ({"stop_ms": -3.0}, [50], "epoch -2 to -3 ms; it must start before it stops"),
        ({}, [0], "none of 1 stimuli leaves a whole sweep"),
    ],
)
def test_an_impossible_cut_is_refused(kw, onsets, message: str) -> None:
    with pytest.raises(LoadError) as caught:
        cut(np.arange(100), onsets, **kw)
    assert message in str(caught.value)


def test_several_channels_need_a_choice() -> None:
    two = Continuous(("Cz", "Fz"), np.zeros((2, 50)), RATE, np.array([20]))
    with pytest.raises(LoadError, match=r"2 channels \(Cz, Fz\); name the one that is meant"):
        cut_sweeps(two, start_ms=0.0, stop_ms=5.0, bandpass_hz=None, name="c.edf")


def test_the_rejection_limit_is_microvolt_and_includes_itself() -> None:
    sweeps = np.array([[0.0, 9999.0], [0.0, -10000.0], [0.0, 10001.0]])
    assert within_limit(sweeps, 10.0).tolist() == [True, True, False]
