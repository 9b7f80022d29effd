"""Levels and recordings whose samples are known, measured as any other."""

from dataclasses import replace
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.axes import Axes

from waveworks.measures.levels import LevelMeasures, measure_levels
from waveworks.measures.recordings import RecordingMeasures, measure_recordings
from waveworks.model import (
    Average,
    Buffers,
    ClinicianMarks,
    Condition,
    Counts,
    Recording,
    Session,
    SessionInfo,
    Sweeps,
    TimeAxis,
)
from waveworks.settings import default_settings

CLICK = Condition("right", "insert", "click", level_db_nhl=40.0)
LAYOUTS = {Sweeps: "sweeps", Buffers: "buffers", Average: "average"}


class Bench:
    """Makes things to draw; the same each time."""

    axis = TimeAxis(12000.0, 0.0, 300)

    def __init__(self) -> None:
        self.rng = np.random.default_rng(20)

    def response(self, amplitude_nv: float = 200.0, axis: TimeAxis | None = None) -> np.ndarray:
        times = (axis or self.axis).times_ms
        v = np.exp(-(((times - 7.5) / 0.8) ** 2))
        sn10 = np.exp(-(((times - 10.5) / 1.2) ** 2))
        return amplitude_nv / 2 * (v - sn10)

    def noise(self, sd_nv: float, n_samples: int) -> np.ndarray:
        slow = np.convolve(self.rng.standard_normal(n_samples + 15), np.hanning(16), "valid")
        return sd_nv * slow[:n_samples] / np.sqrt(np.sum(np.hanning(16) ** 2))

    def sweeps(
        self,
        n_sweeps: int = 600,
        *,
        amplitude_nv: float = 200.0,
        sd_nv: float = 600.0,
        axis: TimeAxis | None = None,
    ) -> Sweeps:
        axis = axis or self.axis
        noise = np.array([self.noise(sd_nv, axis.n_samples) for _ in range(n_sweeps)])
        return Sweeps(noise + self.response(amplitude_nv, axis), axis)

    def buffers(
        self,
        *,
        amplitude_nv: float = 200.0,
        sd_nv: float = 20.0,
        axis: TimeAxis | None = None,
        counts: tuple[int, int] = (1000, 1000),
    ) -> Buffers:
        axis = axis or self.axis
        response = self.response(amplitude_nv, axis)
        a, b = (response + self.noise(sd_nv, axis.n_samples) for _ in range(2))
        return Buffers(a, b, *counts, axis)

    def average(
        self,
        *,
        amplitude_nv: float = 200.0,
        sd_nv: float = 15.0,
        axis: TimeAxis | None = None,
        trace_nv: np.ndarray | None = None,
    ) -> Average:
        axis = axis or self.axis
        if trace_nv is None:
            trace_nv = self.response(amplitude_nv, axis) + self.noise(sd_nv, axis.n_samples)
        return Average(trace_nv, 1000, axis)

    def recording(
        self,
        waveforms: Sweeps | Buffers | Average | None,
        name: str = "r",
        *,
        condition: Condition = CLICK,
        v_ms: float = np.nan,
        sn10_ms: float = np.nan,
        **fields,
    ) -> Recording:
        return Recording(
            name=name,
            kind="test",
            layout=LAYOUTS.get(type(waveforms), "average"),
            condition=condition,
            waveforms=waveforms,
            counts=Counts(getattr(waveforms, "n_sweeps", None)),
            marks=ClinicianMarks(v_ms, sn10_ms),
            **fields,
        )

    def session(self, recordings: list[Recording]) -> Session:
        return Session(folder=Path("nowhere"), info=SessionInfo("s"), recordings=tuple(recordings))

    def level(self, *waveforms, condition: Condition = CLICK, **fields) -> LevelMeasures:
        recordings = [
            self.recording(one, f"r{number}", condition=condition, **fields)
            for number, one in enumerate(waveforms)
        ]
        (level,) = measure_levels(self.session(recordings), default_settings())
        return level

    def series(self, *levels_db: float, condition: Condition = CLICK, **fields):
        """Two averages a level, with amplitudes that fall with the level."""
        return [
            self.level(
                self.average(amplitude_nv=4 * level_db),
                self.average(amplitude_nv=4 * level_db),
                condition=replace(condition, level_db_nhl=level_db),
                **fields,
            )
            for level_db in levels_db
        ]

    def measured(self, recording: Recording) -> RecordingMeasures:
        (measured,) = measure_recordings(self.session([recording]), default_settings())
        return measured


@pytest.fixture(scope="session")
def make_bench() -> type[Bench]:
    return Bench


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture(autouse=True)
def _no_settings_of_matplotlib_change():
    before = dict(mpl.rcParams)
    yield
    assert dict(mpl.rcParams) == before


@pytest.fixture
def lines_named():
    """`lines_named(ax, "trace 1")`: the lines with that label, in the order of drawing."""

    def find(ax: Axes, label: str) -> list:
        return [line for line in ax.lines if line.get_label() == label]

    return find


@pytest.fixture
def words_of():
    """`words_of(ax)`: all that is written, in one string."""

    def read(ax: Axes) -> str:
        texts = [*(text.get_text() for text in ax.texts), ax.get_xlabel(), ax.get_ylabel()]
        return "\n".join(texts).replace("\n", " ")

    return read
