import csv
import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from waveworks.errors import LoadError
from waveworks.loaders.csv_data import read_csv
from waveworks.loaders.text_table import TextTable

SAMPLES = "time_ms,a,b\n0,1,2\n0.5,3,4\n1,5,6\n"
SWEEPS = "sweep,0,0.5,1\ns1,1,3,5\ns2,2,4,6\n"


def read(text, unit="nV"):
    return read_csv(text.encode(), name="x.csv", unit=unit)


def fault(text):
    with pytest.raises(LoadError) as caught:
        read(text)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_samples_in_rows():
    signals = read(SAMPLES)
    assert signals.labels == ("a", "b")
    np.testing.assert_array_equal(signals.values_nv, [[1, 3, 5], [2, 4, 6]])
    assert (signals.axis.sfreq_hz, signals.axis.start_ms, signals.axis.n_samples) == (2000, 0, 3)
    assert signals.accepted is None
    assert signals.notes == ()


@pytest.mark.parametrize("first", ["sweep", "block"])
def test_sweeps_in_rows(first):
    signals = read(SWEEPS.replace("sweep", first))
    assert signals.labels == ("s1", "s2")
    np.testing.assert_array_equal(signals.values_nv, [[1, 3, 5], [2, 4, 6]])
    assert (signals.axis.sfreq_hz, signals.axis.start_ms, signals.axis.n_samples) == (2000, 0, 3)
    assert signals.accepted is None


@pytest.mark.parametrize(
    ("unit", "factor"), [("nV", 1), ("uV", 1e3), ("µV", 1e3), ("mV", 1e6), ("V", 1e9)]
)
@pytest.mark.parametrize("text", [SAMPLES, SWEEPS])
def test_units(text, unit, factor):
    np.testing.assert_array_equal(
        read(text, unit).values_nv, factor * np.array([[1, 3, 5], [2, 4, 6]])
    )


def test_a_missing_unit_is_refused():
    with pytest.raises(LoadError, match=r"^x\.csv: unit is missing"):
        read(SAMPLES, unit="")


@pytest.mark.parametrize("row", [1, 2, 3, 4])
def test_the_row_of_flags_may_be_anywhere_below_the_header(row):
    lines = SAMPLES.splitlines()
    lines.insert(row, "accepted,0,1")
    signals = read("\n".join(lines))
    assert signals.accepted.tolist() == [False, True]
    np.testing.assert_array_equal(signals.values_nv, [[1, 3, 5], [2, 4, 6]])


@pytest.mark.parametrize("place", [1, 2, 3, 4])
def test_the_column_of_flags_may_be_anywhere_after_the_labels(place):
    rows = [line.split(",") for line in SWEEPS.splitlines()]
    for row, cell in zip(rows, ("accepted", "1", "0"), strict=True):
        row.insert(place, cell)
    signals = read("\n".join(map(",".join, rows)))
    assert signals.accepted.tolist() == [True, False]
    np.testing.assert_array_equal(signals.values_nv, [[1, 3, 5], [2, 4, 6]])


@pytest.mark.parametrize(
    "change",
    [
        lambda text: "\ufeff" + text,
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("\n", "\r"),
        lambda text: text.rstrip("\n"),
        lambda text: text + "\n \n\n",
        lambda text: text.replace(",", " , "),
        lambda text: "\n".join(
            ",".join(f'"{cell}"' for cell in line.split(",")) for line in text.splitlines()
        ),
    ],
    ids=["bom", "crlf", "cr", "no last line feed", "blank lines", "spaces", "quotes"],
)
@pytest.mark.parametrize("text", [SAMPLES, SWEEPS, SAMPLES + "accepted,1,0\n"])
def test_the_same_file_written_otherwise(text, change):
    plain, other = read(text), read(change(text))
    assert other.labels == plain.labels
    np.testing.assert_array_equal(other.values_nv, plain.values_nv)
    assert other.axis == plain.axis
    assert (other.accepted is None) == (plain.accepted is None)


def test_labels_stay_text():
    signals = read("sweep,0,1\n001,1,2\nNA,3,4\n1.50,5,6\n,7,8\n")
    assert signals.labels == ("001", "NA", "1.50", "")


