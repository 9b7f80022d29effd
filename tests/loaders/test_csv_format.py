import pytest

from waveworks.errors import SettingsError
from waveworks.loaders.csv_format import CsvFormat, read_csv_format

MS = '[time]\nkind = "ms"\ncolumn = "t"\n'
NONE = '[time]\nkind = "none"\nrate_hz = 1000\nstart_ms = 0\n'
ROWS = '[signals]\nin = "rows"\n'
CLOCK = '[time]\nkind = "clock"\ncolumn = "t"\nclock_format = "%H:%M:%S.%f"\n'


@pytest.fixture
def described(tmp_path):
    def read(text):
        path = tmp_path / "f.toml"
        path.write_text(text, encoding="utf-8")
        return read_csv_format(path, name="f.toml")

    return read


def test_defaults(described):
    assert described(MS) == CsvFormat(
        name="f.toml",
        separator=",",
        decimal=".",
        encoding="utf-8",
        skip_lines=0,
        header=True,
        names=(),
        time_kind="ms",
        time_column="t",
        time_column_of={},
        clock_format="",
        rate_hz=None,
        start_ms=None,
        orientation="columns",
        unit="",
        signal_columns=(),
        signal_names=(),
        name_column=None,
        marker_column=None,
        marker_code=None,
    )


