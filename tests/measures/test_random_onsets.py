"""The test at random onsets, on recordings that were cut from a continuous one."""

import math

import numpy as np
import pytest

from waveworks.dsp.multiple_tests import holm
from waveworks.dsp.random_onsets import random_onset_test
from waveworks.loaders.session import read_session
from waveworks.measures.detect import TESTS, DetectionPlan, detect_recordings
from waveworks.measures.random_onsets import RANDOM_ONSET
from waveworks.settings import default_settings
from waveworks.simulate.noise import simulate_noise
from waveworks.simulate.response import response

PER_MS = 3  # samples
N_SWEEPS, LENGTH = 400, 75  # sweeps of 25 ms that follow each other
ONSETS = LENGTH * np.arange(N_SWEEPS)
NOISE = simulate_noise("Q33", N_SWEEPS, seed=1).ravel()[::4]
WAVE = np.tile(response(np.arange(LENGTH) / PER_MS, 8.0, 250.0), N_SWEEPS)
FORMAT = """
[time]
kind = "none"
rate_hz = 3000.0
[signals]
unit = "nV"
[marker]
column = "marker"
code = 1
"""
ROW = {
    "file": "c.csv",
    "csv_format": "f.toml",
    "layout": "sweeps",
    "signals": "Cz",
    "event": "1",
    "epoch_start_ms": "0",
    "epoch_stop_ms": "24",
}


@pytest.fixture
def detect(write_manifest):
    """Write one continuous recording, read it as a session, and test it."""

    def detect(values, row=None, *, onsets=ONSETS, reject_uv=None, **plan):
        folder = write_manifest({**ROW, **(row or {})})
        (folder / "f.toml").write_text(FORMAT, encoding="utf-8")
        marker = np.isin(np.arange(len(values)), onsets)
        table = np.column_stack([values, marker])
        np.savetxt(folder / "c.csv", table, "%.3f", ",", header="Cz,marker", comments="")
        settings = default_settings().override(reject_uv=reject_uv)
        session = read_session(folder, settings=settings)
        assert session.recordings[0].problem == ""
        return detect_recordings(session, settings, DetectionPlan(**plan))

    return detect


def by_hand(values, starts, n_samples):
    """The response window of clicks, 5 to 15 ms, at the onsets."""
    return random_onset_test(np.round(values, 3), starts, n_samples, n_draws=999, seed=4711)


def test_a_continuous_recording_gets_the_test_beside_the_others(detect):
    found = detect(NOISE + WAVE)
    assert [one.test for one in found] == list(TESTS)
    one = found[-1]
    assert one.test == RANDOM_ONSET
    alone = by_hand(NOISE + WAVE, ONSETS + 5 * PER_MS, 10 * PER_MS + 1)
    assert (one.statistic, one.pvalue) == (pytest.approx(alone.statistic), alone.pvalue)
    assert one.pvalue == 1 / 1000
    assert one.detected
    assert (one.looks, one.sweeps, one.levels) == ((N_SWEEPS,), N_SWEEPS, (0.01,))
    assert (one.start_ms, one.stop_ms) == (5.0, 15.0)
    corrected = [row for row in found if row.test != "customary-f"]
    assert [row.pvalue_holm for row in corrected] == pytest.approx(
        holm([row.pvalue for row in corrected])
    )


def test_noise_alone_is_not_found(detect):
    (one,) = detect(NOISE, tests=(RANDOM_ONSET,))
    assert one.pvalue == by_hand(NOISE, ONSETS + 5 * PER_MS, 10 * PER_MS + 1).pvalue
    assert one.pvalue > 0.05
    assert one.detected is False
    assert one.sweeps is None


def test_the_window_follows_the_earphone_delay(detect):
    (one,) = detect(NOISE + WAVE, {"earphone_delay_ms": "1"}, tests=(RANDOM_ONSET,))
    alone = by_hand(NOISE + WAVE, ONSETS + 6 * PER_MS, 10 * PER_MS + 1)
    assert one.statistic == pytest.approx(alone.statistic)


def test_only_the_onsets_of_sweeps_that_were_kept_are_used_and_it_says_so(detect):
    values = NOISE + WAVE
    values[10 * LENGTH : 12 * LENGTH] *= 100
    limit_uv = 2 * np.abs(NOISE).max() / 1000
    (one,) = detect(values, reject_uv=limit_uv, tests=(RANDOM_ONSET,))
    kept = np.delete(ONSETS, [10, 11])
    alone = by_hand(values, kept + 5 * PER_MS, 10 * PER_MS + 1)
    assert (one.statistic, one.pvalue) == (pytest.approx(alone.statistic), alone.pvalue)
    assert one.sweeps in {None, N_SWEEPS - 2}
    assert "2 of 400 sweeps were rejected, windows at random onsets are not" in one.note


def test_with_looks_it_is_made_once_and_says_so(detect):
    found = detect(NOISE + WAVE, {"rate_hz": "40"}, looks=(100, 200, 300))
    one = found[-1]
    assert one.test == RANDOM_ONSET
    assert one.looks == (N_SWEEPS,)
    assert one.levels == (0.01,)
    assert one.sweeps == N_SWEEPS
    assert one.seconds == N_SWEEPS / 40
    assert "made once, on all 400 sweeps, not at the looks" in one.note
    assert all("made once" not in other.note for other in found[:-1])


def test_too_short_a_recording_says_so(detect):
    found = detect(NOISE[: 20 * LENGTH])
    one = found[-1]
    assert one.test == RANDOM_ONSET
    assert one.note.startswith("no test: signal: 1500 samples hold 48 windows of 31 samples")
    assert math.isnan(one.pvalue)
    assert one.detected is None


def test_windows_that_overlap_say_so(detect):
    (one,) = detect(NOISE, onsets=15 * np.arange(1900), tests=(RANDOM_ONSET,))
    assert one.note.startswith("no test: onsets: ")
    assert "overlap" in one.note
    assert math.isnan(one.pvalue)


def test_a_file_that_went_away_is_a_reason(detect, tmp_path):
    detect(NOISE, tests=("hotelling-t2",))
    settings = default_settings()
    session = read_session(tmp_path / "session", settings=settings)
    (tmp_path / "session" / "c.csv").unlink()
    found = detect_recordings(session, settings, DetectionPlan())
    assert found[-1].note == "no test: c.csv: no such file in the session folder"
    assert not math.isnan(found[0].pvalue)
