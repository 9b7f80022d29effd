"""Scenarios written in a few lines."""

from collections.abc import Callable
from pathlib import Path

import pytest

from waveworks.simulate.plans import Scenario
from waveworks.simulate.scenario import read_scenario

SERIES = {
    "ear": '"right"',
    "stimulus": '"click"',
    "true_threshold_db_nhl": "30",
    "layout": '"buffers"',
    "n_sweeps": "40",
}
RECORDING = {"level_db_nhl": "50"}


@pytest.fixture
def write_scenario(tmp_path: Path) -> Callable[..., Path]:
    """Write a scenario of one series: values are TOML, None leaves a key out.

    `write_scenario({"runs": "2"}, top="seed = 3", series={"ear": '"left"'})`: a dict a recording.
    """

    def write(*recordings: dict[str, str], top: str = "", series=None, name="one.toml") -> Path:
        lines = [top, "[[series]]", *pairs({**SERIES, **(series or {})})]
        for recording in recordings or ({},):
            lines += ["[[series.recording]]", *pairs({**RECORDING, **recording})]
        path = tmp_path / name
        path.write_text("\n".join(lines), encoding="utf-8")
        return path

    return write


@pytest.fixture
def scenario_of(write_scenario: Callable[..., Path]) -> Callable[..., Scenario]:
    """Return the scenario that `write_scenario` with the same arguments describes."""
    return lambda *recordings, **given: read_scenario(write_scenario(*recordings, **given))


def pairs(table: dict[str, str | None]) -> list[str]:
    return [f"{key} = {value}" for key, value in table.items() if value is not None]