def test_every_key(described):
    columns = described("""
        [text]
        separator = "\\t"
        decimal = ","
        encoding = "cp1252"
        skip_lines = 3
        header = false
        names = ["t", "u", "x", "y", "m"]
        [time]
        kind = "s"
        column = 1
        [signals]
        unit = "µV"
        in = "columns"
        columns = ["x", 4]
        names = ["left", "right"]
        [marker]
        column = "m"
        code = 4
    """)
    assert (columns.separator, columns.decimal, columns.encoding) == ("\t", ",", "cp1252")
    assert (columns.skip_lines, columns.header) == (3, False)
    assert columns.names == ("t", "u", "x", "y", "m")
    assert (columns.time_kind, columns.time_column) == ("s", 1)
    assert (columns.unit, columns.orientation) == ("µV", "columns")
    assert (columns.signal_columns, columns.signal_names) == (("x", 4), ("left", "right"))
    assert (columns.marker_column, columns.marker_code) == ("m", 4.0)
    several = described(
        CLOCK.replace('column = "t"', "start_ms = -5") + '[time.column_of]\nR = "T1"\nL = 4\n'
    )
    assert several.clock_format == "%H:%M:%S.%f"
    assert (several.time_column_of, several.start_ms) == ({"R": "T1", "L": 4}, -5)
    rows = described(NONE + ROWS + "name_column = 1\n")
    assert (rows.rate_hz, rows.orientation, rows.name_column) == (1000, "rows", 1)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[tme]\n", "unknown key 'tme'; known: text, time, signals, marker"),
        (
            "[text]\nseperator=';'\n" + MS,
            "unknown key 'text.seperator'; known: separator, decimal, encoding, skip_lines, "
            "header, names",
        ),
        (
            MS + "unit='s'\n",
            "unknown key 'time.unit'; known: kind, column, column_of,",
        ),
        (
            MS + "[signals]\norientation='rows'\n",
            "unknown key 'signals.orientation'; known: in, unit",
        ),
        (MS + "[marker]\ncodes=[1]\n", "unknown key 'marker.codes'; known: column, code"),
        ("", "'time.kind' is missing; it must be one of s, ms, clock, none"),
        ("[time]\nkind='us'\n", "'time.kind' is 'us'; it must be one of s, ms, clock, none"),
        ("time=3\n", "'time' must be a table, [time]"),
        (MS + "[marker]\ncode=1\n", "'marker.column' is missing"),
        (MS + "[marker]\n", "'marker.column' is missing"),
        ("[text]\nseparator=';;'\n" + MS, "'text.separator' is ';;'; it must be one character"),
        ("[text]\nseparator='e'\n" + MS, "'text.separator' is 'e'; it must be one character"),
        ("[text]\ndecimal=','\n" + MS, "'text.separator' and 'text.decimal' are both ','"),
        ("[text]\ndecimal=';'\n" + MS, "'text.decimal' is ';'; it must be one of ., ,"),
        ("[text]\nencoding='nope'\n" + MS, "'text.encoding' is 'nope'; it must be a text encoding"),
        ("[text]\nencoding='base64'\n" + MS, "'text.encoding' is 'base64'; it must be a text"),
        (
            "[text]\nskip_lines=-1\n" + MS,
            "'text.skip_lines' is -1; it must be a whole number from 0",
        ),
        ("[text]\nskip_lines=true\n" + MS, "'text.skip_lines' is True; it must be a whole number"),
        ("[text]\nheader=0\n" + MS, "'text.header' is 0; it must be true or false"),
        ("[text]\nnames=['a']\n" + MS, "'text.names' goes with 'text.header = false'"),
        ("[text]\nheader=false\nnames=['a','a']\n" + MS, "'text.names' holds a name twice"),
        (
            "[text]\nheader=false\nnames=['a','']\n" + MS,
            "'text.names' is ['a', '']; it must be a list",
        ),
        (
            "[time]\nkind='ms'\n",
            "time.kind 'ms' needs one of 'time.column' and 'time.column_of', not neither",
        ),
        (
            MS + "[time.column_of]\na='b'\n",
            "time.kind 'ms' needs one of 'time.column' and 'time.column_of', not both",
        ),
        (
            "[time]\nkind='ms'\ncolumn=0\n",
            "'time.column' is 0; it must be a column's name, or its num",
        ),
        ("[time]\nkind='ms'\ncolumn=true\n", "'time.column' is True; it must be a column's name"),
        (
            "[time]\nkind='ms'\ncolumn_of='b'\n",
            "'time.column_of' must be a table, [time.column_of]",
        ),
        (
            "[time]\nkind='ms'\ncolumn_of={a=''}\n",
            "'time.column_of.a' is ''; it must be a column's",
        ),
        (NONE + "column='t'\n", "'time.kind' is 'none', so no 'time.column'"),
        ("[time]\nkind='none'\nstart_ms=0\n", "'time.rate_hz' is missing"),
        (
            "[time]\nkind='none'\nrate_hz=0\nstart_ms=0\n",
            "'time.rate_hz' is 0 Hz; it must be above 0",
        ),
        ("[time]\nkind='none'\nrate_hz=1\n", "'time.start_ms' is missing; with time.kind 'none'"),
        (
            MS + "rate_hz=1\n",
            "'time.rate_hz' goes with time.kind = 'none' or with [marker]; with 'ms' the stamps",
        ),
        (CLOCK, "'time.start_ms' is missing; with time.kind 'clock'"),
        (
            CLOCK.replace("clock_format", "#") + "start_ms=0\n",
            "'time.clock_format' and time.kind = ",
        ),
        (MS + "clock_format='%S'\n", "'time.clock_format' and time.kind = 'clock' go together"),
        (
            CLOCK.replace("%S.%f", "%S%f") + "start_ms=0\n",
            "'time.clock_format' is '%H:%M:%S%f', which needs a sign such as '.' before %f",
        ),
        (
            CLOCK.replace("%S.%f", "%S.%f.%f"),
            "'time.clock_format' is '%H:%M:%S.%f.%f', which holds %f",
        ),
        (CLOCK.replace("%H", "%Q"), "'time.clock_format' is '%Q:%M:%S.%f', which is not a format"),
        (CLOCK.replace(":%S.%f", ""), "'time.clock_format' is '%H:%M', which holds no seconds"),
        (MS + "start_ms=0\n[marker]\ncolumn='m'\n", "'time.start_ms' cannot go with a [marker]"),
        (MS + ROWS, "with signals in rows the times are in the header row; leave 'time.column'"),
        (
            "[text]\nheader=false\n[time]\nkind='ms'\n" + ROWS,
            "with signals in rows, time.kind 'ms' needs the header row",
        ),
        (
            "[time]\nkind='clock'\nclock_format='%S'\nstart_ms=0\n" + ROWS,
            "clock times are read from a column, so 'signals.in' cannot be 'rows'",
        ),
        (NONE + ROWS + "columns=['a']\n", "with signals in rows 'signals.columns' means nothing"),
        (
            NONE + ROWS + "name_column=1\nnames=['a']\n",
            "'signals.name_column' and 'signals.names' both",
        ),
        (
            NONE.replace("start_ms = 0", "") + ROWS + "[marker]\ncolumn=1\n",
            "a [marker] column needs signals.in = 'columns'",
        ),
        (MS + "[signals]\nname_column=1\n", "'signals.name_column' goes with signals.in = 'rows'"),
        (MS + "[signals]\nnames=['a']\n", "'signals.names' has 1 names for 0 'signals.columns'"),
        (MS + "[signals]\ncolumns=['a','a']\n", "'signals.columns' holds a column twice"),
        (MS + "[signals]\ncolumns='a'\n", "'signals.columns' is 'a'; it must be a list of columns"),
        (MS + "[signals]\ncolumns=[1,2]\nnames=['a','a']\n", "'signals.names' holds a name twice"),
        (
            MS + "[signals]\nin='lines'\n",
            "'signals.in' is 'lines'; it must be one of columns, rows",
        ),
        (MS + "[signals]\nunit='UV'\n", "unit is 'UV'; it must be one of nV, uV, mV, V"),
        (
            "[time]\nkind='ms'\ncolumn_of={a='t'}\n[marker]\ncolumn='m'\n",
            "a [marker] column marks samples of one time column",
        ),
        ("[time\n", "not valid TOML: "),
    ],
)
def test_faults_are_said_plainly(described, text, message):
    with pytest.raises(SettingsError) as caught:
        described(text)
    assert str(caught.value).startswith(f"f.toml: {message}")
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(SettingsError, match=r"nowhere\.toml: cannot be read: No such file"):
        read_csv_format(tmp_path / "nowhere.toml")
