"""Recordings made in memory."""

from collections.abc import Callable

import numpy as np
import pytest

from waveworks.model import (
    Average,
    Blocks,
    Buffers,
    ClinicianMarks,
    Condition,
    Counts,
    Recording,
    Sweeps,
    TimeAxis,
)

AXIS = TimeAxis(12000.0, 0.0, 300)
CONDITION = Condition("right", "insert", "click", level_db_nhl=40.0)

LAYOUTS = {Sweeps: "sweeps", Blocks: "blocks", Buffers: "buffers", Average: "average"}


@pytest.fixture
def make_recording() -> Callable[..., Recording]:
    """`make_recording(waveforms, "name", v_ms=..., **fields)`."""

    def make(waveforms, name="r", *, v_ms=np.nan, sn10_ms=np.nan, **fields) -> Recording:
        given = {
            "kind": "test",
            "condition": CONDITION,
            "layout": LAYOUTS.get(type(waveforms), "average"),
            "counts": Counts(getattr(waveforms, "n_sweeps", None)),
            "marks": ClinicianMarks(v_ms, sn10_ms),
            **fields,
        }
        return Recording(name=name, waveforms=waveforms, **given)

    return make


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(77)
