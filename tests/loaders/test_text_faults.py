"""Faults of text files that would otherwise pass unseen, in both readers."""

import numpy as np
import pytest

from waveworks.errors import LoadError, SettingsError
from waveworks.loaders.csv_data import read_csv
from waveworks.loaders.csv_format import CsvFormat, read_csv_format
from waveworks.loaders.foreign_csv import read_foreign_csv

CHOSEN = CsvFormat("f.toml", time_kind="none", rate_hz=1e3, start_ms=0.0, signal_columns=("x",))
TIMED = CsvFormat("f.toml", time_kind="ms", time_column="t")


def foreign(text, described, unit="nV"):
    return read_foreign_csv(text.encode(), described, name="x.csv", unit=unit, signals=(), event="")


def fault(read, *given, **options):
    with pytest.raises(LoadError) as caught:
        read(*given, **options)
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize(
    ("note", "message"),
    [
        ('"', "a cell in quotes runs on into row 4"),  # closed by the quote in row 4
        ('"cable', "a cell in quotes runs on into row 4"),
        ('" 5', "a cell in quotes runs on into row 4"),
    ],
)
def test_a_stray_quote_in_a_comment_swallows_no_row(note, message):
    text = f'x,comment\n1,ok\n2,{note}\n3,12"\n4,ok\n5,ok\n'
    assert fault(foreign, text, CHOSEN) == f"x.csv: row 3: {message}"


def test_a_quote_that_is_never_closed_is_refused():
    assert fault(foreign, 'x,comment\n1,ok\n2,"\n3,ok\n', CHOSEN).startswith("x.csv: row 3: ")


def test_a_stray_quote_before_a_quoted_cell_is_refused():
    # The fast parser takes the two for one cell and drops row 3.
    message = fault(foreign, 'x,comment\n1,"\n2,"12"\n', CHOSEN)
    assert message.startswith("x.csv: row 2: ")


def test_quotes_around_and_inside_cells_are_read():
    text = 'x,comment\n"1","a,b"\n2,"5"" probe"\n3,5" probe\n4,""\n'
    np.testing.assert_array_equal(foreign(text, CHOSEN).values_nv, [[1, 2, 3, 4]])


def test_flags_the_wrong_way_round_are_refused():
    message = fault(read_csv, b"time_ms,a,accepted\n0,1,1\n1,2,0\n", name="x.csv", unit="nV")
    assert message == (
        "x.csv: row 1, column 3 ('accepted'): with samples in rows the flags are a row 'accepted', "
        "not a column"
    )
    message = fault(read_csv, b"sweep,0,1\ns,5,5\n\naccepted,1,1\n", name="x.csv", unit="nV")
    assert message == (
        "x.csv: row 4: with sweeps in rows the flags are a column 'accepted', not a row"
    )


@pytest.mark.parametrize("data", [b"time_ms,a\n0,1e305\n1,2\n", b"sweep,0,1\ns,2,-1e305\n"])
def test_an_amplitude_too_large_in_nv_is_refused(data):
    message = fault(read_csv, data, name="x.csv", unit="V")
    assert message.startswith("x.csv: 1e+305 times 1e+09 is too large")


def test_foreign_numbers_too_large_in_our_units_are_refused():
    assert "1e+305 times 1e+09" in fault(foreign, "t,x\n0,1e305\n1,2\n", TIMED, unit="V")
    seconds = CsvFormat("f.toml", time_kind="s", time_column="t")
    assert "1e+306 times 1000" in fault(foreign, "t,x\n0,1\n1e306,2\n", seconds)
    rows = CsvFormat("f.toml", time_kind="s", orientation="rows")
    assert "1e+306 times 1000" in fault(foreign, "0,1e306\n1,2\n", rows)
    assert "1e+305 times 1e+09" in fault(foreign, "0,1\n1,1e305\n", rows, unit="V")


@pytest.mark.parametrize(
    ("columns", "names", "message"),
    [
        (
            ("x", 2),
            ("A", "B"),
            "column 2 cannot be a signal as f.toml says; it is a signal already",
        ),
        (
            ("x", 1),
            (),
            "column 1 cannot be a signal as f.toml says; it holds the time or the marker",
        ),
        (("t",), (), "column 1 cannot be a signal as f.toml says; it holds the time or the marker"),
    ],
)
def test_a_column_has_one_use(columns, names, message):
    described = CsvFormat(
        "f.toml", time_kind="ms", time_column="t", signal_columns=columns, signal_names=names
    )
    assert fault(foreign, "t,x\n0,1\n1,2\n", described) == f"x.csv: {message}"


def test_a_marker_is_no_signal():
    described = CsvFormat(
        "f.toml", time_kind="ms", time_column="t", signal_columns=("m",), marker_column=3
    )
    assert "column 3 cannot be a signal" in fault(foreign, "t,x,m\n0,1,0\n1,2,1\n", described)


def described_by(tmp_path, text):
    path = tmp_path / "f.toml"
    path.write_text(text, encoding="utf-8")
    return read_csv_format(path, name="f.toml")


@pytest.mark.parametrize("encoding", ["undefined", "utf\\u0000", "rot13"])
def test_an_encoding_that_is_none_is_refused(tmp_path, encoding):
    with pytest.raises(SettingsError, match=r"^f\.toml: 'text\.encoding' is .* must be a text enc"):
        described_by(tmp_path, f'[text]\nencoding="{encoding}"\n[time]\nkind="ms"\ncolumn="t"\n')


def test_bytes_that_a_decoder_refuses_without_a_place():
    described = CsvFormat("f.toml", time_kind="ms", time_column="t", encoding="punycode")
    assert fault(foreign, "t,x\n0,1\n1,2\n", described) == "x.csv: not PUNYCODE text"


def clock(tmp_path, form):
    return described_by(
        tmp_path,
        f'[time]\nkind="clock"\ncolumn="t"\nclock_format="{form}"\nstart_ms=0\n',
    )


def test_a_directive_that_is_there_twice_is_refused(tmp_path):
    with pytest.raises(
        SettingsError, match=r"^f\.toml: 'time\.clock_format' is '%S%S', which is not"
    ):
        clock(tmp_path, "%S%S")


def test_clock_times_with_a_zone(tmp_path):
    # The zone changes from summer to winter between the samples; one ms passes.
    text = "t,x\n2016-10-30T02:59:59.9995+02:00,1\n2016-10-30T02:00:00.0005+01:00,2\n"
    axis = foreign(text, clock(tmp_path, "%Y-%m-%dT%H:%M:%S.%f%z")).axis
    assert axis.sfreq_hz == pytest.approx(1000, rel=1e-9)
