"""Scenario files: what is read, what is refused and in which words, and what the page says."""

import math
import re
from pathlib import Path

import pytest

from waveworks.errors import ScenarioError
from waveworks.simulate import scenario as files
from waveworks.simulate import scenario_rows, session
from waveworks.simulate.noise import NOISE_KINDS
from waveworks.simulate.scenario import demo_scenario, read_scenario
from waveworks.simulate.session import simulate_session, write_simulated

PAGE = (Path(__file__).parents[2] / "docs" / "scenarios.md").read_text(encoding="utf-8")


def names_in_rows(heading):
    """Return the names in backquotes in the first column of the tables below a heading."""
    rest = PAGE.split(f"\n{heading}\n")[1]
    text = re.split(r"^#+ ", rest, maxsplit=1, flags=re.MULTILINE)[0]
    cells = re.findall(r"^\|([^|]*)\|", text, re.MULTILINE)
    return [name for cell in cells for name in re.findall(r"`([^`]+)`", cell)]


# --- the page ---------------------------------------------------------------------------------


def test_every_key_is_on_the_page():
    tables = {"session", "sampling", "noise", "bursts", "artefact", "microphonic", "muscle"}
    written = [f"[{key}]" if key in tables else key for key in files.TOP_KEYS]
    written[written.index("series")] = "[[series]]"
    assert sorted(names_in_rows("## Keys")) == sorted(written)
    assert names_in_rows("### Sampling and noise") == [
        *(f"sampling.{key}" for key in files.SAMPLING_KEYS),
        *(f"noise.{key}" for key in files.NOISE_KEYS),
    ]
    assert names_in_rows("### Disturbances") == [
        *(f"bursts.{key}" for key in files.BURSTS_KEYS),
        *(f"artefact.{key}" for key in files.ARTEFACT_KEYS),
        *(f"microphonic.{key}" for key in files.MICROPHONIC_KEYS),
        *(f"muscle.{key}" for key in files.MUSCLE_KEYS),
    ]
    series = ["[[series.recording]]" if k == "recording" else k for k in scenario_rows.SERIES_KEYS]
    assert sorted(names_in_rows("### Series")) == sorted(series)
    rows = [*scenario_rows.ROW_KEYS, *scenario_rows.SHARED_KEYS]
    assert sorted(names_in_rows("### Recordings")) == sorted(rows)


def test_noise_and_truth_on_the_page_are_those_of_the_program():
    table = re.findall(r"^\| `(\w+)` \| (.*) \|$", PAGE.split("\n## Noise\n")[1], re.MULTILINE)
    assert table[: len(NOISE_KINDS)] == [(k.name, k.meaning) for k in NOISE_KINDS.values()]
    assert tuple(names_in_rows("## truth.csv")) == session.TRUTH_COLUMNS
    assert f"within {session.MARK_REACH_MS:g} ms of the truth" in PAGE
    assert f"from {session.REPORTED_FROM_MS:g} ms on" in PAGE
    assert f"{files.MOST_SAMPLES / 1e6:g} million samples" in PAGE
    assert f"a scenario {files.MOST_SAMPLES_IN_ALL / 1e6:g} million" in PAGE


