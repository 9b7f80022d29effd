"""The documentation says what the program does: names, keys, links, commands and snippets.

The folder beside the tests is the project's own or a copy of it without the package, so nothing
here reads the package's source files.
"""

import csv
import inspect
import json
import math
import re
import shlex
import shutil
import tomllib
from dataclasses import MISSING, fields
from pathlib import Path

import pytest
from click.testing import CliRunner
from scipy import stats

from waveworks.cli.app import commands
from waveworks.criteria import default_criteria, read_criteria
from waveworks.criteria import read as criteria_read
from waveworks.dsp import choosing, level_series, peaks
from waveworks.dsp.evidence import N_DRAWS
from waveworks.dsp.noise_spectra import GRID, HIGHPASSES
from waveworks.dsp.settling import follow_marks
from waveworks.dsp.shape_fit import AMPLITUDE_SPREAD
from waveworks.dsp.wave_shapes import FACTORS
from waveworks.grading import CLAUSES_COLUMNS
from waveworks.loaders import csv_format, manifest, session_toml
from waveworks.measures.definitions import DEFINITIONS
from waveworks.measures.tables import LEVELS_COLUMNS, MEASURES_COLUMNS, TRACES_COLUMNS
from waveworks.model import CONDITION_COLUMNS
from waveworks.plots import MOST_LEVELS, NV_PER_MS
from waveworks.plots.style import LEAST_NV_PER_MS, MOST_NV_PER_MS, NORMAL_95
from waveworks.settings import ExpectedWave, default_settings, read, read_settings
from waveworks.settings.read_expectation import EXPECTATION_KEYS
from waveworks.simulate.scenario import read_scenario

PROJECT = Path(__file__).parents[1]
DOCS = PROJECT / "docs"
PAGES = sorted([PROJECT / "README.md", PROJECT / "DEVELOPERS.md", *DOCS.glob("*.md")])
NOTEBOOKS = sorted((PROJECT / "notebooks").glob("*.ipynb"))
FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
OUTPUTS = {
    "measures.csv": MEASURES_COLUMNS,
    "levels.csv": LEVELS_COLUMNS,
    "traces.csv": TRACES_COLUMNS,
    "clauses.csv": CLAUSES_COLUMNS,
}


def text_of(page):
    return (PROJECT / page).read_text(encoding="utf-8")


def blocks(page, language):
    return [body for kind, body in FENCE.findall(text_of(page)) if kind == language]


def lines_of_commands(page):
    return [line for body in blocks(page, "bash") for line in body.splitlines() if line]


def waveworks_calls(page):
    """Return the arguments of every call of the command line on a page."""
    calls = []
    for line in lines_of_commands(page):
        for part in line.split("&&"):
            words = shlex.split(part, comments=True)
            if words[:1] == ["waveworks"]:
                calls.append(words[1:])
    return calls


def section(page, heading):
    """Return what stands under a heading, up to the next heading of its kind or above."""
    text = text_of(page)
    found = re.search(rf"^(#+) {re.escape(heading)}$", text, re.MULTILINE)
    assert found, f"{page} has no heading '{heading}'"
    rest = text[found.end() :]
    following = re.search(rf"^#{{1,{len(found[1])}}} ", rest, re.MULTILINE)
    return rest[: following.start()] if following else rest


def named_in_rows(text):
    """Return the names in backquotes in the first column of every table row."""
    first_cells = re.findall(r"^\|([^|]*)\|", text, re.MULTILINE)
    return [name for cell in first_cells for name in re.findall(r"`([^`]+)`", cell)]


def write_named_examples(page):
    """Write each TOML example whose first line names its file to that file."""
    for body in blocks(page, "toml"):
        named = re.match(r"# (\w+\.toml)\n", body)
        if named:
            Path(named[1]).write_text(body, encoding="utf-8")


@pytest.fixture
def workplace(tmp_path, monkeypatch):
    """An empty folder with the invented session, as the pages assume it."""
    shutil.copytree(PROJECT / "synthetic_data", tmp_path / "synthetic_data")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("table", OUTPUTS)
def test_every_output_column_is_explained_in_the_order_of_the_table(table):
    named = named_in_rows(section("docs/formats.md", table))
    assert named == [name for name in OUTPUTS[table] if name not in CONDITION_COLUMNS]


def test_the_condition_columns_are_named_before_the_output_tables():
    introduction = section("docs/formats.md", "Output tables").split("###")[0]
    assert tuple(re.findall(r"`(\w+)`", introduction.split("The condition columns")[1])) == (
        *CONDITION_COLUMNS,
    )


