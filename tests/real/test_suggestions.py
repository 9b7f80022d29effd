"""Suggested peaks in real averages: the positive wave near 50 ms of pattern electroretinograms.

`perg-ioba`: averaged responses with replicates (PhysioNet PERG-IOBA 1.0.0,
doi 10.13026/d24m-w054, ODC-By), read in place. A positive wave near 50 ms and a negative one near
95 ms are the textbook shape of a healthy eye (from memory). Their widths below are own choices.
"""

import csv
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from waveworks.dsp.peaks import WaveShape, suggest_marks

RATE_HZ = 1694.46
TIMES_MS = np.arange(255) / RATE_HZ * 1e3
WINDOW_MS = (35.0, 70.0)
SHAPE = WaveShape(v_width_ms=8.0, sn10_width_ms=14.0, sn10_lag_ms=45.0)
APART_MS = 5.0


@pytest.fixture
def eyes(real_recordings: Callable[[str], Path]) -> list[np.ndarray]:
    """The two replicates, in nV, of every eye in which they agree and are not copies."""
    pairs = []
    for path in sorted((real_recordings("perg-ioba") / "csv").glob("0*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        if "RE_2" in rows[0]:
            for side in ("RE", "LE"):
                names = [f"{side}_{number}" for number in (1, 2)]
                pairs.append(np.array([[float(row[name]) * 1e3 for row in rows] for name in names]))
    found = [p for p in pairs if np.corrcoef(p)[0, 1] > 0.9 and not np.array_equal(p[0], p[1])]
    assert len(found) == 35
    return found


def suggested_ms(pair: np.ndarray) -> list[float]:
    """The likeliest peak of each replicate alone; NaN where it is no local one."""
    noise = [(pair[0] - pair[1]) / math.sqrt(2)]  # at the scale of the noise in one replicate
    found = [
        suggest_marks(
            trace,
            TIMES_MS,
            math.nan,
            WINDOW_MS,
            noise=noise,
            shape=SHAPE,
            sn10_after_ms=(20.0, 75.0),
            response_window_ms=(15.0, 130.0),
        )
        for trace in pair
    ]
    return [math.nan if "edge" in m.note else m.others[0].v_ms for m in found]


def highest_ms(pair: np.ndarray) -> list[float]:
    """The maximum of each replicate behind a low-pass at 60 Hz; NaN where it is no local one."""
    sections = signal.butter(2, 60, fs=RATE_HZ, output="sos")
    inside = np.flatnonzero((WINDOW_MS[0] <= TIMES_MS) & (WINDOW_MS[1] >= TIMES_MS))
    tops = inside[signal.sosfiltfilt(sections, pair)[:, inside].argmax(axis=-1)]
    return [math.nan if top in inside[[0, -1]] else TIMES_MS[top] for top in tops]


def agreeing_ms(latencies: list[list[float]]) -> list[float]:
    return [float(np.mean(pair)) for pair in latencies if abs(pair[0] - pair[1]) <= APART_MS]


def test_peaks_of_two_replicates_agree_in_more_eyes_than_by_a_plain_maximum(eyes):
    found = agreeing_ms([suggested_ms(pair) for pair in eyes])
    plain = agreeing_ms([highest_ms(pair) for pair in eyes])
    assert len(found) > max(31, len(plain))  # 31 of 35: a 60 Hz low-pass and maximum elsewhere
    assert 48 <= np.median(found) <= 53
