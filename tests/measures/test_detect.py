"""Detection tests on the recordings of a session."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from waveworks.dsp.detectors import DETECTORS, detector
from waveworks.dsp.multiple_tests import holm
from waveworks.errors import DataError
from waveworks.measures.detect import AB_RATIO, DetectionPlan, detect_recordings
from waveworks.measures.detection_table import DETECTION_COLUMNS, detection_table
from waveworks.model import Average, Blocks, Buffers, Session, SessionInfo, Sweeps, TimeAxis
from waveworks.settings import default_settings
from waveworks.simulate.noise import simulate_noise
from waveworks.simulate.response import response

AXIS = TimeAxis(12_000.0, 0.0, 300)
SETTINGS = default_settings()
SWEEPS = simulate_noise("Q33", 1000, seed=1) + response(AXIS.times_ms, 8.0, 250.0)


def detect(*recordings, **plan):
    session = Session(folder=Path(), info=SessionInfo("s"), recordings=recordings)
    return detect_recordings(session, SETTINGS, DetectionPlan(**plan))


def test_every_test_of_sweeps_is_a_row_with_the_window_of_the_settings(make_recording):
    recording = make_recording(Sweeps(SWEEPS, AXIS), "a")
    found = detect(recording)
    assert [one.test for one in found] == list(DETECTORS)
    assert {(one.start_ms, one.stop_ms) for one in found} == {(5.0, 15.0)}
    for one in found:
        alone = detector(one.test).looks(SWEEPS[:, 60:181], [1000], step_ms=AXIS.step_ms)
        assert one.pvalue == alone.pvalue[0]
        assert one.detected
        assert one.sweeps == 1000
    corrected = [one.pvalue for one in found if one.test != "customary-f"]
    together = [one.pvalue_holm for one in found if one.test != "customary-f"]
    assert together == pytest.approx(holm(corrected))


def test_looks_stop_at_the_first_level_and_seconds_follow_the_rate(make_recording):
    recording = replace(make_recording(Sweeps(SWEEPS, AXIS), "a"), rate_hz=40.0)
    looks = (200, 400, 600, 800, 1000, 1200)
    (found,) = detect(recording, tests=("calibrated-f",), looks=looks, alpha=0.05)
    assert found.looks == looks[:5]
    assert found.note == "1 of 6 looks left out: 1000 sweeps"
    below = [
        n
        for n, p, level in zip(found.looks, found.pvalues, found.levels, strict=True)
        if p <= level
    ]
    assert found.sweeps == below[0]
    assert found.seconds == below[0] / 40
    assert max(found.levels) < 0.05


def test_blocks_are_counted_in_sweeps(make_recording):
    blocks = SWEEPS.reshape(40, 25, 300).mean(axis=1)
    recording = make_recording(Blocks(blocks, (25,) * 40, AXIS), "b")
    (found,) = detect(recording, tests=("calibrated-f",), looks=(490, 500, 1000))
    assert found.looks == (500, 1000)
    assert found.note == "1 of 3 looks left out: 1000 sweeps in blocks of 25"
    alone = detector("calibrated-f").looks(blocks[:, 60:181], [20, 40])
    assert found.pvalues == tuple(alone.pvalue)
    (early,) = detect(recording, tests=("calibrated-f",), looks=(30,))
    assert (
        early.fault == "no look is possible: 1000 sweeps in blocks of 25, the first look is at 30"
    )


def test_what_holds_no_sweeps_says_what_is_left(make_recording):
    a, b = SWEEPS[::2].mean(axis=0), SWEEPS[1::2].mean(axis=0)
    buffers, shape, average = detect(
        make_recording(Buffers(a, b, 500, 500, AXIS), "ab"),
        make_recording(Average(SWEEPS.mean(axis=0), 1000, AXIS), "avg"),
    )
    assert buffers.test == AB_RATIO
    assert "weaker" in buffers.note
    assert 0 < buffers.pvalue < 0.01
    assert buffers.detected
    assert shape.test == "shape"
    assert 0 < shape.pvalue < 0.01
    assert "weaker" in shape.note
    assert [buffers.pvalue_holm, shape.pvalue_holm] == pytest.approx(
        holm([buffers.pvalue, shape.pvalue])
    )
    assert average.test == ""
    assert "no sweeps" in average.note
    assert average.detected is None


def test_every_recording_has_a_row_with_its_reason(make_recording):
    good = make_recording(Sweeps(SWEEPS, AXIS), "good")
    broken = replace(good, name="broken", waveforms=None, problem="x.csv: broken")
    short = make_recording(Sweeps(SWEEPS[:, :100], TimeAxis(12_000.0, 0.0, 100)), "short")
    same = make_recording(Sweeps(np.tile(SWEEPS[:1], (50, 1)), AXIS), "same")
    found = detect(good, broken, short, same, tests=("hotelling-t2",))
    assert [one.recording.name for one in found] == ["good", "broken", "short", "same"]
    assert found[1].fault == "x.csv: broken"
    assert "not inside the data" in found[2].fault
    assert "no test: " in found[3].note
    assert math.isnan(found[3].pvalue)
    table = detection_table(found)
    assert tuple(table.columns) == DETECTION_COLUMNS
    assert table["detected"].tolist() == ["yes", None, None, None]


@pytest.mark.parametrize("alpha", [0.0, 1.0, math.nan])
def test_an_impossible_rate_is_refused(make_recording, alpha):
    with pytest.raises(DataError, match="alpha"):
        detect(make_recording(Sweeps(SWEEPS, AXIS), "a"), alpha=alpha)
