import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from waveworks.errors import LoadError
from waveworks.loaders.clock_times import clock_ms, since_first_ms
from waveworks.loaders.csv_format import KEYS, CsvFormat, read_csv_format
from waveworks.loaders.foreign_csv import read_foreign_csv

PLAIN = CsvFormat("f.toml", time_kind="ms", time_column="t")
TEXT = "t,x,y\n-1,1,2\n0,3,4\n1,5,6\n"
MARKED = CsvFormat("f.toml", time_kind="s", time_column="t", marker_column="m", marker_code=1.0)
MARKED_TEXT = "t,x,m\n" + "".join(
    f"{0.001 * n:.3f},{n},{m}\n" for n, m in enumerate([1, 1, 0, 2, 1, 1, 1, 0, 1, 2])
)
CLOCK = CsvFormat(
    "f.toml",
    time_kind="clock",
    time_column="t",
    clock_format="%d.%m.%Y %H:%M:%S.%f",
    start_ms=-1.0,
)
CLOCK_TEXT = (
    "t,x\n03.02.2001 23:59:59.9990,1\n03.02.2001 23:59:59.9995,2\n04.02.2001 00:00:00.0000,3\n"
)
NO_TIME = CsvFormat("f.toml", time_kind="none", rate_hz=500.0, start_ms=-4.0)
ROWS = CsvFormat("f.toml", time_kind="none", rate_hz=500.0, start_ms=-4.0, orientation="rows")


def read(text, described, *, unit="nV", signals=(), event="", encoding="utf-8"):
    return read_foreign_csv(
        text.encode(encoding), described, name="x.csv", unit=unit, signals=signals, event=event
    )


def but(described, **changes):
    return CsvFormat(**{**vars(described), **changes})


def fault(text, described, **options):
    with pytest.raises(LoadError) as caught:
        read(text, described, **options)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_signals_in_columns():
    signals = read(TEXT, PLAIN)
    assert signals.labels == ("x", "y")
    np.testing.assert_array_equal(signals.values_nv, [[1, 3, 5], [2, 4, 6]])
    assert (signals.axis.sfreq_hz, signals.axis.start_ms, signals.axis.n_samples) == (1000, -1, 3)


def test_wanted_signals_in_the_order_wanted():
    signals = read(TEXT, PLAIN, signals=("y", "x"))
    assert signals.labels == ("y", "x")
    np.testing.assert_array_equal(signals.values_nv, [[2, 4, 6], [1, 3, 5]])


def test_columns_that_nobody_wants_may_hold_anything():
    text = "t,note,x\n0,first,1\n1,,2\n2,n/a,3\n"
    np.testing.assert_array_equal(read(text, PLAIN, signals=("x",)).values_nv, [[1, 2, 3]])
    assert fault(text, PLAIN) == "x.csv: row 2, column 2 ('note'): 'first' is not a number"


@pytest.mark.parametrize("row", ["1,5", "1"])
def test_a_short_row_is_refused_even_where_only_unwanted_cells_miss(row):
    text = f"t,x,y,z\n0,1,2,3\n{row}\n2,3,4,5\n"
    assert fault(text, PLAIN, signals=("x",)).startswith("x.csv: row 3: ")


def test_separator_decimal_sign_encoding_preamble_and_quotes():
    text = 'Gerät: A\n"zwei;Zeilen"\nt;"µ"\n0;"1,5"\n0,25;-2,5e1\n0,5;3\n'
    described = but(PLAIN, separator=";", decimal=",", encoding="cp1252", skip_lines=2, unit="uV")
    signals = read(text.replace("\n", "\r\n"), described, unit="", encoding="cp1252")
    assert signals.labels == ("µ",)
    np.testing.assert_array_equal(signals.values_nv, [[1500, -25000, 3000]])
    assert signals.axis.sfreq_hz == 4000
    place = "x.csv: row 5, column 2 ('µ')"
    options = {"unit": "", "encoding": "cp1252"}
    wrong = text.replace("-2,5e1", "2.5")
    assert fault(wrong, described, **options) == f"{place}: '2.5' is not a number"
    wrong = text.replace("-2,5e1", "1.000,5")
    assert fault(wrong, described, **options) == f"{place}: '1.000,5' is not a number"


def test_utf16_and_tabs():
    text = TEXT.replace(",", "\t")
    signals = read(text, but(PLAIN, separator="\t", encoding="utf-16"), encoding="utf-16")
    np.testing.assert_array_equal(signals.values_nv, [[1, 3, 5], [2, 4, 6]])