def test_the_table_of_measures_is_that_of_the_definitions():
    rows = [
        [cell.strip().replace("\\|", "|") for cell in re.split(r"(?<!\\)\|", line)[1:-1]]
        for line in text_of("docs/measures.md").splitlines()
        if line.startswith("|")
    ]
    assert rows[2:] == [
        [
            definition.name,
            definition.meaning,
            definition.unit,
            definition.formula,
            definition.window,
            ", ".join(f"`{column}`" for column in definition.columns),
            definition.source,
        ]
        for definition in DEFINITIONS.values()
    ]


def test_every_column_of_a_definition_exists():
    columns = {column for table in OUTPUTS.values() for column in table}
    assert not {c for definition in DEFINITIONS.values() for c in definition.columns} - columns


def test_every_settings_key_is_explained():
    page = named_in_rows(section("docs/settings.md", "Keys"))
    processing = {f"processing.{key}" for key in read._PROCESSING_KEYS}
    top = {"name", "[[stimulus]]", "[[expectation]]"}
    assert {*read._TOP_KEYS} == {"name", "processing", "stimulus", "expectation"}
    assert sorted(page) == sorted(top | processing | {*read._ROW_KEYS})
    expected = section("docs/settings.md", "Expected waves").split("\n### ")[0]
    assert named_in_rows(expected) == [*EXPECTATION_KEYS]


def test_the_defaults_of_an_expected_wave_are_those_of_the_page():
    page = section("docs/settings.md", "Expected waves")
    said = dict(re.findall(r"^\| `(\w+)` .*?`?([\d.]+|\[[^]]+\])`? if missing \(own", page, re.M))
    defaults = {
        field.name: field.default
        for field in fields(ExpectedWave)
        if field.default is not MISSING and field.default is not None
    }
    del defaults["slope_ms_per_db"]  # the levels tell it
    assert {key: json.loads(text) for key, text in said.items()} == {
        key: list(value) if isinstance(value, tuple) else value for key, value in defaults.items()
    }


def test_the_shipped_expectations_are_those_of_the_page():
    def cell(values, unit):
        return " and ".join(f"{value:g}" for value in values) + f" {unit}" if values else "-"

    expected = []
    for wave in default_settings().expectations:
        level = wave.level_db_nhl[-1]
        expected.append(
            [
                wave.stimulus,
                "any" if wave.frequency_hz is None else f"{wave.frequency_hz:g}",
                cell(wave.level_db_nhl, "dB"),
                cell(wave.v_ms, "ms"),
                cell(wave.v_sd_ms, "ms"),
                cell(wave.v_sn10_nv, "nV"),
                cell(wave.v_sn10_sd_nv, "nV"),
                f"{wave.v_at(level - 10) - wave.v_at(level):.3g} ms",
            ]
        )
    page = section("docs/settings.md", "The shipped expectations")
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in page.splitlines()
        if line.startswith("|")
    ]
    assert rows[2:] == expected


def test_the_shipped_windows_are_those_of_the_page():
    def window(pair):
        start, stop = pair
        if start == -float("inf"):
            return "whole trace"
        return f"{start:g} ms to the end" if stop == float("inf") else f"{start:g} to {stop:g} ms"

    expected = []
    for row in default_settings().stimuli:
        frequency = "any" if row.frequency_hz is None else f"{row.frequency_hz:g}"
        if (row.stimulus, frequency) == ("tone-burst", "any"):
            frequency = "any other"
        v_window = "none" if row.v_ms is None else window(row.v_ms)
        point = f"{row.fsp_point_ms:g} ms" if row.fsp_point_ms == row.fsp_point_ms else "middle"
        windows = [window(row.response_ms), v_window, window(row.noise_ms)]
        expected.append([row.stimulus, frequency, *windows, point])
    page = section("docs/settings.md", "The shipped default")
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in page.splitlines()
        if line.startswith("|")
    ]
    assert rows[2:] == expected


def test_every_criteria_key_is_explained():
    page = section("docs/criteria.md", "Keys")
    top = ["name", "version", "[[clause]]", "[threshold]", "[[discharge]]", "[[ehl_offset]]"]
    assert [*criteria_read._TOP_KEYS] == [key.strip("[]") for key in top]
    keys = (criteria_read._CLAUSE_KEYS, criteria_read._THRESHOLD_KEYS)
    keys += (criteria_read._DISCHARGE_KEYS, criteria_read._OFFSET_KEYS)
    assert sorted(named_in_rows(page)) == sorted([*top, *(key for one in keys for key in one)])
    quantity = next(line for line in page.splitlines() if line.startswith("| `quantity`"))
    assert re.findall(r"`(\w+)`", quantity)[1:] == [*criteria_read.QUANTITIES]


