"""The page: every number of the tables, nothing from outside, nothing that a text can break."""

import datetime
import re

import numpy as np
import pytest

import waveworks as ww
from waveworks.errors import OutputError
from waveworks.pipeline.cautions import CANNOT_SHOW, CAUTIONS
from waveworks.report import write_into

NASTY = "<script>alert(1)</script><img src=x onerror=alert(2)>&lt;\"'{{ 7 * 7 }} $x^2$ </style>"


def noise(rng, *shape):
    return rng.normal(0, 20, shape)


@pytest.fixture
def ten_levels(write_manifest, write_traces):
    """Ten levels of two averages each."""
    rng = np.random.default_rng(5)
    rows = []
    for level in range(10, 110, 10):
        for run in (1, 2):
            name = f"l{level}-{run}"
            rows.append({"recording": name, "file": f"{name}.csv", "level_db_nhl": str(level)})
    folder = write_manifest(*rows)
    for row in rows:
        write_traces(folder / row["file"], {"average": noise(rng, 300)})
    return folder


@pytest.mark.parametrize("name", ["measures.csv", "levels.csv", "traces.csv"])
def test_every_number_of_the_tables_stands_on_the_page(quiet_report, quiet_page, numbers_of, name):
    page = quiet_page
    numbers = numbers_of(quiet_report / name)
    assert len(numbers) > 20
    on_page = page.numbers | set(re.split(r"[ ;]", page.words))
    assert {(column, cell) for column, cell in numbers if cell not in on_page} == set()


def test_a_number_is_rounded_for_people_and_exact_for_programs(quiet_ward, quiet_page):
    analysis = ww.analyse(ww.read_session(quiet_ward))
    rn_nv = analysis.measures.set_index("recording").rn_nv["right-50-1"]
    assert f'<data value="{rn_nv:.10g}">{rn_nv:.1f}</data>' in quiet_page.text


def test_the_same_input_gives_the_same_bytes_but_for_the_date(quiet_ward, tmp_path):
    pages = []
    for name, day in (("one", 1), ("two", 1), ("three", 2)):
        analysis = ww.analyse(ww.read_session(quiet_ward))
        (tmp_path / name).mkdir()
        write_into(tmp_path / name, analysis, made_on=datetime.date(2031, 7, day))
        pages.append((tmp_path / name / "report.html").read_bytes())
    one, two, three = pages
    assert one == two
    assert three != one
    assert three.replace(b"2031-07-02", b"2031-07-01") == one
    assert b"2031" not in one.replace(b"2031-07-01", b"")


def test_the_page_needs_nothing_else(quiet_page):
    assert quiet_page.tags.isdisjoint({"script", "link", "iframe", "object", "embed", "form"})
    assert all(link.startswith("#") for link in quiet_page.links)
    assert {link[1:] for link in quiet_page.links} <= set(quiet_page.ids)
    assert len(quiet_page.ids) == len(set(quiet_page.ids))
    assert quiet_page.images
    for image in quiet_page.images:
        assert image["src"].startswith("data:image/svg+xml;base64,")
        assert len(image["alt"]) > 40
    style = quiet_page.text.split("<style>")[1].split("</style>")[0]
    assert "url(" not in style
    assert "@import" not in style


def test_summary_cautions_limits_and_origin_are_there_in_this_order(quiet_ward, quiet_page):
    places = [quiet_page.words.index(text) for text in (CAUTIONS[0], "Summary", CANNOT_SHOW[0])]
    assert places == sorted(places)
    assert all(text in quiet_page.words for text in (*CAUTIONS, *CANNOT_SHOW))
    session = ww.read_session(quiet_ward)
    for recording in session.recordings:
        assert all(file.sha256 in quiet_page.words for file in recording.files)
    assert ww.default_criteria().sha256 in quiet_page.words
    assert ww.default_settings().sha256 in quiet_page.words


def test_what_the_tester_said_stands_beside_what_was_computed(quiet_page):
    assert "Right ear, 4 kHz: threshold 30 dB nHL." in quiet_page.words
    assert "right, insert, narrowband-chirp 4000 Hz: = 30 dB nHL" in quiet_page.words
    assert "stated: reported_rn_nv 21.4" in quiet_page.words