@pytest.mark.parametrize(
    "text",
    [
        "nan",
        "NaN",
        "NA",
        "inf",
        "-inf",
        "1e999",
        "x",
        "1_000",
        "1 000",
        "0x10",
        "True",
        "1.2.3",
        "'1'",
        "1d3",
        "\N{ARABIC-INDIC DIGIT ONE}",
        "-",
        "null",
    ],
)
@pytest.mark.parametrize("everywhere", [False, True])
def test_a_cell_that_is_not_a_finite_number(text, everywhere):
    # A whole column of them matters: types are found by column in the fast pass.
    body = f"0,1,{text}\n0.5,3,{text if everywhere else 4}\n"
    message = fault("time_ms,a,b\n" + body)
    assert message.startswith("x.csv: row 2, column 3 ('b'): ")
    assert f"'{text}'" in message
    message = fault(f"sweep,0,1\ns1,{text},2\n")
    assert message.startswith("x.csv: row 2, column 2 ('0'): ")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "the file is empty"),
        ("\n\n", "the file is empty"),
        (
            "t,a\n0,1\n",
            "row 1, column 1: the header must be 'time_ms' (samples in rows)",
        ),
        ("\ntime_ms,a\n0,1\n", "row 1, column 1: the header must be 'time_ms'"),
        ("time_ms;a\n0;1\n", "row 1: cells are separated by ';', not by ','; describe the file in"),
        ("sweep;0;1\n0;1;2\n", "row 1: cells are separated by ';'"),
        ("time_ms\n0\n1\n", "row 1: no signal column beside 'time_ms'"),
        ("time_ms,a\n", "no data row"),
        ("time_ms,a\naccepted,1\n", "no data row"),
        ("sweep,0,1\n", "no data row"),
        ("time_ms,a,a\n0,1,2\n", "row 1, column 3 ('a'): column 2 has the same name"),
        ("time_ms,a,\n0,1,2\n", "row 1, column 3: the column has no name"),
        (SAMPLES + "1.5,7\n", "row 5: 2 cells; 3 are needed"),
        (SAMPLES + "1.5,7,8,9\n", "row 5: 4 cells; 3 are needed"),
        ("time_ms,a,b\n0,1,2,3\n1,4,5,6\n", "row 2: 4 cells; 3 are needed"),
        ("time_ms,a,b\n0,1\n1,4\n", "row 2: 2 cells; 3 are needed"),
        ("time_ms,a,b\n0,1,2\n\n\n1,,5\n", "row 5, column 2 ('a'): the cell is empty"),
        ("time_ms,a,b\n,1,2\n1,4,5\n", "row 2, column 1 ('time_ms'): the cell is empty"),
        (SAMPLES + "accepted,1,2\n", "row 5, column 3 ('b'): the flag is '2'; it must be 0 or 1"),
        (SAMPLES + "accepted,1,\n", "row 5, column 3 ('b'): the cell is empty"),
        (SAMPLES + "accepted,1,yes\n", "row 5, column 3 ('b'): 'yes' is not a number"),
        (SAMPLES + "accepted,1\n", "row 5: 2 cells; 3 are needed"),
        (SAMPLES + "accepted,1,1\naccepted,1,1\n", "row 6: a second row 'accepted'"),
        (
            "sweep,accepted,0,1\ns,1,1,2\n\nt,0.5,1,2\n",
            "row 4, column 2 ('accepted'): the flag is '0.5'; it must be 0 or 1",
        ),
        ("sweep,accepted,0,1\ns,,1,2\n", "row 2, column 2 ('accepted'): the cell is empty"),
        ("sweep,accepted,0,1,accepted\ns,1,1,2,1\n", "row 1: a second column 'accepted'"),
        ("sweep,0,t1\ns,1,2\n", "row 1, column 3 ('t1'): 't1' is not a number; the headers after"),
        (
            "sweep,0,\ns,1,2\n",
            "row 1, column 3: the cell is empty; a number is needed; the headers",
        ),
        ("sweep,0\ns,1\n", "row 1: 1 time stamp; at least 2"),
        ("sweep\ns\n", "row 1: 0 time stamp; at least 2"),
        ("sweep,0,1,2,1.5,4\ns,1,2,3,4,5\n", "row 1: a time stamp lies 1.5 ms from a steady"),
        ("time_ms,a\n0,1\n0,2\n", "the last time stamp, 0 ms, is not later than the first, 0 ms"),
        ('time_ms,a\n0,"1"2\n1,2\n', "row 2: "),
        ('time_ms,a\n0,1\n1,"2\n', "row 3: "),
        ('time_ms,"a\n0,1\n', "row 1: "),
        ("time_ms,a\n0,1\n1,\0\n", "row 3: a NUL byte"),
        ("time_ms,a,b\n0,1.5,2\n1;4;5\n", "row 3: 1 cells; 3 are needed"),
    ],
)
def test_faults_name_the_place(text, message):
    assert fault(text).startswith(f"x.csv: {message}")


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_bytes_that_are_not_utf8(mark):
    with pytest.raises(LoadError, match=r"^x\.csv: row 3: byte 0xb5 is not UTF-8 text$"):
        read_csv(mark + b"time_ms,a\n0,1\n1,\xb5\n", name="x.csv", unit="uV")