def test_the_example_criteria_are_those_of_the_page():
    page = section("docs/criteria.md", "The shipped example")
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in page.splitlines()
        if line.startswith("|")
    ]
    clauses = default_criteria().clauses
    assert rows[2:] == [
        [one.id, one.quantity, one.scope, str(one), ", ".join(one.grades)] for one in clauses
    ]


def test_every_session_key_is_explained():
    page = named_in_rows(section("docs/formats.md", "session.toml"))
    top = {key for key in session_toml._KEYS if key != "reported_threshold"}
    assert sorted(page) == sorted(
        top | {"[[reported_threshold]]"} | {*session_toml._THRESHOLD_KEYS}
    )


class CellsThatTell:
    """Stands in for the cells of a row and remembers the columns that were asked for."""

    def __init__(self):
        self.asked = set()

    def _remember(self, column, *_, **__):
        self.asked.add(column)

    def text(self, column, **_):
        self._remember(column)
        return ""

    def choice(self, column, *_, **__):
        self._remember(column)
        return ""

    def texts(self, column):
        self._remember(column)
        return ()

    counts = texts
    number = count = _remember

    def fault(self, *_):
        pass

    def items(self):
        return ()


def test_every_column_of_recordings_csv_is_explained():
    page = named_in_rows(section("docs/formats.md", "recordings.csv"))
    assert len(page) == len(set(page))
    cells = CellsThatTell()
    manifest._row(cells, 2)
    kept = {"reject_uv", "mains_hz", "impedance_kohm", "started", "system", "comment"}
    assert set(page) == cells.asked | kept


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_relative_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if "://" in target:
            continue
        path, _, anchor = target.partition("#")
        file = (page.parent / path).resolve() if path else page
        assert file.exists(), f"{page.name}: {target}"
        if anchor:
            text = FENCE.sub("", file.read_text(encoding="utf-8"))
            headings = re.findall(r"^#+ (.*)$", text, re.MULTILINE)
            anchors = {re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in headings}
            assert anchor in anchors, f"{page.name}: {target}"


@pytest.fixture(scope="module")
def first_command(tmp_path_factory):
    """Run the first command of README where there is nothing else, and return what it wrote."""
    install, demo = lines_of_commands("README.md")[0].split(" && ")
    assert install == "python -m pip install ."
    program, *arguments = shlex.split(demo)
    assert program == "waveworks"
    with pytest.MonkeyPatch.context() as elsewhere:
        elsewhere.chdir(tmp_path_factory.mktemp("fresh"))
        result = CliRunner().invoke(commands, arguments)
        assert result.exit_code == 0, result.output
        return Path("waveworks-out").resolve()


def test_the_readme_reports_an_invented_session_in_one_line(first_command):
    assert (
        lines_of_commands("README.md")[1] == 'python -m pip install ".[test]" && python -m pytest'
    )
    with (PROJECT / "pyproject.toml").open("rb") as file:
        project = tomllib.load(file)["project"]
    assert "test" in project["optional-dependencies"]
    assert project["scripts"] == {"waveworks": "waveworks.cli:main"}
    written = {path.name for path in first_command.iterdir()}
    assert written == {
        *OUTPUTS,
        "clauses.csv",
        "thresholds.csv",
        "provenance.json",
        "report.html",
        "session",
    }
    table = section("README.md", "What comes out").split("and writes:")[1].split("\n\n")[1]
    assert named_in_rows(table)[0] == first_command.name
    assert set(named_in_rows(table)[1:]) == written


def test_the_truth_of_the_demo_has_a_row_for_each_recording(first_command):
    def recordings(path):
        with path.open(encoding="utf-8", newline="") as file:
            return [row["recording"] for row in csv.DictReader(file)]

    named = recordings(first_command / "session" / "recordings.csv")
    assert named
    assert recordings(first_command / "session" / "truth.csv") == named
    assert recordings(first_command / "measures.csv") == named


def files_said_to_be_written(command):
    """Return the files that the page of formats names for a command."""
    rows = re.findall(
        r"^\| `(\w+)` \| (.*) \|$",
        section("docs/formats.md", "What each command writes"),
        re.MULTILINE,
    )
    return set(re.findall(r"`([\w.]+\.(?:csv|json|html|toml))`", dict(rows)[command]))


