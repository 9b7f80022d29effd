"""The Python road: read, analyse, take the tables."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import waveworks as ww


def test_the_public_names_work_together(quiet_ward: Path) -> None:
    session = ww.read_session(quiet_ward)
    analysis = ww.analyse(session)
    assert isinstance(analysis, ww.Analysis)
    assert len(analysis.measures) == len(session.recordings)
    assert analysis.faults == ()
    tested = {(row.ear, row.level_db_nhl) for row in analysis.levels.itertuples()}
    assert tested == {("right", level) for level in (20, 30, 40, 50, 60)} | {
        ("left", 40),
        ("left", 60),
    }
    assert isinstance(analysis.traces, pd.DataFrame)
    assert set(analysis.traces["trace"]) == {"1", "2", "combined"}


def test_settings_change_the_windows(quiet_ward: Path) -> None:
    session = ww.read_session(quiet_ward)
    settings = ww.default_settings().override(noise_ms=(5.0, 17.0))
    measures = ww.analyse(session, settings).measures
    assert set(measures["noise_start_ms"].dropna()) == {5.0}
    assert set(measures["noise_stop_ms"].dropna()) == {17.0}


def test_the_settings_of_the_session_are_the_default(write_manifest, write_traces) -> None:
    folder = write_manifest({})
    write_traces(folder / "one.csv", {"average": np.random.default_rng(0).normal(0, 50, 300)})
    (folder / "session.toml").write_text("settings = 'ours.toml'", encoding="utf-8")
    (folder / "ours.toml").write_text(
        "name = 'ours'\n[[stimulus]]\nstimulus = 'click'\nresponse_window_ms = [2, 3]\n"
        "noise_window_ms = [4, 5]\n",
        encoding="utf-8",
    )
    analysis = ww.analyse(ww.read_session(folder))
    assert analysis.settings.name == "ours"
    assert analysis.measures["response_start_ms"].tolist() == [2.0]


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'nonsense'"):
        _ = ww.nonsense
    assert "read_session" in dir(ww)