def test_the_example_of_the_page_is_simulated(tmp_path):
    (body,) = re.findall(r"^```toml\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    path = tmp_path / "example.toml"
    path.write_text(body, encoding="utf-8")
    scenario = read_scenario(path)
    simulated = simulate_session(scenario)
    (tmp_path / "out").mkdir()
    write_simulated(simulated, tmp_path / "out")
    written = {file.name for file in (tmp_path / "out").iterdir()}
    levels = {50: "csv", 30: "csv", 20: "edf"}
    assert written == {
        *("recordings.csv", "session.toml", "truth.csv"),
        *(f"right-4000-{level}-{run}.{kind}" for level, kind in levels.items() for run in (1, 2)),
    }
    assert [math.isnan(truth.v_ms) for truth in simulated.truths] == [False] * 4 + [True] * 2


# --- what is read -----------------------------------------------------------------------------


def test_a_scenario_is_what_the_file_says(scenario_of):
    top = """
name = "visit"
seed = 11
[session]
corrected_age_weeks = 16
notes = "<b>bold</b>"
[sampling]
sfreq_hz = 10000
start_ms = -10
stop_ms = 20
[noise]
kind = "Q100"
scale = [1.2, 0.8]
session_scale = [0.5, 2]
[bursts]
chance = 0.5
length_sweeps = 3
factor = 4
[artefact]
peak_nv = 10
decay_ms = 1
[microphonic]
peak_nv = 20
[muscle]
swing_nv = 30
"""
    scenario = scenario_of(
        {"runs": "3", "store_combination": "[3, 1]", "marks": "true"},
        {"level_db_nhl": "20", "layout": '"average"', "noise_kind": '"W"', "noise_scale": "0.5"},
        {"level_db_nhl": None, "kind": '"control"', "condition": '"clamped tube"'},
        top=top,
        series={"polarity": '"alternating"', "buffer_split": '"polarity"', "masking_db": "40"},
    )
    assert (scenario.name, scenario.seed) == ("visit", 11)
    assert (scenario.axis.sfreq_hz, scenario.axis.start_ms, scenario.axis.n_samples) == (
        *(10_000.0, -10.0, 300),
    )
    assert scenario.noise.scale == (1.2, 0.8)
    assert scenario.noise.session_scale == (0.5, 2.0)
    sizes = scenario.disturbances
    assert (sizes.bursts.chance, sizes.bursts.length_sweeps, sizes.bursts.factor) == (0.5, 3, 4.0)
    assert (sizes.artefact.peak_nv, sizes.artefact.decay_ms) == (10.0, 1.0)
    assert (sizes.microphonic.peak_nv, sizes.muscle.swing_nv) == (20.0, 30.0)
    assert scenario.session == {
        "session": "visit",
        "corrected_age_weeks": 16,
        "notes": "<b>bold</b>",
    }
    names = ["right-click-50-1", "right-click-50-2", "right-click-50-3", "right-click-50-stored"]
    assert [plan.name for plan in scenario.recordings] == [
        *names,
        "right-click-20-1",
        "right-click-control-1",
    ]
    first, _, _, stored, below, control = scenario.recordings
    assert first.condition.polarity == "alternating"
    assert first.condition.masking_db == 40.0
    assert first.buffer_split == "polarity"
    assert first.noise_kind == "Q100"
    # Click: 7 ms at 65 dB nHL, 0.35 ms for 10 dB, 0.01 ms for each week over 6.
    assert first.truth.v_ms == pytest.approx(7.0 + 0.35 * 1.5 - 0.1)
    # Two thirds of 160 nV for 10 dB, and 0.2 % more for each week over 6.
    assert first.truth.v_sn10_nv == pytest.approx(160 * 2 / 3 * 1.02)
    assert stored.parts == (names[2], names[0])
    assert stored.layout == "average"
    assert (below.layout, below.noise_kind, below.noise_scale) == ("average", "W", 0.5)
    assert below.truth.v_sn10_nv == 0
    assert (control.kind, control.condition.condition) == ("control", "clamped tube")
    assert control.truth.v_sn10_nv == 0


def test_a_scenario_may_give_latency_and_amplitude_of_its_own(scenario_of):
    plans = scenario_of(
        {"true_v_ms": "9.5"},
        {"level_db_nhl": "40", "true_v_sn10_nv": "12"},
        series={"stimulus": '"click"'},
    ).recordings
    assert plans[0].truth.v_ms == 9.5
    assert plans[0].truth.v_sn10_nv == pytest.approx(160 * 2 / 3)
    assert plans[1].truth.v_sn10_nv == 12
    (other,) = scenario_of(
        {"true_v_ms": "30", "true_v_sn10_nv": "500"},
        top="[sampling]\nstop_ms = 100",
        series={"stimulus": '"other"'},
    ).recordings
    assert (other.truth.v_ms, other.truth.v_sn10_nv) == (30, 500)


def test_names_and_defaults_come_from_the_file(write_scenario):
    scenario = read_scenario(write_scenario({"name": '"mine"'}, name="our visit.toml"))
    assert scenario.name == "our visit"
    assert scenario.session == {"session": "our visit"}
    assert scenario.recordings[0].name == "mine-1"
    assert (scenario.axis.sfreq_hz, scenario.axis.n_samples) == (12_000.0, 300)
    assert scenario.seed == 0


# --- what is refused --------------------------------------------------------------------------

TOP = [
    ("sed = 1", r"unknown key 'sed'; known: name, seed, session, sampling"),
    ("seed = -1", r"'seed' is -1; it must be a whole number from 0 to"),
    ("seed = true", r"'seed' is True; it must be a whole number"),
    ("seed = 1.5", r"'seed' is 1.5; it must be a whole number"),
    ("name = 3", r"'name' is 3; it must be text in quotes"),
    ("noise = 3", r"'noise' must be a table, \[noise\]"),
    ("[noise]\nkind = 'pink'", r"'noise.kind' is 'pink'; it must be one of Q33, Q100, W, S33, D"),
    ("[noise]\nscale = [1]", r"'noise.scale' is \[1\]; it must be two numbers, \[first, last\]"),
    ("[noise]\nscale = [1, nan]", r"'noise.scale' is nan; it must be a number from 0 to 1000"),
    ("[noise]\nscale = [-1, 1]", r"'noise.scale' is -1; it must be a number from 0 to 1000"),
    ("[noise]\nsession_scale = [1, inf]", r"'noise.session_scale' is inf; it must be a number"),
    ("[noise]\nloud = 1", r"unknown key 'noise.loud'; known: kind, scale, session_scale"),
    ("[sampling]\nsfreq_hz = 0", r"'sampling.sfreq_hz' is 0; .* from 100 to 200000 Hz"),
    ("[sampling]\nsfreq_hz = 1e9", r"'sampling.sfreq_hz' is 1000000000.0; .* 100 to 200000 Hz"),
    ("[sampling]\nstop_ms = -5", r"'sampling.stop_ms' is -5 ms; a sweep from 0 ms needs at least"),
    (
        "[sampling]\nstop_ms = 25.03",
        r"'sampling.stop_ms' is 25.03 ms; a sweep from 0 ms at 12000 Hz would hold 300.36 samples",
    ),
    (
        "[sampling]\nsfreq_hz = 2000",
        r"recording 'right-click-50-1': sfreq_hz is 2000 Hz; noise Q33 reaches 1500 Hz and needs m",
    ),
    (
        "[sampling]\nstop_ms = 5",
        r"recording 'right-click-50-1': wave V at 7.525 ms is not inside the data, 0 to 4.91667 ms",
    ),
    ("[bursts]\nchance = 1.1", r"'bursts.chance' is 1.1; it must be a number from 0 to 1"),
    ("[bursts]\nlength_sweeps = 0", r"'bursts.length_sweeps' is 0; it must be a whole number fro"),
    ("[bursts]\nfactor = -2", r"'bursts.factor' is -2; it must be a number from 0 to 1000"),
    ("[artefact]\npeak_nv = -1", r"'artefact.peak_nv' is -1; it must be a number from 0 to .* nV"),
    ("[artefact]\ndecay_ms = 0", r"'artefact.decay_ms' is 0; it must be a number from 0.001 to "),
    ("[microphonic]\npeak_nv = 'x'", r"'microphonic.peak_nv' is 'x'; it must be a number from 0 "),
    ("[muscle]\nswing_nv = inf", r"'muscle.swing_nv' is inf; it must be a number from 0 to .* nV"),
    ("[session]\nage = 3", r"unknown key 'session.age'; known: session, corrected_age_weeks"),
    ("[session]\nsettings = 'x'", r"unknown key 'session.settings'"),
    ("[session]\nnotes = 3", r"'session.notes' is 3; it must be text in quotes"),
    (
        "[session]\ncorrected_age_weeks = 5000",
        r"'session.corrected_age_weeks' is 5000; it must be a number from -20 to 1000 weeks",
    ),
    (
        f"[session]\ncorrected_age_weeks = {10**400}",
        r"'session.corrected_age_weeks' is 10+[.]{3}; it must be a number from -20 to 1000 weeks",
    ),
    ("[session]\nreported_threshold = 3", r"'reported_threshold' must be tables"),
    (
        "[[session.reported_threshold]]\nlevel = 3",
        r"unknown key 'session.reported_threshold 1.level'; known: ear, transducer",
    ),
]
SERIES_FAULTS = [
    ({"ear": None}, r"'series 1.recording 1.ear' is missing"),
    ({"ear": '"both"'}, r"'series 1.ear' is 'both'; it must be one of left, right, other"),
    ({"stimulus": '"tone-burst"'}, r"frequency_hz' is missing; a tone-burst needs it"),
    ({"true_threshold_db_nhl": None}, r"true_threshold_db_nhl' is missing; a number, or 'none'"),
    ({"true_threshold_db_nhl": '"low"'}, r"'series 1.true_threshold_db_nhl' is 'low'; .* 'none'"),
    ({"true_threshold_db_nhl": "999"}, r"is 999; it must be a number from -30 to 140 dB nHL"),
    ({"masking_db": '"some"'}, r"'series 1.masking_db' is 'some'; it must be a number or 'none'"),
    ({"rate_hz": "0"}, r"'series 1.rate_hz' is 0; it must be a number from 0.001 to .* Hz"),
    ({"level_db_nhl": "3"}, r"unknown key 'series 1.level_db_nhl'; known: ear, transducer"),
    (
        {"stimulus": '"tone-burst"', "frequency_hz": "8000"},
        r"is 'tone-burst': frequency_hz is 8000 Hz; .* give true_v_ms and true_v_sn10_nv",
    ),
    (
        {"stimulus": '"other"'},
        r"'series 1.stimulus' is 'other': nothing is known .* give true_v_ms and true_v_sn10_nv",
    ),
]
ROW_FAULTS = [
    ({"level_db_nhl": None}, r"'series 1.recording 1.level_db_nhl' is missing; only a control"),
    ({"level_db_nhl": "200"}, r"'series 1.recording 1.level_db_nhl' is 200; .* 140 dB nHL"),
    ({"levle": "3"}, r"unknown key 'series 1.recording 1.levle'; known: name, level_db_nhl"),
    ({"layout": '"raw"'}, r"'series 1.recording 1.layout' is 'raw'; it must be one of sweeps, blo"),
    ({"n_sweeps": "1"}, r"'series 1.recording 1.n_sweeps' is 1; it must be a whole number from 2 "),
    ({"n_sweeps": "2.0"}, r"n_sweeps' is 2.0; it must be a whole number from 2 to 10000000"),
    (
        {"n_sweeps": "40000"},
        r"recording 'right-click-50-1': 40000 sweeps of 300 samples are 12000000 samples; the limi"
        r"t of a recording is 10000000",
    ),
    (
        {"n_sweeps": "30000", "runs": "12"},
        r"all sweeps together are 108000000 samples; the limit of a scenario is 100000000",
    ),
    ({"runs": "0"}, r"'series 1.recording 1.runs' is 0; it must be a whole number from 1 to 100"),
    ({"kind": '"trial"'}, r"kind' is 'trial'; it must be one of test, control"),
    ({"layout": '"blocks"'}, r"'series 1.recording 1.n_per_block' is missing"),
    (
        {"layout": '"blocks"', "n_per_block": "21"},
        r"n_per_block' is 21; 40 sweeps must give at least 2 blocks",
    ),
    (
        {"buffer_split": '"polarity"'},
        r"buffer_split' is 'polarity'; it needs polarity 'alternat",
    ),
    ({"data": '"bdf"'}, r"data' is 'bdf'; it must be one of csv, edf"),
    ({"unit": '"volt"'}, r"unit' is 'volt'; it must be one of nV, uV"),
    ({"noise_kind": '"Q50"'}, r"noise_kind' is 'Q50'; it must be one of Q33"),
    ({"noise_scale": "-1"}, r"noise_scale' is -1; it must be a number from 0 to 1000"),
    ({"disturbances": '"bursts"'}, r"disturbances' is 'bursts'; it must be a list of some of bur"),
    ({"disturbances": '["hum"]'}, r"disturbances' is \['hum'\]; it must be a list of some of bur"),
    ({"disturbances": "[[1]]"}, r"disturbances' is \[\[1\]\]; it must be a list of some of"),
    ({"reject_uv": "0"}, r"reject_uv' is 0; it must be a number from 0.001 to .* uV"),
    ({"marks": "1"}, r"marks' is 1; it must be true or false"),
    ({"name": '"a;b"'}, r"name' is 'a;b'; it must be printable text without ';'"),
    ({"name": '" "'}, r"name' is ''; it must be printable text"),
    ({"true_v_ms": "nan"}, r"true_v_ms' is nan; it must be a number from -1000 to 10000 ms"),
    ({"true_v_ms": "40"}, r"wave V at 40 ms is not inside the data, 0 to 24.9167 ms"),
    ({"true_v_sn10_nv": "-3"}, r"true_v_sn10_nv' is -3; it must be a number from 0.001 to .* nV"),
    (
        {"level_db_nhl": "20", "true_v_ms": "8"},
        r"true_v_ms' is 8; a level below true_threshold_db_nhl holds no response",
    ),
    (
        {"kind": '"control"', "true_v_sn10_nv": "8"},
        r"true_v_sn10_nv' is 8; a control holds no response",
    ),
    (
        {"runs": "2", "store_combination": "[1, 3]"},
        r"store_combination' is \[1, 3\]; it must be a list of whole numbers from 1 to 2",
    ),
    (
        {"runs": "2", "store_combination": "[2, 2]"},
        r"store_combination' is \[2, 2\]; it must name at least two runs, each once",
    ),
    ({"comment": "3"}, r"comment' is 3; it must be text in quotes"),
]


def refused(path, message):
    with pytest.raises(ScenarioError, match=message) as caught:
        read_scenario(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert "\n" not in text


@pytest.mark.parametrize(("top", "message"), TOP)
def test_an_impossible_scenario_is_refused_in_plain_words(top, message, write_scenario):
    refused(write_scenario(top=top), message)


@pytest.mark.parametrize(("series", "message"), SERIES_FAULTS)
def test_an_impossible_series_is_refused_in_plain_words(series, message, write_scenario):
    refused(write_scenario(series=series), message)


@pytest.mark.parametrize(("row", "message"), ROW_FAULTS)
def test_an_impossible_recording_is_refused_in_plain_words(row, message, write_scenario):
    refused(write_scenario(row), message)


def test_two_recordings_of_one_name_are_refused(write_scenario):
    refused(write_scenario({}, {"layout": '"average"'}), "two recordings are called 'right-click-5")


def test_artefact_above_half_the_sampling_rate_is_refused(write_scenario):
    path = write_scenario(
        {"disturbances": '["artefact"]'},
        top="[sampling]\nsfreq_hz = 8000",
        series={"stimulus": '"tone-burst"', "frequency_hz": "4000"},
    )
    refused(path, "artefact at 4000 Hz need a sampling rate above 8000 Hz; .* is 8000 Hz")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "no [[series]] with a [[series.recording]]; at least one is needed"),
        (b"[[series]]\near = 'left'", "no [[series]] with a [[series.recording]]"),
        (b"series = 3", "'series' must be tables, each headed [[series]]"),
        (b"seed = ", "not valid TOML"),
        (b"\xff", "byte 1 is not UTF-8 text"),
    ],
)
def test_a_file_that_is_no_scenario_is_refused(data, message, tmp_path):
    path = tmp_path / "bad.toml"
    path.write_bytes(data)
    refused(path, re.escape(message))


