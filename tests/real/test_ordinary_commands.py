"""Real evoked potentials, read in place, through the ordinary commands.

`muse-auditory`: three runs of continuous EEG with sound-onset markers (NeuroTechX eeg-notebooks,
BSD-3-Clause). `perg-ioba`: averaged pattern electroretinograms with replicates (PhysioNet
PERG-IOBA 1.0.0, doi 10.13026/d24m-w054, ODC-By). Neither is an ABR.
"""

import base64
import csv
import math
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import signal, stats

import waveworks as ww
from waveworks.cli.app import commands

RUNS = ("data_2017-09-13-15.55.05", "data_2017-09-13-15.58.40", "data_2017-09-13-16.10.23")
CHANNELS = ("TP9", "TP10", "AF7", "AF8")
MUSE_FORMAT = """
[time]
kind = "s"
column = "timestamps"
rate_hz = 256

[signals]
unit = "uV"
columns = ["TP9", "AF7", "AF8", "TP10"]

[marker]
column = "Marker0"
"""
PERG_FORMAT = """
[time]
kind = "clock"
clock_format = "%Y-%m-%d %H:%M:%S.%f"
start_ms = 0.0

[time.column_of]
RE_1 = "TIME_1"
LE_1 = "TIME_1"
RE_2 = "TIME_2"
LE_2 = "TIME_2"

[signals]
unit = "uV"
columns = ["RE_1", "LE_1", "RE_2", "LE_2"]
"""


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def first_line(path: Path) -> str:
    return path.read_text(encoding="utf-8").splitlines()[0]


def measure(folder: Path, *options: object) -> tuple[list[dict[str, str]], list[dict[str, str]]]:
    out = folder.parent / "out"
    arguments = ["measure", str(folder), "-o", str(out), *map(str, options)]
    result = CliRunner().invoke(commands, arguments)
    assert result.exit_code == 0, result.output
    return rows_of(out / "measures.csv"), rows_of(out / "levels.csv")


@pytest.fixture
def muse(
    real_recordings: Callable[[str], Path], write_manifest: Callable[..., Path], tmp_path: Path
) -> tuple[Path, list[Path]]:
    """A session of every run, channel and tone, in a folder that goes away."""
    files = [real_recordings("muse-auditory") / "P300" / f"{run}.csv" for run in RUNS]
    rows = [
        {
            "recording": f"{channel}-{tone}-{number}",
            "file": file.name,
            "csv_format": "continuous.toml",
            "layout": "sweeps",
            "ear": "other",
            "transducer": "other",
            "stimulus": "other",
            "level_db_nhl": "",
            "unit": "",
            "condition": f"tone {tone}",
            "channel": channel,
            "signals": channel,
            "event": tone,
            "epoch_start_ms": "-100",
            "epoch_stop_ms": "500",
        }
        for channel in CHANNELS
        for tone in ("1", "2")
        for number, file in enumerate(files, start=1)
    ]
    folder = write_manifest(*rows)
    (folder / "continuous.toml").write_text(MUSE_FORMAT, encoding="utf-8")
    for file in files:
        shutil.copyfile(file, folder / file.name)
    return folder, files


def sweeps_by_hand(files: list[Path], channel: str, tone: float) -> np.ndarray:
    """The same sweeps by numpy and scipy alone, in nV."""
    sweeps = []
    sos = signal.butter(2, (1.0, 30.0), "bandpass", fs=256, output="sos")
    for file in files:
        header = first_line(file).split(",")
        data = np.loadtxt(file, delimiter=",", skiprows=1)
        filtered = signal.sosfiltfilt(sos, data[:, header.index(channel)] * 1e3)
        marker = data[:, header.index("Marker0")]
        onsets = np.flatnonzero((marker == tone) & (np.roll(marker, 1) != tone))
        found = [filtered[o - 25 : o + 129] for o in onsets if o >= 25 and o + 129 <= len(filtered)]
        sweeps += [sweep for sweep in found if np.abs(sweep).max() <= 50e3]
    return np.array(sweeps)