def test_every_command_has_a_row_of_the_files_that_it_writes():
    page = section("docs/formats.md", "What each command writes")
    assert sorted(named_in_rows(page)) == sorted(commands.commands)


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "synthetic_data/quiet_ward"],
        ["measure", "synthetic_data/quiet_ward", "-o", "out"],
        ["report", "synthetic_data/quiet_ward", "-o", "out"],
        ["simulate", "my_scenario.toml", "-o", "out"],
        ["convert", "synthetic_data/quiet_ward", "--to", "csv", "-o", "out"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_a_command_writes_the_files_that_the_page_says(arguments, workplace):
    write_named_examples("docs/how-to.md")
    result = CliRunner().invoke(commands, arguments)
    assert result.exit_code == 0, result.output
    out = Path("out")
    written = {path.name for path in out.iterdir()} if out.exists() else set()
    data = set()
    if "recordings.csv" in written:
        with (out / "recordings.csv").open(encoding="utf-8", newline="") as file:
            data = {name for row in csv.DictReader(file) for name in row["file"].split(";")}
    assert data <= written
    assert written - data == files_said_to_be_written(arguments[0])


def test_the_demo_writes_the_files_that_the_page_says(first_command):
    written = {path.name for path in first_command.iterdir() if path.is_file()}
    assert written == files_said_to_be_written("demo")
    session = {path.name for path in (first_command / "session").iterdir()}
    assert files_said_to_be_written("simulate") < session


def test_a_number_stands_on_the_page_as_the_formats_say(workplace):
    CliRunner().invoke(commands, ["report", "synthetic_data/quiet_ward", "-o", "out"])
    (example,) = re.findall(r"<data .*?</data>", section("docs/formats.md", "report.html"))
    assert example in Path("out", "report.html").read_text(encoding="utf-8")
    with Path("out", "measures.csv").open(encoding="utf-8", newline="") as file:
        (cell,) = [r["rn_nv"] for r in csv.DictReader(file) if r["recording"] == "right-50-1"]
    assert example.startswith(f'<data value="{cell}">')


def test_the_session_shown_in_the_tutorial_measures_as_shown(workplace):
    result = CliRunner().invoke(commands, ["measure", "synthetic_data/quiet_ward"])
    printed = [line.split() for line in result.output.splitlines()]
    shown = blocks("docs/tutorial.md", "")
    table = next(body for body in shown if body.startswith("recording "))
    assert all(line.split() in printed for line in table.splitlines())
    levels = next(body for body in shown if body.startswith("level "))
    for line in levels.splitlines()[1:]:
        label, *numbers = re.split(r"\s{2,}", line)
        ear, level = label.split(" ... ")
        assert any(
            words[0] == f"{ear}," and level in " ".join(words) and words[-len(numbers) :] == numbers
            for words in printed
            if words
        ), line
    checked = CliRunner().invoke(commands, ["check", "synthetic_data/quiet_ward"])
    assert "16 recordings, nothing wrong." in checked.output
    assert "`16 recordings, nothing wrong.`" in text_of("docs/tutorial.md")


@pytest.mark.parametrize("page", ["README.md", "docs/tutorial.md", "docs/how-to.md"])
def test_commands_on_what_exists_run_in_their_order(page, workplace):
    write_named_examples(page)
    if page != "docs/how-to.md":
        # What these pages do with the reader's own session can be done with any.
        shutil.copytree("synthetic_data/quiet_ward", "my_session")
    ran = 0
    for arguments in waveworks_calls(page):
        if len(arguments) > 1 and Path(arguments[1]).exists():
            result = CliRunner().invoke(commands, arguments)
            assert result.exit_code == 0, f"{arguments}: {result.output}"
            ran += 1
    assert ran


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_command_is_one_that_exists(page, workplace):
    for file in ("our_system.toml", "our_limits.toml"):
        Path(file).touch()
    for name, *arguments in waveworks_calls(page):
        command = commands.commands[name]
        # Parsing alone: wrong options and missing arguments raise.
        command.make_context(name, arguments)


SNIPPETS = [
    (page.relative_to(PROJECT).as_posix(), number)
    for page in PAGES
    for number in range(len(blocks(page, "python")))
]


@pytest.mark.parametrize(("page", "number"), SNIPPETS)
def test_python_snippets_run(page, number, workplace, capsys):
    exec(compile(blocks(page, "python")[number], f"{page}, snippet {number}", "exec"), {})
    assert capsys.readouterr().out, "a snippet shows something"


def test_the_snippet_of_pictures_saves_two_that_can_be_opened(workplace, capsys):
    from PIL import Image

    (snippet,) = [body for body in blocks("docs/how-to.md", "python") if "savefig" in body]
    exec(compile(snippet, "docs/how-to.md", "exec"), {})
    saved = sorted(path.name for path in workplace.glob("*.png"))
    assert saved == sorted(re.findall(r'savefig\("(.*?)"', snippet))
    for name in saved:
        with Image.open(workplace / name) as picture:
            darkest, brightest = picture.convert("L").getextrema()
        assert (darkest, brightest) == (pytest.approx(0, abs=60), 255)  # ink on white


def test_the_auditor_sees_the_reported_noise_agree(workplace, capsys):
    snippet = next(body for body in blocks("README.md", "python") if "reported" in body)
    exec(compile(snippet, "README.md", "exec"), {})
    # The invented recording system reports the RMS of half of A minus B, to 0.1 nV.
    shown = capsys.readouterr().out
    assert "right-40-1 reported 21.4 nV, buffers give 21.4 nV" in shown


@pytest.mark.parametrize(
    "page", ["docs/criteria.md", "docs/how-to.md", "docs/scenarios.md", "docs/settings.md"]
)
def test_toml_examples_are_read(page, tmp_path):
    examples = blocks(page, "toml")
    assert examples
    for number, body in enumerate(examples):
        path = tmp_path / f"{number}.toml"
        path.write_text(body, encoding="utf-8")
        if "[[stimulus]]" in body:
            assert read_settings(path).stimuli
        elif "[[clause]]" in body:
            assert read_criteria(path).clauses
        elif "[[series]]" in body:
            assert read_scenario(path).recordings
        else:
            assert csv_format.read_csv_format(path).signal_columns


@pytest.mark.parametrize("page", ["docs/tutorial.md", "docs/how-to.md"])
def test_examples_of_recordings_csv_are_read(page):
    examples = [
        body for body in blocks(page, "") if body.startswith("recording,file") and "..." not in body
    ]
    assert examples
    for body in examples:
        rows = manifest.read_manifest(body.encode())
        assert len(rows) == len(body.splitlines()) - 1
    if page == "docs/tutorial.md":
        assert rows[0].condition == rows[1].condition


def test_the_choices_behind_a_suggested_mark_are_those_of_the_page():
    page = " ".join(section("docs/suggestions.md", "How it is made").split())
    defaults = inspect.signature(peaks.suggest_marks).parameters
    assert f"fewer than {defaults['noise_rate'].default:.0%}".replace("%", " %") in page
    assert len(GRID) == 15
    assert "Fifteen spectra (a slope from f^0 to f^-2" in page
    width_s = peaks.WaveShape().v_width_ms / 1e3
    corners = [round(highpass / width_s) for highpass in HIGHPASSES]
    assert "a high-pass at {}, {} or {} Hz".format(*corners) in page
    assert "0.75, 1 and 1.3 times" in page
    assert FACTORS == (0.75, 1.0, 1.3)
    assert AMPLITUDE_SPREAD == 5
    assert "an SD of five standard errors" in page
    assert f"{N_DRAWS} draws of noise" in page
    assert f"a chance of {level_series.ABNORMAL:.0%}".replace("%", " %") in page
    assert choosing.FEWEST_BLOCKS == 10
    assert "with ten blocks of sweeps or more" in " ".join(
        section("docs/suggestions.md", "What the numbers mean").split()
    )


def test_what_the_pictures_draw_is_what_the_page_says():
    page = " ".join(section("docs/explanation.md", "Pictures").split())
    assert f"1 ms is drawn as long as {NV_PER_MS:g} nV" in page
    assert f"from {LEAST_NV_PER_MS:g} to {MOST_NV_PER_MS:g} nV in Python" in page
    assert f"plus and minus {NORMAL_95:g} times its residual noise" in page
    assert pytest.approx(stats.norm.ppf(0.975), abs=5e-3) == NORMAL_95
    reach_ms = inspect.signature(follow_marks).parameters["reach_ms"].default
    assert f"highest point within {reach_ms:g} ms of its *final* mark" in page
    # The power at a frequency is chi-square with two degrees of freedom for each repetition.
    low, high = (math.sqrt(2 / stats.chi2.ppf(p, 2)) for p in (0.975, 0.025))
    assert f"from {low:.2f} to {high:.1f} times the density" in page
    assert math.sqrt(3998 / stats.chi2.ppf(0.025, 3998)) == pytest.approx(1.02, abs=5e-3)
    assert "From 2000 sweeps it is known to about 2 %" in page
    assert MOST_LEVELS == 8
    assert "at most eight levels" in " ".join(section("docs/formats.md", "report.html").split())


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.name)
def test_notebooks_are_stored_without_output(notebook):
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert code
    for cell in code:
        assert cell["outputs"] == []
        assert cell["execution_count"] is None


def test_there_is_a_notebook():
    assert NOTEBOOKS
