"""Settings files and the windows that they give."""

import hashlib
import math
from pathlib import Path

import pytest

from waveworks.errors import SettingsError
from waveworks.model.condition import STIMULI
from waveworks.settings import default_settings, read_settings

ROW = """
[[stimulus]]
stimulus = "click"
response_window_ms = [5, 15]
noise_window_ms = [1.5, inf]
"""


@pytest.fixture
def read(tmp_path: Path):
    def read(text: str):
        path = tmp_path / "s.toml"
        path.write_text(text, encoding="utf-8")
        return read_settings(path, name="s.toml")

    return read


@pytest.mark.parametrize("stimulus", STIMULI)
def test_the_shipped_settings_serve_every_stimulus(stimulus: str) -> None:
    windows = default_settings().windows_for(stimulus, None)
    assert windows is not None
    assert windows.source


def test_a_row_of_the_frequency_wins_over_the_row_without(read) -> None:
    settings = default_settings()
    at_500 = settings.windows_for("tone-burst", 500.0)
    elsewhere = settings.windows_for("tone-burst", 4000.0)
    assert at_500.frequency_hz == 500.0
    assert elsewhere.frequency_hz is None
    assert at_500.v_ms[0] > elsewhere.v_ms[0]


def test_v_windows_hold_the_published_infant_latencies() -> None:
    """Almeida, Rodrigues and Lewis 2011, Rev CEFAC 13(3): mean wave V at 70 and 20 dB nHL."""
    published = {500.0: (10.75, 15.2), 1000.0: (8.9, 13.4), 2000.0: (7.7, 10.2), 4000.0: (7.3, 9.4)}
    for frequency_hz, latencies_ms in published.items():
        start, stop = default_settings().windows_for("tone-burst", frequency_hz).v_ms
        assert all(start < latency < stop for latency in latencies_ms)


def test_processing_is_off_by_default() -> None:
    settings = default_settings()
    assert (settings.bandpass_hz, settings.reject_uv) == (None, None)


def test_a_file_is_read_and_hashed(read, tmp_path: Path) -> None:
    settings = read(f"name = 'ours'\n[processing]\nbandpass_hz = [30, 1500]\nreject_uv = 5\n{ROW}")
    assert settings.name == "ours"
    assert settings.bandpass_hz == (30.0, 1500.0)
    assert settings.reject_uv == 5.0
    assert settings.sha256 == hashlib.sha256((tmp_path / "s.toml").read_bytes()).hexdigest()
    windows = settings.windows_for("click", None)
    assert windows.noise_ms == (1.5, math.inf)
    assert windows.v_ms is None
    assert math.isnan(windows.fsp_point_ms)
    assert settings.windows_for("tone-burst", 500.0) is None


def test_an_option_replaces_the_value_of_every_row_and_is_named() -> None:
    changed = default_settings().override(response_ms=(1.0, 2.0), reject_uv=7.0)
    assert {row.response_ms for row in changed.stimuli} == {(1.0, 2.0)}
    assert changed.reject_uv == 7.0
    assert changed.changed == ("response_ms = (1.0, 2.0)", "reject_uv = 7.0")
    assert default_settings().override().changed == ()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("window = 3\n" + ROW, "unknown key 'window'; known: name, processing, stimulus"),
        (ROW + "v_window = [1, 2]", "unknown key 'stimulus 1.v_window'; known: stimulus, freq"),
        ("name = 'x'", "no [[stimulus]] row"),
        (ROW + ROW, "stimulus 2: a second row for 'click'"),
        ("[[stimulus]]\nstimulus = 'click'", "'stimulus 1.response_window_ms' is missing"),
        ("[[stimulus]]\nfrequency_hz = 3", "'stimulus 1.stimulus' is missing"),
        (ROW + "v_window_ms = [5, 4]", "'stimulus 1.v_window_ms' is [5, 4]; it must be two rising"),
        (ROW + "fsp_point_ms = true", "'stimulus 1.fsp_point_ms' is True; it must be a finite"),
        ("[processing]\nreject_uv = 0\n" + ROW, "'processing.reject_uv' is 0 uV; it must be above"),
        ("[processing]\nbandpass_hz = [0, 9]\n" + ROW, "two rising numbers above 0, in Hz"),
        ("processing = 3\n" + ROW, "'processing' must be a table"),
    ],
)
def test_a_fault_names_file_and_key(read, text: str, message: str) -> None:
    with pytest.raises(SettingsError) as caught:
        read(text)
    assert str(caught.value).startswith("s.toml: ")
    assert message in str(caught.value)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"gone\.toml: cannot be read: No such file"):
        read_settings(tmp_path / "gone.toml", name="gone.toml")