def test_the_temporal_channels_stand_far_above_the_frontal_ones(muse) -> None:
    folder, files = muse
    options = ["--bandpass", 1, 30, "--reject-uv", 50, "--response-window", 50, 400]
    measures, levels = measure(folder, *options, "--noise-window", 50, 400)
    assert len(measures) == 24
    assert all("time stamps run backwards" in row["note"] for row in measures)
    assert {row["sfreq_hz"] for row in measures} == {"256"}
    found = {(row["channel"], row["condition"]): row for row in levels}
    for tone in ("1", "2"):
        temporal = [float(found[c, f"tone {tone}"]["fmp"]) for c in ("TP9", "TP10")]
        frontal = [float(found[c, f"tone {tone}"]["fmp"]) for c in ("AF7", "AF8")]
        assert min(temporal) > 2 * max(frontal)
        p = {c: float(found[c, f"tone {tone}"]["f_pvalue"]) for c in CHANNELS}
        assert max(p["TP9"], p["TP10"]) < 1e-6 < 1e-2 < min(p["AF7"], p["AF8"])
    # Window 50 to 400 ms: samples ceil(12.8) = 13 to floor(102.4) = 102, stimulus at sample 25.
    inside = slice(25 + 13, 25 + 103)
    for channel in CHANNELS:
        sweeps = sweeps_by_hand(files, channel, 1.0)
        row = found[channel, "tone 1"]
        assert int(row["n_sweeps"]) == len(sweeps)
        f = stats.f_oneway(*sweeps[:, inside].T).statistic
        # The padding of the two filters differs at the ends of each run only.
        assert float(row["fmp"]) == pytest.approx(f, rel=0.01)


@pytest.fixture
def perg(real_recordings: Callable[[str], Path], write_manifest: Callable[..., Path]):
    """A session of both sides and two repeats of some records: `perg("0007") -> folder, files`."""
    source = real_recordings("perg-ioba") / "csv"

    def make(*stems: str) -> tuple[Path, list[Path]]:
        files = sorted(f for f in source.glob("0*.csv") if "RE_2" in first_line(f))
        files = [file for file in files if not stems or file.stem in stems]
        rows = [
            {
                "recording": f"{file.stem}-{side}-{number}",
                "file": file.name,
                "csv_format": "clock.toml",
                "layout": "average",
                "ear": "other",
                "transducer": "other",
                "stimulus": "other",
                "level_db_nhl": "",
                "unit": "",
                "condition": f"{file.stem} {side}",
                "signals": f"{side}_{number}",
            }
            for file in files
            for side in ("RE", "LE")
            for number in (1, 2)
        ]
        folder = write_manifest(*rows)
        (folder / "clock.toml").write_text(PERG_FORMAT, encoding="utf-8")
        for file in files:
            shutil.copyfile(file, folder / file.name)
        return folder, files

    return make


def repeats_by_hand(file: Path, side: str) -> list[list[float]]:
    """The two repeats of one side in nV."""
    with file.open(encoding="utf-8") as text:
        cells = list(csv.DictReader(text))
    return [[float(row[f"{side}_{number}"]) * 1e3 for row in cells] for number in (1, 2)]


def pictures(folder: Path, *options: object) -> list[str]:
    """Report a session, and return what its pictures are told to show; each is a real SVG."""
    out = folder.parent / "reported"
    arguments = ["report", str(folder), "-o", str(out), *map(str, options)]
    result = CliRunner().invoke(commands, arguments)
    assert result.exit_code == 0, result.output
    page = (out / "report.html").read_text(encoding="utf-8")
    found = re.findall(r'<img src="data:image/svg\+xml;base64,([^"]*)" alt="([^"]*)">', page)
    assert len(found) == page.count("<img")
    for data, _ in found:
        assert ElementTree.fromstring(base64.b64decode(data)).tag.endswith("svg")
    return [alt for _, alt in found]


