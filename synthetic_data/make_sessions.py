"""Make the invented session of this folder, the same bytes every time.

Run as ``python synthetic_data/make_sessions.py``. The infant, the department and every waveform
are invented: responses follow the level series of the validation scenarios, noise is Q33.
"""

import csv
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from waveworks.simulate.noise import SD_NV, simulate_average
from waveworks.simulate.response import (
    LevelResponse,
    response,
    series_response,
    true_sn10_ms,
    true_v_ms,
)

FloatArray = NDArray[np.float64]

SEED = 312
"""Chosen among a few hundred so that an eye reads the levels without doubt; therefore this session
says nothing about how often that succeeds."""

NOISE = "Q33"
TOP_DB_NHL = 60
TRUE_THRESHOLD_DB_NHL = 30
NV_PER_UNIT = {"nV": 1.0, "uV": 1000.0}
ARTEFACT_STOP_MS = 1.5
"""The reported residual noise is taken from here to the end of the trace."""

SESSION_TOML = """\
# An invented infant in an invented department: nothing here was recorded from a person.
session = "quiet ward"
corrected_age_weeks = 6
test_date = "2024-05-14"
notes = "Asleep throughout. Invented: see the README beside this folder."
tester_conclusion = "Right ear, 4 kHz: threshold 30 dB nHL. Left ear begun, not finished."

[[reported_threshold]]
ear = "right"
transducer = "insert"
stimulus = "narrowband-chirp"
frequency_hz = 4000
relation = "="
level_db_nhl = 30
"""