def test_columns_without_a_header_are_numbered_or_named():
    body = TEXT.split("\n", 1)[1]
    numbered = read(body, but(PLAIN, header=False, time_column=1))
    assert numbered.labels == ("2", "3")
    named = read(body, but(PLAIN, header=False, names=("t", "left", "right")), signals=("right",))
    np.testing.assert_array_equal(named.values_nv, [[2, 4, 6]])
    message = fault(body, but(PLAIN, header=False, names=("t", "x")))
    assert message == "x.csv: row 1: 3 cells; the description names 2 columns"


def test_signal_columns_by_number_with_names_of_their_own():
    described = but(PLAIN, signal_columns=(3, "x"), signal_names=("A", "B"))
    assert read(TEXT, described).labels == ("A", "B")
    np.testing.assert_array_equal(read(TEXT, described, signals=("B",)).values_nv, [[1, 3, 5]])


@pytest.mark.parametrize(("kind", "factor"), [("ms", 1.0), ("s", 1e3)])
def test_stamps_are_relative_or_begin_at_start_ms(kind, factor):
    text = "t,x\n2,1\n2.5,2\n3,3\n"
    relative = read(text, but(PLAIN, time_kind=kind)).axis
    assert (relative.start_ms, relative.sfreq_hz) == (2 * factor, 2000 / factor)
    begun = read(text, but(PLAIN, time_kind=kind, start_ms=-10.0)).axis
    assert (begun.start_ms, begun.sfreq_hz) == (-10, 2000 / factor)


def test_clock_times_past_midnight():
    signals = read(CLOCK_TEXT, CLOCK)
    assert (signals.axis.start_ms, signals.axis.n_samples) == (-1, 3)
    assert signals.axis.sfreq_hz == pytest.approx(2000)
    assert signals.notes == ()


def test_a_faulty_clock_time_is_named():
    message = fault(CLOCK_TEXT.replace("04.02.2001 00", "04.02.2001 25"), CLOCK)
    assert message == (
        "x.csv: row 4, column 1 ('t'): '04.02.2001 25:00:00.0000' is not a clock time of the form "
        "'%d.%m.%Y %H:%M:%S.%f'"
    )
    for wrong in ("04.02.2001 00:00:00", "04.02.2001 00:00:00.", "", "04.02.2001 00:00:00.00x"):
        message = fault(CLOCK_TEXT.replace("04.02.2001 00:00:00.0000", wrong), CLOCK)
        assert message.startswith(f"x.csv: row 4, column 1 ('t'): '{wrong}' is not a clock time")


@given(st.integers(0, 86399), st.text("0123456789", min_size=1, max_size=12))
def test_fractions_of_any_length(second, digits):
    clock = f"{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}"
    moments = [
        clock_ms("01.02.2003 00:00:00,0 Z", "%d.%m.%Y %H:%M:%S,%f Z"),
        clock_ms(f"01.02.2003 {clock},{digits} Z", "%d.%m.%Y %H:%M:%S,%f Z"),
    ]
    expected = second * 1000 + int(digits) * 1000 / 10 ** len(digits)
    assert since_first_ms(moments)[1] == pytest.approx(expected, abs=1e-7)


def test_several_time_columns():
    text = "T1,R1,T2,R2\n0,1,100,5\n1,2,101,6\n2,3,102,7\n"
    described = but(
        PLAIN, time_column=None, time_column_of={"R1": "T1", "R2": "T2", "R3": "T3"}, start_ms=0.0
    )
    assert read(text, described).labels == ("R1", "R2")
    assert read(text, but(described, start_ms=None), signals=("R2",)).axis.start_ms == 100
    assert fault(text, but(described, start_ms=None)) == (
        "x.csv: signals 'R1' (3 samples at 1000 Hz, 0 to 2 ms) and 'R2' (3 samples at 1000 Hz, 100 "
        "to 102 ms) have different time axes; read each as a recording of its own"
    )
    assert fault(text, but(described, time_column_of={"R1": "T1"})).startswith(
        "x.csv: signal 'T2' has no column of time stamps in [time.column_of] of f.toml"
    )


def test_no_time_column():
    axis = read("x,y\n1,2\n3,4\n", NO_TIME).axis
    assert (axis.sfreq_hz, axis.start_ms, axis.n_samples) == (500, -4, 2)