def test_a_panel_holds_at_most_eight_levels(ten_levels, report_of):
    page = report_of(ten_levels)
    panels = [i["alt"] for i in page.images if i["alt"].startswith("Final traces 1 and 2")]
    assert [alt.count("dB nHL") for alt in panels] == [8, 2]
    assert panels[0].index("100 dB nHL") < panels[0].index("30 dB nHL")


def test_each_ear_and_stimulus_has_a_section_of_its_own(write_manifest, write_traces, report_of):
    rows = [
        {"recording": "a", "ear": "left"},
        {"recording": "b", "ear": "right"},
        {"recording": "c", "ear": "left", "stimulus": "broadband-chirp"},
        {"recording": "d", "ear": "left", "level_db_nhl": "20", "masking_db": "50"},
    ]
    folder = write_manifest(*rows)
    write_traces(folder / "one.csv", {"average": noise(np.random.default_rng(1), 300)})
    page = report_of(folder)
    assert [i for i in page.ids if re.fullmatch(r"series-\d+", i)] == [
        "series-1",
        "series-2",
        "series-3",
    ]
    # The masked level stands in the series of the unmasked one (a, d), below it.
    assert {"series-1-level-1", "series-1-level-2"} < set(page.ids)
    assert "20 dB nHL, masking 50 dB" in page.words


def test_html_in_every_text_field_stays_text(write_manifest, write_traces, report_of):
    fields = ("channel", "condition", "system", "comment", "started", "reported_rn_nv", "our own")
    row = {"recording": NASTY, **dict.fromkeys(fields, NASTY), "impedance_kohm": NASTY}
    folder = write_manifest(row, {**row, "recording": "control " + NASTY, "kind": "control"})
    write_traces(folder / "one.csv", {"average": noise(np.random.default_rng(1), 300)})
    quoted = NASTY.replace('"', '\\"')
    (folder / "session.toml").write_text(
        f'session = "{quoted}"\ntest_date = "{quoted}"\nnotes = "{quoted}"\n'
        f'tester_conclusion = "{quoted}"\n',
        encoding="utf-8",
    )
    page = report_of(folder)
    assert "script" not in page.tags
    assert all(image["src"].startswith("data:") for image in page.images)
    assert page.words.count("alert(1)") > 10
    assert "{{ 7 * 7 }}" in page.words
    assert page.text.count("<style>") == page.text.count("</style>") == 1


def test_very_long_text_is_shortened_and_says_so(write_manifest, write_traces, report_of):
    long = "wave " * 20_000
    row = {"recording": long, "comment": long, "condition": long, "channel": "x" * 50_000}
    folder = write_manifest(row)
    write_traces(folder / "one.csv", {"average": noise(np.random.default_rng(1), 300)})
    (folder / "session.toml").write_text(f"session = '{long}'\nnotes = '{long}'", encoding="utf-8")
    page = report_of(folder)
    assert len(page.words) < 60_000
    assert f"({len(long)} characters, shortened)" in page.words


def test_control_and_direction_changing_characters_become_visible(
    write_manifest, write_traces, report_of
):
    folder = write_manifest({"comment": "left\u202egnol\x07"})
    write_traces(folder / "one.csv", {"average": noise(np.random.default_rng(1), 300)})
    page = report_of(folder)
    assert "\u202e" not in page.text
    assert "\x07" not in page.text
    assert "left\N{REPLACEMENT CHARACTER}gnol\N{REPLACEMENT CHARACTER}" in page.words


def test_a_session_in_which_nothing_can_be_measured(write_manifest, report_of):
    page = report_of(write_manifest({"recording": "a"}, {"recording": "b", "ear": "left"}))
    assert "Could not be measured" in page.words
    assert page.words.count("recording 'a': one.csv") == 1
    # A panel an ear, in words: no trace could be drawn.
    assert len(page.images) == 2
    assert all("residual noise" not in image["alt"] for image in page.images)


