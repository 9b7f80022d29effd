"""Detection tests on the recordings of a session."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from waveworks.dsp.detectors import DETECTORS, Detector, detector
from waveworks.dsp.multiple_tests import holm
from waveworks.errors import DataError
from waveworks.measures.buffer_tests import AB_RATIO
from waveworks.measures.detect import DetectionPlan, detect_recordings
from waveworks.measures.detection_table import DETECTION_COLUMNS, detection_table
from waveworks.measures.random_onsets import RANDOM_ONSET
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
    recording = make_recording(Blocks(blocks, (25,) * 40, AXIS), "b", rate_hz=40.0)
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


def test_an_unknown_test_is_refused_and_a_repeated_one_made_once(make_recording):
    recording = make_recording(Sweeps(SWEEPS, AXIS), "a")
    with pytest.raises(DataError, match="test is 'magic'"):
        detect(recording, tests=("magic",))
    (one,) = detect(recording, tests=("hotelling-t2", "hotelling-t2"))
    assert one.pvalue_holm == one.pvalue


def test_random_onsets_are_for_continuous_recordings(make_recording):
    """Sweeps that were cut elsewhere get the row only where it is asked for by name."""
    recording = make_recording(Sweeps(SWEEPS, AXIS), "a")
    assert RANDOM_ONSET not in [one.test for one in detect(recording)]
    first, other = detect(recording, tests=(RANDOM_ONSET, "hotelling-t2"))
    assert first.test == RANDOM_ONSET
    assert first.note == "no test: its sweeps are not cut from a continuous recording here"
    assert math.isnan(first.pvalue)
    assert first.detected is None
    assert other.pvalue_holm == other.pvalue
    blocks = Blocks(SWEEPS.reshape(40, 25, 300).mean(axis=1), (25,) * 40, AXIS)
    a, b = SWEEPS[::2].mean(axis=0), SWEEPS[1::2].mean(axis=0)
    for waveforms in (blocks, Buffers(a, b, 500, 500, AXIS)):
        named = detect(make_recording(waveforms, "b"), tests=(RANDOM_ONSET,))
        assert named[-1].test == RANDOM_ONSET
        assert "no test: its sweeps are not cut" in named[-1].note


def test_a_level_below_the_least_p_is_told(make_recording):
    """9999 flips, and 20 000 draws of noise, show no smaller p than one in so many and one."""
    recording = make_recording(Sweeps(SWEEPS, AXIS), "a", rate_hz=40.0)
    notes = {one.test: (one.note, one.detected) for one in detect(recording, alpha=1e-5)}
    assert notes["sign-flip"] == (
        "its p is never below 0.0001, its level is 1e-05: it cannot find anything",
        False,
    )
    assert "never below 5e-05, its level is 1e-05" in notes["shape"][0]
    for name in ("calibrated-f", "customary-f", "hotelling-t2"):
        assert notes[name] == ("", True)
    assert {one.note for one in detect(recording, alpha=1e-4)} == {""}
    # Ten sweeps can be turned over in 2^9 ways that differ.
    (few,) = detect(make_recording(Sweeps(SWEEPS[:10], AXIS), "b"), tests=("sign-flip",),
                    alpha=1e-3)  # fmt: skip
    assert few.note.startswith("its p is never below 0.00195, its level is 0.001")
    # Noise that 15 differences of sweeps tell is drawn 1000 times.
    (few,) = detect(make_recording(Sweeps(SWEEPS[:16], AXIS), "b"), tests=("shape",), alpha=5e-4)
    assert few.note.startswith("its p is never below 0.000999, its level is 0.0005")


def test_a_lowered_level_below_the_least_p_is_told_with_how_many_looks(make_recording):
    recording = make_recording(Sweeps(SWEEPS, AXIS), "a")
    looks = tuple(range(100, 1001, 100))
    for name, least in (("sign-flip", 1e-4), ("shape", 1 / 20_001)):
        (one,) = detect(recording, tests=(name,), looks=looks, kind="obrien-fleming")
        low = sum(level < least for level in one.levels)
        assert 0 < low < 10
        assert f"above its level at {low} of 10 looks: it cannot find anything there" in one.note


def test_buffers_tell_of_the_least_p_of_the_shape_test(make_recording):
    a, b = SWEEPS[::2].mean(axis=0), SWEEPS[1::2].mean(axis=0)
    ratio, shape = detect(make_recording(Buffers(a, b, 500, 500, AXIS), "ab"), alpha=5e-4)
    assert "never below" not in ratio.note
    assert "its p is never below 0.000999, its level is 0.0005" in shape.note


def test_nothing_is_said_to_be_detected_or_not_where_there_is_no_p(make_recording, monkeypatch):
    name = "calibrated-f"
    without = Detector(name, "", lambda *_: (math.nan, math.nan, ""), DETECTORS[name].paths)
    monkeypatch.setitem(DETECTORS, name, without)
    recording = make_recording(Sweeps(SWEEPS, AXIS), "a")
    for looks in ((), (500, 1000)):
        (one,) = detect(recording, tests=(name,), looks=looks)
        assert one.detected is None
        assert one.note == "no test: its p is not a number"
    assert detection_table([one])["detected"].tolist() == [None]


def test_seconds_are_missing_with_a_reason(make_recording):
    recording = make_recording(Sweeps(SWEEPS, AXIS), "a")
    (one,) = detect(recording, tests=("calibrated-f",), looks=(500, 1000))
    assert one.detected
    assert math.isnan(one.seconds)
    assert one.note == "no seconds: rate_hz is not given"
    noise = make_recording(Sweeps(simulate_noise("Q33", 500, seed=2), AXIS), "b")
    (one,) = detect(noise, tests=("calibrated-f",))
    assert not one.detected
    assert one.note == ""


def test_what_reading_noted_is_in_every_row(make_recording):
    recording = make_recording(Sweeps(SWEEPS, AXIS), "a", notes=("not band-passed",), rate_hz=40.0)
    assert {one.note for one in detect(recording)} == {"not band-passed"}
