"""What is measured on one recording."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from waveworks.measures.recordings import measure_recordings
from waveworks.measures.tables import MEASURES_COLUMNS, measures_table
from waveworks.model import Average, Blocks, Buffers, Session, SessionInfo, Sweeps, TimeAxis
from waveworks.settings import default_settings

AXIS = TimeAxis(12000.0, 0.0, 300)
SETTINGS = default_settings().override(response_ms=(5.0, 17.0), fsp_point_ms=11.0)
INSIDE = slice(60, 205)


def measure(*recordings, settings=SETTINGS):
    session = Session(folder=Path(), info=SessionInfo("s"), recordings=recordings)
    return measure_recordings(session, settings)


def test_f_statistics_of_sweeps(make_recording, rng) -> None:
    sweeps = rng.normal(0, 800, (40, 300))
    (measured,) = measure(make_recording(Sweeps(sweeps, AXIS)))
    found = measured.detection
    expected = stats.f_oneway(*sweeps[:, INSIDE].T).statistic
    assert found.fmp == pytest.approx(expected, rel=1e-10)
    at_point = sweeps[:, 132]  # 11 ms
    fsp = 40 * sweeps[:, INSIDE].mean(axis=0).var(ddof=1) / at_point.var(ddof=1)
    assert found.fsp == pytest.approx(fsp, rel=1e-10)
    assert found.fsp_point_ms == pytest.approx(11.0)
    assert found.method == "quadratic-form"
    assert 0 < found.pvalue < 1


def test_f_statistics_of_equal_blocks_only(make_recording, rng) -> None:
    blocks = rng.normal(0, 50, (8, 300))
    equal, unequal = measure(
        make_recording(Blocks(blocks, (100,) * 8, AXIS)),
        make_recording(Blocks(blocks, (100,) * 7 + (50,), AXIS), "u"),
    )
    assert equal.detection.fmp == pytest.approx(stats.f_oneway(*blocks[:, INSIDE].T).statistic)
    assert math.isnan(unequal.detection.fmp)
    assert "no F statistic: blocks of unequal size" in unequal.notes


def test_buffers_give_a_ratio_and_no_f(make_recording, rng) -> None:
    a, b = rng.normal(0, 30, (2, 300))
    (measured,) = measure(make_recording(Buffers(a, b, 500, 500, AXIS)))
    expected = ((a + b) / 2)[INSIDE].var() / ((a - b) / 2)[INSIDE].var()
    assert measured.detection.ab_ratio == pytest.approx(expected, rel=1e-10)
    assert math.isnan(measured.detection.fmp)
    assert "no F statistic: buffers hold no sweeps; see ab_ratio" in measured.notes


def test_an_average_without_replicates_keeps_its_row(make_recording, rng) -> None:
    (measured,) = measure(make_recording(Average(rng.normal(0, 30, 300), 2000, AXIS)))
    assert math.isnan(measured.noise.rn_nv)
    assert measured.notes == (
        "no residual noise: one average without sweeps, buffers or replicates",
        "no F statistic: an average holds no sweeps",
    )
    assert measured.faults == ()


def test_averages_of_one_condition_are_each_others_evidence(make_recording, rng) -> None:
    x, y = rng.normal(0, 20, (2, 300))
    first, second = measure(
        make_recording(Average(x, 1000, AXIS), "x"), make_recording(Average(y, 3000, AXIS), "y")
    )
    # Two averages: the noise of each is the difference's, shared by their sweeps.
    per_sweep = ((x - y)[18:] ** 2).mean() * 1000 * 3000 / 4000
    assert first.noise.rn_nv == pytest.approx(math.sqrt(per_sweep / 1000), rel=1e-12)
    assert second.noise.rn_nv == pytest.approx(math.sqrt(per_sweep / 3000), rel=1e-12)
    assert first.noise.method == "replicates"


def test_a_control_borrows_no_evidence(make_recording, rng) -> None:
    x, y = rng.normal(0, 20, (2, 300))
    control = make_recording(Average(x, 1000, AXIS), "c", kind="control")
    measured, _ = measure(control, make_recording(Average(y, 1000, AXIS), "t"))
    assert math.isnan(measured.noise.rn_nv)


def test_a_stored_combination_is_compared_with_its_parts(make_recording, rng) -> None:
    x, y = rng.normal(0, 20, (2, 300))
    stored = 0.25 * x + 0.75 * y
    stored[7] += 0.5
    *_, measured = measure(
        make_recording(Average(x, 1000, AXIS), "x"),
        make_recording(Average(y, 3000, AXIS), "y"),
        make_recording(Average(stored, 4000, AXIS), "s", parts=("x", "y")),
    )
    expected = "differs by at most 0.5 nV from the count-weighted average of its parts"
    assert expected in measured.notes
    assert math.isnan(measured.noise.rn_nv)


def test_parts_that_cannot_be_compared_are_said(make_recording, rng) -> None:
    x = rng.normal(0, 20, 300)
    part = make_recording(Average(x, 1000, AXIS), "x")
    stored = make_recording(Average(x, 1000, AXIS), "s", parts=("x",))
    broken = replace(part, waveforms=None, problem="gone")
    assert "not compared with its parts: x could not be read" in measure(broken, stored)[1].notes
    louder = replace(part, condition=replace(part.condition, level_db_nhl=50.0))
    assert "parts x are of another condition" in measure(louder, stored)[1].notes
    short = make_recording(Average(x[:200], 9, TimeAxis(12000.0, 0.0, 200)), "x")
    notes = measure(short, stored)[1].notes
    assert any("not compared with its parts: replicates 's' and 'x' differ" in n for n in notes)


def test_windows_outside_the_data_are_faults(make_recording, rng) -> None:
    settings = SETTINGS.override(noise_ms=(5.0, 40.0), response_ms=(5.0, 50.0))
    (measured,) = measure(
        make_recording(Sweeps(rng.normal(0, 9, (5, 300)), AXIS)), settings=settings
    )
    assert measured.faults == (
        "no residual noise: noise window 5 to 40 ms is not inside the data, 0 to 24.9167 ms",
        "no F statistic: response window 5 to 50 ms is not inside the data, 0 to 24.9167 ms",
    )


def test_a_point_outside_the_response_window_is_a_fault(make_recording, rng) -> None:
    (measured,) = measure(
        make_recording(Sweeps(rng.normal(0, 9, (5, 300)), AXIS)),
        settings=SETTINGS.override(fsp_point_ms=3.0),
    )
    assert measured.faults == ("no F statistic: Fsp point 3 ms is not inside the response window",)


def test_settings_without_the_stimulus_are_a_fault(make_recording, rng) -> None:
    clicks_only = replace(SETTINGS, stimuli=SETTINGS.stimuli[:1])
    recording = make_recording(Sweeps(rng.normal(0, 9, (5, 300)), AXIS))
    other = replace(recording, condition=replace(recording.condition, stimulus="other"))
    (measured,) = measure(other, settings=clicks_only)
    assert measured.faults == ("the settings have no row for the stimulus 'other'",)


def test_the_table_has_the_promised_columns_and_no_invented_number(make_recording, rng) -> None:
    table = measures_table(
        measure(
            make_recording(Average(rng.normal(0, 9, 300), None, AXIS), "a"),
            make_recording(None, "b", problem="b.csv: broken"),
        )
    )
    assert tuple(table.columns) == MEASURES_COLUMNS
    assert table["recording"].tolist() == ["a", "b"]
    assert table["note"].tolist()[1] == "b.csv: broken"
    for column in ("n_sweeps", "rn_nv", "fmp", "fsp", "ab_ratio", "f_pvalue", "rn_df"):
        assert table[column].isna().all(), column
    assert np.isnan(table["rn_nv"].tolist()[0])