def test_runners_up_are_told_with_why_they_lost(ten_levels, report_of):
    """Of the very candidates of the analysis; of noise there are always some."""
    page = report_of(ten_levels)
    levels = ww.analyse(ww.read_session(ten_levels)).level_measures
    lost = [one for level in levels for one in level.marks["combined"].others if one.lost]
    told = [one for one in lost if one.share >= 0.1]
    assert len(told) > 5
    assert any("times as likely as the best one" in one.lost for one in told)
    for one in told:
        share = f"with {100 * one.share:.0f} % of the likelihood: {one.lost}"
        assert f"wave V could be at {one.v_ms:.2f} ms, {share}" in page.words
    for one in lost:
        if one.share < 0.05:
            assert f"wave V could be at {one.v_ms:.2f} ms" not in page.words


@pytest.fixture
def sweeps_of(write_manifest, write_traces):
    """A level of two runs of sweeps of white noise: `sweeps_of(sd_1, sd_2) -> folder`."""

    def make(*sds):
        rows = [
            {"recording": f"r{n}", "layout": "sweeps", "file": f"r{n}.csv"} for n in range(len(sds))
        ]
        folder = write_manifest(*rows)
        for seed, (row, sd) in enumerate(zip(rows, sds, strict=True)):
            data = np.random.default_rng(seed).normal(0, sd, (400, 300))
            write_traces(folder / row["file"], {f"s{n}": data[n] for n in range(400)})
        return folder

    return make


def test_a_dead_channel_meets_no_limit(sweeps_of, report_of):
    page = report_of(sweeps_of(0.0, 0.0))
    alts = [image["alt"] for image in page.images]
    noise_alts = [alt for alt in alts if alt.startswith("Residual noise of trace")]
    # The second run holds the very samples of the first and counts once.
    assert noise_alts == ["Residual noise of trace 1 is not known: the sweeps do not differ."]
    assert any("does not change at all" in alt for alt in alts)
    assert any(alt.startswith("Fmp is not known") for alt in alts)
    assert not any("met" in alt.split() for alt in alts)


def test_a_clause_with_long_and_odd_words_is_fit_to_print(quiet_ward, tmp_path):
    file = tmp_path / "odd.toml"
    odd = "W" * 300 + "\\u202e"
    file.write_text(
        f'[[clause]]\nid = "{odd}"\nquantity = "fmp"\nscope = "combined"\noperator = ">="\n'
        f'value = 2\nunit = ""\nmeaning = "{odd}"\nstatus = "own choice"\nsource = "{odd}"\n',
        encoding="utf-8",
    )
    analysis = ww.analyse(ww.read_session(quiet_ward), criteria=ww.read_criteria(file))
    ww.write_report(analysis, tmp_path / "out")
    text = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "\u202e" not in text
    assert "W" * 81 not in text.split("<h2>Methods</h2>")[0]


def test_that_sweeps_count_alike_is_told_once(sweeps_of, report_of):
    page = report_of(sweeps_of(200.0, 800.0))
    assert page.words.count("count all sweeps alike") == 1
    assert "F counts all sweeps alike" not in page.words


def test_a_limit_of_each_trace_is_not_met_by_the_two_together(sweeps_of, report_of):
    """20 nV in each of two traces is 14.1 nV in both: the 15 nV limit is asked of each."""
    page = report_of(sweeps_of(400.0, 400.0))
    told = [image["alt"] for image in page.images if "Limit noise-absent" in image["alt"]]
    assert len(told) == 2
    for label, alt in zip("12", told, strict=True):
        assert alt.startswith(f"Residual noise of trace {label} is 20.")
        assert "Limit noise-first-look, 30: first met at 200 sweeps." in alt
        assert "Limit noise-absent, 15: not met." in alt


def test_unequal_weights_are_told_beside_the_courses(sweeps_of, report_of):
    assert "weighs by inverse variance" in report_of(sweeps_of(200.0, 800.0)).words
    assert "courses over sweeps" not in report_of(sweeps_of(200.0)).words