def test_signals_in_rows():
    signals = read("1,2,3\n4,5,6\n", but(ROWS, header=False), signals=("2",))
    np.testing.assert_array_equal(signals.values_nv, [[4, 5, 6]])
    assert (signals.axis.sfreq_hz, signals.axis.start_ms, signals.axis.n_samples) == (500, -4, 3)
    named = read("1,2,A\n3,4,B\n", but(ROWS, header=False, name_column=3))
    assert named.labels == ("A", "B")
    np.testing.assert_array_equal(named.values_nv, [[1, 2], [3, 4]])
    own = but(ROWS, header=False, signal_names=("A", "B"))
    assert read("1,2\n3,4\n", own).labels == ("A", "B")
    assert fault("1,2\n", own) == ("x.csv: 1 rows of data; 'signals.names' in f.toml has 2 names")


def test_signals_in_rows_with_times_in_the_header():
    described = but(
        ROWS, time_kind="s", rate_hz=None, start_ms=None, name_column="ch", skip_lines=1
    )
    signals = read("made by\nch,-0.001,0,0.001\nA,1,2,3\n", described)
    assert (signals.axis.start_ms, signals.axis.sfreq_hz) == (-1, 1000)
    assert signals.labels == ("A",)
    message = fault("made by\nch,-0.001,zero,0.001\nA,1,2,3\n", described)
    assert message == "x.csv: row 2, column 3 ('zero'): 'zero' is not a number"


@pytest.mark.parametrize(
    ("event", "onsets"), [("", [0, 4, 8]), ("1", [0, 4, 8]), ("2", [3, 9]), ("2.0", [3, 9])]
)
def test_an_onset_is_the_first_sample_of_each_run_of_the_code(event, onsets):
    raw = read(MARKED_TEXT, MARKED, event=event)
    assert raw.onsets.tolist() == onsets
    assert raw.onsets.dtype == np.int64
    assert raw.labels == ("x",)
    assert raw.sfreq_hz == pytest.approx(1000)
    np.testing.assert_array_equal(raw.values_nv, [range(10)])


def test_continuous_without_time_stamps():
    described = but(MARKED, time_kind="none", time_column=None, rate_hz=250.0)
    raw = read(MARKED_TEXT, described, signals=("x",))
    assert (raw.sfreq_hz, raw.notes) == (250, ())
    assert raw.onsets.tolist() == [0, 4, 8]


def test_a_stated_rate_wins_over_stamps_that_agree_with_it():
    raw = read(MARKED_TEXT.replace("0.009,", "0.00905,"), but(MARKED, rate_hz=1000.0))
    assert raw.sfreq_hz == 1000
    assert "the stated 1000 Hz are used; the stamps give 994.475 Hz" in raw.notes[-1]


def test_a_stated_rate_that_the_stamps_contradict_is_refused():
    with pytest.raises(LoadError) as caught:
        read(MARKED_TEXT, but(MARKED, rate_hz=1020.0))
    assert str(caught.value) == (
        "x.csv: the time stamps give 1000 Hz, f.toml states 1020 Hz; the limit is 1% of difference"
    )


def test_continuous_stamps_that_run_backwards_are_noted():
    text = MARKED_TEXT.replace("0.004,", "0.001,")
    raw = read(text, MARKED)
    assert raw.sfreq_hz == pytest.approx(1000)
    assert "x.csv: 1 time stamps run backwards, by up to 2 ms" in raw.notes[0]


@pytest.mark.parametrize(("unit", "own"), [("uV", ""), ("", "uV"), ("uV", "µV"), ("µV", "uV")])
def test_unit_from_either_or_both(unit, own):
    signals = read(TEXT, but(PLAIN, unit=own), unit=unit)
    np.testing.assert_array_equal(signals.values_nv[0], [1000, 3000, 5000])


