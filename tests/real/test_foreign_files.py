"""Files of other departments, read by a description and by the csv module and float().

The facts are those of the note beside each file. Reversed stamps and markers are counted here a
second time from the text of the cells.
"""

import csv
from datetime import datetime
from itertools import pairwise

import numpy as np
import pytest

from waveworks.loaders.csv_format import read_csv_format
from waveworks.loaders.foreign_csv import read_foreign_csv

MUSE = """
[time]
kind = "s"
column = "timestamps"
[marker]
column = "Marker0"
"""

PERG = """
[time]
kind = "clock"
clock_format = "%Y-%m-%d %H:%M:%S.%f"
start_ms = 0
[time.column_of]
RE_1 = "TIME_1"
LE_1 = "TIME_1"
RE_2 = "TIME_2"
LE_2 = "TIME_2"
"""

SEP = """
[text]
header = false
[time]
kind = "none"
rate_hz = 2048
start_ms = -50
[signals]
in = "rows"
"""

MUSE_FILES = (
    "data_2017-09-13-15.55.05.csv",
    "data_2017-09-13-15.58.40.csv",
    "data_2017-09-13-16.10.23.csv",
)


@pytest.fixture
def described(tmp_path):
    def read(text):
        path = tmp_path / "format.toml"
        path.write_text(text)
        return read_csv_format(path)

    return read


def rows_of(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.reader(file))


def column(rows, name):
    place = rows[0].index(name)
    return [row[place] for row in rows[1:]]


def read(path, csv_format, *, signals=(), event=""):
    return read_foreign_csv(
        path.read_bytes(), csv_format, name=path.name, unit="uV", signals=signals, event=event
    )


@pytest.mark.parametrize("file", MUSE_FILES)
@pytest.mark.parametrize("event", ["1", "2"])
def test_continuous_recording_with_markers(real_recordings, described, file, event):
    path = real_recordings("muse-auditory") / "P300" / file
    rows = rows_of(path)
    raw = read(path, described(MUSE), signals=("TP10", "TP9"), event=event)
    assert raw.labels == ("TP10", "TP9")
    assert raw.values_nv.shape == (2, 30732)
    expected = [[float(cell) * 1e3 for cell in column(rows, name)] for name in ("TP10", "TP9")]
    np.testing.assert_array_equal(raw.values_nv, expected)

    assert raw.sfreq_hz == pytest.approx(256, abs=0.05)
    stamps = list(map(float, column(rows, "timestamps")))
    assert raw.sfreq_hz == pytest.approx((len(stamps) - 1) / (stamps[-1] - stamps[0]), rel=1e-9)
    backward = sum(later < earlier for earlier, later in pairwise(stamps))
    assert backward > 0
    assert f": {backward} time stamps run backwards" in raw.notes[0]

    codes = [float(cell) for cell in column(rows, "Marker0")]
    before = [0.0, *codes[:-1]]
    expected = [
        index
        for index, (code, last) in enumerate(zip(codes, before, strict=True))
        if code == float(event) and last != float(event)
    ]
    assert raw.onsets.tolist() == expected


@pytest.mark.parametrize(("event", "n_averaged"), [("1", 425), ("2", 156)])
def test_number_of_tones(real_recordings, described, event, n_averaged):
    # The note counts the tones left after rejection at 100 uV p-p, so a few more were presented.
    folder = real_recordings("muse-auditory") / "P300"
    csv_format = described(MUSE)
    n = sum(len(read(folder / file, csv_format, event=event).onsets) for file in MUSE_FILES)
    assert n_averaged <= n <= 1.05 * n_averaged


def test_every_recording_with_clock_times(real_recordings, described):
    csv_format = described(PERG)
    files = sorted((real_recordings("perg-ioba") / "csv").glob("0*.csv"))
    assert len(files) == 60
    for path in files:
        rows = rows_of(path)
        signals = read(path, csv_format, signals=("RE_1",))
        assert (signals.labels, signals.values_nv.shape) == (("RE_1",), (1, 255))
        expected = [float(cell) * 1e3 for cell in column(rows, "RE_1")]
        np.testing.assert_array_equal(signals.values_nv[0], expected)
        assert signals.axis.start_ms == 0
        # 0.1 ms is the last decimal place of the stamps, 149.9 ms the span.
        assert signals.axis.sfreq_hz == pytest.approx(1694.46, abs=0.005)
        assert signals.notes == ()
        if "RE_2" in rows[0]:
            both = read(path, csv_format, signals=("LE_2", "RE_1"))
            expected = [float(cell) * 1e3 for cell in column(rows, "LE_2")]
            np.testing.assert_array_equal(both.values_nv[0], expected)


# Of the eleven such records that the note lists, these are among the files kept here.
@pytest.mark.parametrize("record", ["0018", "0092", "0144", "0263"])
def test_a_second_session_that_was_recorded_first(real_recordings, described, record):
    path = real_recordings("perg-ioba") / "csv" / f"{record}.csv"
    rows = rows_of(path)
    first, second = (
        datetime.fromisoformat(column(rows, name)[0][:19]) for name in ("TIME_1", "TIME_2")
    )
    assert second < first
    signals = read(path, described(PERG), signals=("RE_1", "RE_2"))
    assert signals.axis.start_ms == 0
    np.testing.assert_array_equal(
        signals.values_nv, [[float(c) * 1e3 for c in column(rows, n)] for n in ("RE_1", "RE_2")]
    )


def test_average_of_256_channels_in_rows(real_recordings, described):
    path = real_recordings("sep-256ch-average") / "eeg_256_channels_sep_data.csv"
    expected = np.array([[float(cell) * 1e3 for cell in row] for row in rows_of(path)])
    signals = read(path, described(SEP))
    assert signals.values_nv.shape == (256, 369)
    np.testing.assert_array_equal(signals.values_nv, expected)
    assert (signals.axis.sfreq_hz, signals.axis.start_ms) == (2048, -50)
    assert signals.axis.stop_ms == pytest.approx(130, abs=1)
    # The global field power is largest at 29.6 ms.
    power = signals.values_nv.std(axis=0)
    assert signals.axis.times_ms[power.argmax()] == pytest.approx(29.6, abs=0.05)
    third = read(path, described(SEP), signals=("3",))
    np.testing.assert_array_equal(third.values_nv, expected[2:3])


def test_labels_of_another_file_may_name_the_rows(real_recordings, described):
    folder = real_recordings("sep-256ch-average")
    labels = [row[0] for row in rows_of(folder / "eeg_256_channels_label.csv")]
    path = folder / "eeg_256_channels_sep_data.csv"
    signals = read(path, described(f"{SEP}names = {labels}\n"), signals=("R3F",))
    expected = [float(cell) * 1e3 for cell in rows_of(path)[labels.index("R3F")]]
    np.testing.assert_array_equal(signals.values_nv, [expected])
    assert np.ptp(signals.values_nv) == pytest.approx(3940, abs=5)