FINITE = st.floats(allow_nan=False, allow_infinity=False)


@given(arrays(float, st.tuples(st.integers(1, 5), st.integers(2, 6)), elements=FINITE))
@settings(deadline=None)
def test_values_read_back_as_the_very_same_floats(values):
    n_signals, n_samples = values.shape
    rows = [f"s{n}," + ",".join(map(repr, row.tolist())) for n, row in enumerate(values)]
    by_rows = "\n".join(["sweep," + ",".join(map(str, range(n_samples))), *rows])
    np.testing.assert_array_equal(read(by_rows).values_nv, values)
    lines = [f"{n}," + ",".join(map(repr, row.tolist())) for n, row in enumerate(values.T)]
    by_columns = "\n".join(["time_ms," + ",".join(f"s{n}" for n in range(n_signals)), *lines])
    np.testing.assert_array_equal(read(by_columns).values_nv, values)


DECIMALS = st.from_regex(r"-?[0-9]{1,20}(\.[0-9]{1,25})?([eE][+-]?[0-9]{1,2})?", fullmatch=True)


@given(st.lists(DECIMALS.filter(str.isascii), min_size=2, max_size=8))
@settings(deadline=None)
def test_decimals_of_any_length_are_the_nearest_float(cells):
    text = "sweep," + ",".join(map(str, range(len(cells)))) + "\ns," + ",".join(cells) + "\n"
    assert read(text).values_nv[0].tolist() == [float(cell) for cell in cells]


CELL = st.one_of(
    st.sampled_from(
        [
            "1",
            "-2.5",
            "",
            " ",
            "nan",
            "NA",
            "True",
            '"3"',
            '"',
            "accepted",
            "1e5",
            "a",
            "1_0",
            "\t",
            "inf",
            "#",
            "0",
        ]
    ),
    st.text('0123456789.eE+-_" ,;', max_size=6),
)


@given(
    st.lists(st.lists(CELL, min_size=1, max_size=4), max_size=4), st.sampled_from([(), (0,), (2,)])
)
@settings(deadline=None, max_examples=300)
def test_the_fast_pass_takes_nothing_that_the_exact_pass_refuses(rows, text_columns):
    body = "".join(",".join(row) + "\n" for row in rows)
    table = TextTable("x.csv", ("t", "b", "c"), body, 2)
    fast = table._fast(frozenset(text_columns), "accepted")
    if fast is None:
        return
    exact = table._exact(frozenset(text_columns), "accepted")
    np.testing.assert_array_equal(fast.numbers, exact.numbers)
    assert (fast.texts, fast.flags, fast.flags_row) == (exact.texts, exact.flags, exact.flags_row)


def test_a_large_file_equals_the_csv_module_cell_by_cell():
    rng = np.random.default_rng(3)
    lines = ["time_ms," + ",".join(f"s{n}" for n in range(700))]
    lines += [
        f"{n * 0.1:.1f}," + ",".join(f"{v:.5g}" for v in rng.normal(0, 9, 700)) for n in range(90)
    ]
    text = "\n".join(lines)
    expected = np.array([list(map(float, row)) for row in list(csv.reader(io.StringIO(text)))[1:]])
    np.testing.assert_array_equal(read(text).values_nv, expected[:, 1:].T)


def test_a_name_above_the_table_is_not_repeated():
    message = fault("Patient: Ada Example\ntime_ms,a\n0,1\n")
    assert "the header must be 'time_ms'" in message
    assert "Ada" not in message