@pytest.mark.parametrize(
    ("text", "described", "options", "message"),
    [
        (
            TEXT,
            PLAIN,
            {"unit": ""},
            "unit is missing; give it in recordings.csv or as signals.unit",
        ),
        (
            TEXT,
            but(PLAIN, unit="mV"),
            {"unit": "uV"},
            "unit is 'uV' in recordings.csv but 'mV' in f.toml; they must be the same",
        ),
        (TEXT, PLAIN, {"event": "1"}, "event is '1', but f.toml has no [marker] column"),
        (TEXT, PLAIN, {"signals": ("z",)}, "signal 'z' is not there; the file holds 'x', 'y'"),
        ("t,x,x\n0,1,2\n1,2,3\n", PLAIN, {}, "signal 'x' is there 2 times"),
        (
            TEXT,
            but(PLAIN, time_column="time"),
            {},
            "column 'time' is not there; the file has 't', 'x', 'y'",
        ),
        (TEXT, but(PLAIN, time_column=4), {}, "no column 4; the file has 3 columns"),
        ("t,t,x\n0,1,2\n", PLAIN, {}, "column 't' is there 2 times; the file has"),
        ("t\n0\n1\n", PLAIN, {}, "no signal column"),
        ("t,x\n", PLAIN, {}, "no data row"),
        ("t,x\n0,1\n1,\n", PLAIN, {}, "row 3, column 2 ('x'): the cell is empty"),
        ("t,x\n0,1\nnan,2\n", PLAIN, {}, "row 3, column 1 ('t'): 'nan' is not a finite number"),
        ("t,x\n0,1\n1,2,3\n", PLAIN, {}, "row 3: 3 cells; 2 are needed"),
        ("t,x\n0,1\n2,2\n3,3\n20,4\n", PLAIN, {}, "column 't': a time stamp lies 10.33 ms from a"),
        (
            "a\nb\n",
            but(PLAIN, skip_lines=5),
            {},
            "2 lines in the file; the first 5 are to be skipped",
        ),
        ("a\n", but(PLAIN, skip_lines=1), {}, "no data row"),
        (MARKED_TEXT, MARKED, {"event": "3"}, "marker code 3 never occurs; found '0', '1', '2'"),
        (
            MARKED_TEXT,
            MARKED,
            {"event": "tone"},
            "event is 'tone'; it must be a code of the marker",
        ),
        (MARKED_TEXT, but(MARKED, marker_code=None), {}, "no marker code; give it as event in"),
        (MARKED_TEXT.replace("7,0", "7,"), MARKED, {}, "row 9, column 3 ('m'): the cell is empty"),
    ],
)
def test_faults_name_the_place(text, described, options, message):
    assert fault(text, described, **options).startswith(f"x.csv: {message}")


def test_bytes_of_another_encoding():
    message = fault("t,x\n0,1\n1,é\n", but(PLAIN, encoding="ascii"))
    assert message == "x.csv: row 3: byte 0xc3 is not ASCII text"


@pytest.fixture(scope="module")
def examples():
    """Return the two worked examples of the page: file and description of each."""
    page = (Path(__file__).parents[2] / "docs" / "csv-format.md").read_text(encoding="utf-8")
    files, formats = (
        re.findall(rf"```{kind}\n(.*?)```", page, flags=re.DOTALL) for kind in ("text", "toml")
    )
    return list(zip(files, formats, strict=True))


def test_first_example_of_the_page(examples, tmp_path):
    text, toml = examples[0]
    (tmp_path / "f.toml").write_text(toml, encoding="utf-8")
    described = read_csv_format(tmp_path / "f.toml")
    signals = read(text, described, unit="", signals=("A", "B"), encoding="cp1252")
    np.testing.assert_array_equal(signals.values_nv, [[21, 34, 27], [-13, -2, 11]])
    assert signals.axis.start_ms == -1
    assert signals.axis.sfreq_hz == pytest.approx(20000)


def test_second_example_of_the_page(examples, tmp_path):
    text, toml = examples[1]
    (tmp_path / "f.toml").write_text(toml, encoding="utf-8")
    raw = read(text, read_csv_format(tmp_path / "f.toml"), unit="uV", signals=("Cz-M1",))
    np.testing.assert_array_equal(raw.values_nv, [[1250, 1500, 1250, 750]])
    assert raw.onsets.tolist() == [1]
    assert raw.sfreq_hz == pytest.approx(20000)


def test_the_page_lists_every_key():
    page = (Path(__file__).parents[2] / "docs" / "csv-format.md").read_text(encoding="utf-8")
    listed = re.findall(r"^\| (?:\*\*`\[(\w+)\]`\*\*|`(\w+)`) \|", page, flags=re.MULTILINE)
    tables: dict[str, tuple[str, ...]] = {}
    for table, key in listed:
        if table:
            current = table
            tables[table] = ()
        else:
            tables[current] += (key,)
    assert tables == KEYS