def test_a_file_that_cannot_be_read_is_refused(tmp_path):
    with pytest.raises(ScenarioError, match=r"none\.toml: cannot be read: No such file"):
        read_scenario(tmp_path / "none.toml")
    with pytest.raises(ScenarioError, match="cannot be read: Is a directory"):
        read_scenario(tmp_path)


def test_the_demo_holds_what_it_is_meant_to_show():
    demo = demo_scenario()
    plans = demo.recordings
    assert 28 <= len(plans) <= 34
    assert {(p.condition.ear, p.condition.frequency_hz) for p in plans} == {
        *(("right", 4000), ("right", 1000), ("left", 4000), ("left", 1000)),
    }
    assert demo.noise.session_scale[0] < demo.noise.session_scale[1]
    assert sum(bool(p.parts) for p in plans) == 1
    assert sum(p.kind == "control" for p in plans) == 1
    single = [p for p in plans if p.layout == "sweeps"]
    assert len({p.condition.level_db_nhl for p in single}) >= 2
    assert all(p.file.to == "edf" for p in single)
    for layout in ("blocks", "average", "buffers"):
        assert any(p.layout == layout and not p.parts for p in plans)
    turning = [p for p in plans if "microphonic" in p.disturbances]
    assert {p.condition.polarity for p in turning} == {"alternating"}
    assert any("bursts" in p.disturbances and p.reject_uv for p in plans)
    assert any(p.report_noise for p in plans)
    tested = [p for p in plans if p.kind == "test" and p.truth.v_sn10_nv > 0]
    assert {p.marks for p in tested} == {True, False}