MANIFEST_COLUMNS = (
    "recording",
    "file",
    "layout",
    "kind",
    "ear",
    "transducer",
    "stimulus",
    "frequency_hz",
    "level_db_nhl",
    "condition",
    "channel",
    "polarity",
    "highpass_hz",
    "lowpass_hz",
    "masking_db",
    "unit",
    "n_sweeps",
    "n_a",
    "n_b",
    "n_per_block",
    "n_rejected",
    "buffer_split",
    "parts",
    "rate_hz",
    "mains_hz",
    "impedance_kohm",
    "system",
    "comment",
    "reported_rn_nv",
    "v_ms",
    "sn10_ms",
)
TRUTH_COLUMNS = (
    "recording",
    "true_v_ms",
    "true_sn10_ms",
    "true_v_sn10_nv",
    "true_rn_nv",
    "noise",
    "response",
)
CHANNELS = {"right": "Fz-M2", "left": "Fz-M1"}


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What one recording is to hold.

    `counts` are the sweeps behind each stored waveform: A and B, the average, each block; a sweep
    itself is an average of one.
    """

    name: str
    layout: str
    level_db_nhl: int
    counts: tuple[int, ...]
    ear: str = "right"
    kind: str = "test"
    condition: str = ""
    unit: str = "nV"
    decimals: int = 1
    sfreq_hz: float = 10_000.0
    n_samples: int = 250
    two_files: bool = False
    parts: tuple[str, ...] = ()
    report_noise: bool = False
    n_rejected: str = ""
    marks_ms: tuple[str, str] = ("", "")
    comment: str = ""

    @property
    def times_ms(self) -> FloatArray:
        """Time after the stimulus in ms."""
        times: FloatArray = np.arange(self.n_samples, dtype=np.float64) * (1e3 / self.sfreq_hz)
        return times

    @property
    def files(self) -> tuple[str, ...]:
        """Names of the data files."""
        ends = ("-a", "-b") if self.two_files else ("",)
        return tuple(f"{self.name}{end}.csv" for end in ends)

    @property
    def truth(self) -> LevelResponse:
        """The response that the recording holds."""
        if self.kind == "control":
            return LevelResponse(math.nan, 0.0)
        return series_response(
            self.level_db_nhl, top_db_nhl=TOP_DB_NHL, threshold_db_nhl=TRUE_THRESHOLD_DB_NHL
        )


AVERAGE = Plan(name="", layout="average", level_db_nhl=60, counts=(1500,), unit="uV", decimals=4)
BUFFERS = Plan(name="", layout="buffers", level_db_nhl=50, counts=(1000, 1000))

PLANS = (
    replace(AVERAGE, name="right-60-1", n_rejected="31", marks_ms=("7.5", "10.6")),
    replace(AVERAGE, name="right-60-2", n_rejected="18", marks_ms=("7.6", "10.6")),
    replace(BUFFERS, name="right-50-1", counts=(1006, 1005), marks_ms=("7.9", "11.1")),
    replace(BUFFERS, name="right-50-2", counts=(998, 998), marks_ms=("8.1", "12.1")),
    replace(
        BUFFERS,
        name="right-40-1",
        level_db_nhl=40,
        report_noise=True,
        marks_ms=("8.4", "11.5"),
        comment=f"reported noise: RMS of half of A minus B from {ARTEFACT_STOP_MS} ms",
    ),
    replace(
        BUFFERS,
        name="right-40-2",
        level_db_nhl=40,
        counts=(1012, 1004),
        unit="uV",
        decimals=4,
        two_files=True,
        marks_ms=("8.4", "11.8"),
        comment="A and B in a file each",
    ),
    replace(BUFFERS, name="right-30-1", level_db_nhl=30, counts=(1400, 1400)),
    replace(BUFFERS, name="right-30-2", level_db_nhl=30, counts=(1410, 1408)),
    replace(BUFFERS, name="right-30-3", level_db_nhl=30, counts=(1404, 1404)),
    replace(BUFFERS, name="right-30-4", level_db_nhl=30, counts=(1390, 1392)),
    replace(BUFFERS, name="right-20-1", level_db_nhl=20, counts=(1800, 1800)),
    replace(BUFFERS, name="right-20-2", level_db_nhl=20, counts=(1810, 1808)),
    replace(
        BUFFERS,
        name="right-30-stored",
        layout="average",
        level_db_nhl=30,
        counts=(5608,),
        parts=("right-30-1", "right-30-3"),
        marks_ms=("9.3", "12.2"),
        comment="combined by the recording system, by sweep counts",
    ),
    replace(
        BUFFERS,
        name="right-control",
        level_db_nhl=60,
        kind="control",
        condition="blocked tube",
        comment="stimulus on, sound tube clamped",
    ),
    Plan(
        name="left-60-1",
        layout="sweeps",
        ear="left",
        level_db_nhl=60,
        counts=(1,) * 150,
        unit="uV",
        decimals=2,
        sfreq_hz=5000.0,
        n_samples=120,
        comment="the first sweeps only, exported one by one",
    ),
    Plan(name="left-40-1", layout="blocks", ear="left", level_db_nhl=40, counts=(125,) * 16),
)


def make_quiet_ward(folder: Path) -> None:
    """Write the session and its truth into a folder, which is made if it does not exist."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "session.toml").write_bytes(SESSION_TOML.encode())
    stored: dict[str, FloatArray] = {}
    for number, plan in enumerate(PLANS):
        stored[plan.name] = waveforms(plan, number, stored)
        write_data(folder, plan, stored[plan.name])
    manifest = [manifest_row(plan, stored[plan.name]) for plan in PLANS]
    write_rows(
        folder / "recordings.csv",
        [MANIFEST_COLUMNS, *([row.get(key, "") for key in MANIFEST_COLUMNS] for row in manifest)],
    )
    write_rows(folder / "truth.csv", [TRUTH_COLUMNS, *map(truth_row, PLANS)])


def waveforms(plan: Plan, number: int, stored: dict[str, FloatArray]) -> FloatArray:
    """Return the waveforms of a recording in nV, rounded as they are written."""
    if plan.parts:
        counts = {other.name: np.array(other.counts) for other in PLANS if other.name in plan.parts}
        totals = [counts[name] @ stored[name] for name in plan.parts]
        exact = np.sum(totals, axis=0, keepdims=True) / sum(plan.counts)
    else:
        rng = np.random.default_rng((SEED, number))
        noise = [
            simulate_average(
                NOISE, count, n_samples=plan.n_samples, sfreq_hz=plan.sfreq_hz, seed=rng
            )
            for count in plan.counts
        ]
        truth = plan.truth
        exact = np.concatenate(noise) + response(
            plan.times_ms, truth.latency_ms, truth.amplitude_nv
        )
    scale = NV_PER_UNIT[plan.unit]
    rounded: FloatArray = np.round(exact / scale, plan.decimals) * scale
    return rounded