def test_replicates_of_two_sides_with_clock_times(perg) -> None:
    folder, files = perg()
    measures, levels = measure(folder)
    assert len(files) == 55
    assert len(measures) == 4 * len(files)
    assert len(levels) == 2 * len(files)
    rates = np.array([float(row["sfreq_hz"]) for row in measures])
    assert rates == pytest.approx(1694.46, abs=0.5)
    identical = set()
    for row in levels:
        stem, side = row["condition"].split()
        x, y = repeats_by_hand(folder / f"{stem}.csv", side)
        if x == y:
            identical.add(stem)
            assert row["snr_power"] == ""
            continue
        assert float(row["r"]) == pytest.approx(stats.pearsonr(x, y).statistic, rel=1e-6)
        half = (np.array(x) - np.array(y)) / 2
        assert float(row["rn_nv"]) == pytest.approx(math.sqrt((half**2).mean()), rel=1e-6)
        assert row["rn_method"] == "replicates"
    assert identical == {"0144", "0263"}
    by_condition = {row["condition"]: row for row in levels}
    assert float(by_condition["0311 RE"]["r"]) == pytest.approx(-0.93, abs=0.005)


def test_the_report_of_continuous_recordings_tells_what_scipy_finds(muse) -> None:
    folder, files = muse
    options = ["--bandpass", 1, 30, "--reject-uv", 50, "--response-window", 50, 400]
    alts = pictures(folder, *options, "--noise-window", 50, 400)
    inside = slice(25 + 13, 25 + 103)
    told = [re.match(r"Fmp is ([\d.]+) after (\d+) sweeps", alt) for alt in alts]
    told = [match for match in told if match]
    counts = [int(match[2]) for match in told]
    by_hand = [sweeps_by_hand(files, channel, tone) for channel in CHANNELS for tone in (1.0, 2.0)]
    # The course ends with its last full step, a few sweeps before the end.
    assert all(0 <= len(one) - n < n / 9 for one, n in zip(by_hand, counts, strict=True))
    f = [
        stats.f_oneway(*one[:n, inside].T).statistic for one, n in zip(by_hand, counts, strict=True)
    ]
    # Two decimals; the two filters pad the ends of a run differently.
    assert [float(match[1]) for match in told] == pytest.approx(f, rel=0.01, abs=0.006)
    # Eight levels, two final traces each; every step of each is drawn.
    assert sum(alt.startswith("Residual noise of trace") for alt in alts) == 16
    assert sum(alt.startswith("Change of the running average") for alt in alts) == 8
    assert not any("wave V at" in alt for alt in alts)


def test_the_report_of_averages_tells_what_scipy_finds(perg) -> None:
    folder, files = perg("0007", "0144", "0311")
    alts = pictures(folder)
    told = [re.search(r": r (-?[\d.]+),", alt) for alt in alts if alt.startswith("Trace 2 against")]
    pairs = [repeats_by_hand(file, side) for file in files for side in ("RE", "LE")]
    r = [stats.pearsonr(x, y).statistic for x, y in pairs if x != y]
    assert [float(match[1]) for match in told] == pytest.approx(r, abs=0.0051)
    # A copy is in no trace, and drawn by itself.
    alone = [alt.split()[3].strip(":") for alt in alts if alt.startswith("The average of")]
    assert alone == ["0144-RE-2", "0144-LE-2"]


PERG_SETTINGS = """
name = "pattern electroretinogram"

[[stimulus]]
stimulus = "other"
response_window_ms = [15, 130]
noise_window_ms = [0, inf]
v_window_ms = [35, 70]
source = "a positive wave near 50 ms, a negative one near 95 ms: from memory"

[[expectation]]
stimulus = "other"
level_db_nhl = [50]
v_ms = [50]
slope_ms_per_db = 0
v_width_ms = 8
sn10_width_ms = 14
sn10_lag_ms = 45
source = "from memory"
"""


def test_real_averages_get_marks_where_their_replicates_agree(perg, tmp_path) -> None:
    """Noise from the difference of two averages; the shape from settings of one's own."""
    folder, _ = perg()
    settings = tmp_path / "perg.toml"
    settings.write_text(PERG_SETTINGS, encoding="utf-8")
    levels = ww.analyse(ww.read_session(folder), ww.read_settings(settings)).levels
    agreeing = levels[levels.r > 0.9]
    disagreeing = levels[levels.r < 0.3]
    marked = agreeing[agreeing.marks_from == "suggested"]
    assert len(marked) > 0.9 * len(agreeing) > 30
    assert (disagreeing.marks_from == "suggested").mean() < 0.5
    assert 48 <= marked.v_ms.astype(float).median() <= 53