def test_what_is_in_no_combined_trace_is_drawn_by_itself(write_manifest, write_traces, report_of):
    rng = np.random.default_rng(4)
    folder = write_manifest(
        {"recording": "long", "file": "long.csv"},
        {"recording": "short", "file": "short.csv"},
        {"recording": "stored", "file": "long.csv", "level_db_nhl": "20", "parts": "gone"},
        {"recording": "gone", "file": "gone.csv", "level_db_nhl": "20"},
    )
    write_traces(folder / "long.csv", {"average": noise(rng, 300)})
    write_traces(folder / "short.csv", {"average": noise(rng, 250)})
    page = report_of(folder)
    drawn = [image["alt"] for image in page.images if image["alt"].startswith("The average of")]
    assert [alt.split()[3].strip(":") for alt in drawn] == ["long", "short", "stored"]


def test_no_window_and_no_method_without_a_value(write_manifest, write_traces, report_of):
    folder = write_manifest({})
    write_traces(folder / "one.csv", {"average": noise(np.random.default_rng(1), 300)})
    (row,) = re.findall(r"<tr><th scope=\"row\">residual noise</th>.*", report_of(folder).text)[:1]
    cells = re.findall(r"<td[^>]*>(.*?)</td>", row)
    assert cells == ["\N{EN DASH}", "nV", "", "", "", ""]


@pytest.mark.parametrize(
    ("layout", "shape", "start_ms"),
    [
        ("sweeps", (2, 1), 8.0),
        ("sweeps", (2, 2), 8.0),
        ("sweeps", (1000, 120), 0.0),
        ("blocks", (4, 300), -10.0),
        ("buffers", (2, 300), -10.0),
        ("average", (1, 300), -10.0),
        ("average", (1, 1), 0.0),
    ],
)
@pytest.mark.parametrize("scale", [0.0, 1.0])
def test_meagre_data_make_a_whole_page(
    write_manifest, write_traces, report_of, layout, shape, start_ms, scale
):
    rows = [
        {"recording": "a", "layout": layout, "file": "a.csv"},
        {"recording": "b", "layout": layout, "file": "b.csv"},
        {"recording": "c", "layout": layout, "file": "a.csv", "kind": "control"},
    ]
    folder = write_manifest(*rows)
    rng = np.random.default_rng(3)
    for file in ("a.csv", "b.csv"):
        data = scale * noise(rng, *shape)
        names = {"buffers": ["a", "b"], "average": ["average"]}.get(
            layout, [f"s{number}" for number in range(len(data))]
        )
        write_traces(folder / file, dict(zip(names, data, strict=True)), start_ms=start_ms)
    page = report_of(folder)
    assert {"series-1", "series-1-level-1", "controls"} <= set(page.ids)
    assert "nan" not in re.findall(r"\bnan\b", page.words)
    assert not any(re.search(r"\bnan\b", image["alt"]) for image in page.images)


def test_limits_come_from_the_criteria(quiet_ward, tmp_path):
    file = tmp_path / "ours.toml"
    file.write_text(
        'name = "ours"\n[[clause]]\nid = "hush"\nquantity = "rn_nv"\nscope = "each trace"\n'
        'operator = "<="\nvalue = 9\nunit = "nV"\nmeaning = "quiet"\nstatus = "own choice"\n',
        encoding="utf-8",
    )
    analysis = ww.analyse(ww.read_session(quiet_ward), criteria=ww.read_criteria(file))
    ww.write_report(analysis, tmp_path / "out")
    text = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "hush, rn_nv &lt;= 9 nV" in text
    assert "noise-absent" not in text
    assert analysis.provenance["criteria"]["clauses"][0]["id"] == "hush"


def test_the_output_is_refused_where_it_would_overwrite(quiet_ward, tmp_path):
    analysis = ww.analyse(ww.read_session(quiet_ward))
    (tmp_path / "out").mkdir()
    with pytest.raises(OutputError, match="exists already"):
        ww.write_report(analysis, tmp_path / "out")
    with pytest.raises(OutputError, match="is the session itself"):
        ww.write_report(analysis, quiet_ward, force=True)
    assert list((tmp_path / "out").iterdir()) == []