def write_data(folder: Path, plan: Plan, values_nv: FloatArray) -> None:
    """Write the data file or files of a recording."""
    times = decimals(plan.times_ms, 1)
    columns = [decimals(row / NV_PER_UNIT[plan.unit], plan.decimals) for row in values_nv]
    if plan.layout == "sweeps":
        sweeps = ([str(number), *column] for number, column in enumerate(columns, start=1))
        write_rows(folder / plan.files[0], [["sweep", *times], *sweeps])
        return
    names = {
        "buffers": ["a", "b"],
        "average": ["average"],
        "blocks": [f"block{number}" for number in range(1, len(columns) + 1)],
    }[plan.layout]
    per_file = len(columns) // len(plan.files)
    for position, file in enumerate(plan.files):
        held = slice(position * per_file, (position + 1) * per_file)
        header = ["time_ms", *names[held]]
        write_rows(folder / file, [header, *zip(times, *columns[held], strict=True)])


def manifest_row(plan: Plan, values_nv: FloatArray) -> dict[str, str]:
    """Return the row of `recordings.csv`."""
    row = {
        "recording": plan.name,
        "file": ";".join(plan.files),
        "layout": plan.layout,
        "kind": plan.kind,
        "ear": plan.ear,
        "transducer": "insert",
        "stimulus": "narrowband-chirp",
        "frequency_hz": "4000",
        "level_db_nhl": str(plan.level_db_nhl),
        "condition": plan.condition,
        "channel": CHANNELS[plan.ear],
        "polarity": "rarefaction",
        "highpass_hz": "33",
        "lowpass_hz": "1500",
        "masking_db": "none",
        "unit": plan.unit,
        "n_rejected": plan.n_rejected,
        "parts": ";".join(plan.parts),
        "rate_hz": "39.1",
        "mains_hz": "50",
        "impedance_kohm": "2.1;2.4;1.8",
        "system": "S1",
        "comment": plan.comment,
        "v_ms": plan.marks_ms[0],
        "sn10_ms": plan.marks_ms[1],
    }
    if plan.layout == "buffers":
        row |= {"n_a": str(plan.counts[0]), "n_b": str(plan.counts[1]), "buffer_split": "alternate"}
    elif plan.layout == "average":
        row["n_sweeps"] = str(plan.counts[0])
    elif plan.layout == "blocks":
        row["n_per_block"] = str(plan.counts[0])
    if plan.report_noise:
        a_nv, b_nv = values_nv[:, plan.times_ms >= ARTEFACT_STOP_MS]
        row["reported_rn_nv"] = f"{math.sqrt(np.mean((a_nv - b_nv) ** 2)) / 2:.1f}"
    return row


def truth_row(plan: Plan) -> list[str]:
    """Return the row of `truth.csv`."""
    latency_ms, amplitude_nv = plan.truth.latency_ms, plan.truth.amplitude_nv
    present = amplitude_nv > 0
    return [
        plan.name,
        f"{true_v_ms(latency_ms):.4f}" if present else "",
        f"{true_sn10_ms(latency_ms):.4f}" if present else "",
        f"{amplitude_nv:.3f}",
        f"{SD_NV / math.sqrt(sum(plan.counts)):.3f}",
        NOISE,
        f"R({latency_ms:.2f} ms; {amplitude_nv:.3f} nV)" if present else "none",
    ]


def decimals(values: FloatArray, places: int) -> list[str]:
    """Return numbers as text, without a sign on zero."""
    return [f"{value:.{places}f}" for value in np.round(values, places) + 0.0]


def write_rows(path: Path, rows: Iterable[Sequence[str]]) -> None:
    """Write a CSV file with the same line ends everywhere."""
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)


if __name__ == "__main__":
    make_quiet_ward(Path(__file__).parent / "quiet_ward")
