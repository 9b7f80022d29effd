"""Simulated sessions: their truth, their layouts, and that they are read back as they were made."""

import csv
import dataclasses
import hashlib
import math

import numpy as np
import pytest
from scipy import stats

import waveworks as ww
from waveworks.errors import OutputError, ScenarioError
from waveworks.model import Average, Blocks, Buffers, Sweeps
from waveworks.simulate import sweeps as sweeps_module
from waveworks.simulate.noise import simulate_noise
from waveworks.simulate.response import response
from waveworks.simulate.session import simulate_session, write_simulated

SILENT = "[noise]\nscale = [0, 0]\n"
LAYOUTS = {
    "sweeps": {"layout": '"sweeps"'},
    "blocks": {"layout": '"blocks"', "n_per_block": "9"},
    "buffers": {"layout": '"buffers"'},
    "average": {"layout": '"average"'},
}


@pytest.fixture
def simulated(scenario_of):
    return lambda *rows, **given: simulate_session(scenario_of(*rows, **given))


@pytest.fixture
def written(simulated, tmp_path):
    """Simulate, write and read; `written(...) -> simulated, session that was read, folder`."""

    def write(*rows, **given):
        made = simulated(*rows, **given)
        folder = tmp_path / "out"
        folder.mkdir()
        write_simulated(made, folder)
        return made, ww.read_session(folder), folder

    return write


def arrays(recording):
    data = recording.waveforms
    return {
        Sweeps: lambda: data.sweeps_nv,
        Blocks: lambda: data.blocks_nv,
        Buffers: lambda: np.stack([data.a_nv, data.b_nv]),
        Average: lambda: data.trace_nv[np.newaxis],
    }[type(data)]()


def truth_rows(folder):
    with (folder / "truth.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


# --- response and disturbances ----------------------------------------------------------------


def test_without_noise_an_average_is_the_response(simulated):
    made = simulated({"layout": '"average"', "true_v_ms": "8", "true_v_sn10_nv": "100"}, top=SILENT)
    (recording,) = made.session.recordings
    fine = np.arange(0, 25, 0.0005)
    (truth,) = made.truths
    assert truth.v_ms == 8
    # Extrema of the two Gaussians on a fine grid: wave V lies a little before the latency.
    latency = 8 + (8 - fine[np.argmax(two_gaussians(fine, 8.0))])
    wave = two_gaussians(fine, latency)
    assert fine[np.argmax(wave)] == pytest.approx(8, abs=0.001)
    assert fine[np.argmin(wave)] == pytest.approx(truth.sn10_ms, abs=0.001)
    times = recording.data.axis.times_ms
    late = times > 7.2  # waves I and III are over
    expected = 100 / np.ptp(wave) * two_gaussians(times, latency)
    np.testing.assert_allclose(recording.data.trace_nv[late], expected[late], atol=0.15)
    assert truth.v_sn10_nv == 100
    assert truth.rn_nv == 0


def two_gaussians(times, latency):
    g = lambda centre, sd: np.exp(-0.5 * ((times - centre) / sd) ** 2)  # noqa: E731
    return g(latency, 0.6) - 1.1 * g(latency + 3.2, 1.5)


@pytest.mark.parametrize("name", ["artefact", "microphonic"])
def test_what_turns_with_polarity_leaves_the_mean_and_fills_half_of_a_minus_b(name, simulated):
    rows = [
        {"disturbances": f'["{name}"]', "polarity": f'"{polarity}"', "name": f'"{polarity}"'}
        for polarity in ("rarefaction", "condensation", "alternating")
    ]
    rows[2]["buffer_split"] = '"polarity"'
    given = {"level_db_nhl": "20", "layout": '"average"'}
    rows = [{**given, **row} for row in rows]
    rows[2]["layout"] = '"buffers"'
    series = {"stimulus": '"narrowband-chirp"', "frequency_hz": "1000"}
    top = SILENT + "[artefact]\ndecay_ms = 1.5\n"
    made = simulated(*rows, top=top, series=series)
    rarefaction, condensation, alternating = (one.data for one in made.session.recordings)
    wave = rarefaction.trace_nv
    assert np.abs(wave).max() > 100
    np.testing.assert_array_equal(condensation.trace_nv, -wave)
    mean = (alternating.a_nv + alternating.b_nv) / 2
    half_difference = (alternating.a_nv - alternating.b_nv) / 2
    assert np.abs(mean).max() < 1e-12 * np.abs(wave).max()
    np.testing.assert_allclose(half_difference, wave, rtol=1e-12, atol=1e-9)


def test_the_muscle_response_stays_under_every_polarity(simulated):
    rows = [
        {"disturbances": '["muscle"]', "polarity": f'"{p}"', "name": f'"{p}"'}
        for p in ("rarefaction", "condensation", "alternating")
    ]
    rows = [{**row, "level_db_nhl": "20", "layout": '"average"'} for row in rows]
    first, *others = (r.data.trace_nv for r in simulated(*rows, top=SILENT).session.recordings)
    assert np.ptp(first) > 500
    for other in others:
        np.testing.assert_allclose(other, first, rtol=1e-12)


def test_a_control_and_a_level_below_threshold_hold_nothing(simulated):
    made = simulated(
        {"kind": '"control"', "layout": '"average"'},
        {"level_db_nhl": "29", "layout": '"average"'},
        top=SILENT,
    )
    for recording, truth in zip(made.session.recordings, made.truths, strict=True):
        assert not recording.data.trace_nv.any()
        assert math.isnan(truth.v_ms)
        assert math.isnan(truth.sn10_ms)
        assert (truth.v_sn10_nv, truth.response) == (0, "none")


# --- noise ------------------------------------------------------------------------------------


def test_sweeps_are_cut_from_one_stretch_and_scaled_as_asked(scenario_of):
    """The same generator state gives the same stretch, so only the factors may differ."""
    scenario = scenario_of(
        {"layout": '"sweeps"', "level_db_nhl": "20", "noise_scale": "0.5", "runs": "2"},
        top="seed = 9\n[noise]\nscale = [1, 3]\nsession_scale = [1, 2]",
    )
    made = simulate_session(scenario)
    for row, share, recording in zip((2, 3), (1.0, 2.0), made.session.recordings, strict=True):
        plain = simulate_noise("Q33", 40, seed=np.random.default_rng((9, row)))
        factor = np.linspace(1, 3, 40)[:, np.newaxis] * 0.5 * share
        np.testing.assert_allclose(recording.data.sweeps_nv, plain * factor, rtol=1e-12)


def test_true_noise_is_what_many_sessions_show(scenario_of):
    """The mean square of averages without response over many seeds, against true_rn_nv."""
    base = scenario_of(
        {"layout": '"average"', "level_db_nhl": "20", "disturbances": '["bursts"]'},
        top="[noise]\nkind = 'W'\nscale = [0.5, 2]\n[bursts]\nchance = 0.02\nfactor = 6",
        series={"n_sweeps": "200"},
    )
    ratios = []
    for seed in range(150):
        made = simulate_session(dataclasses.replace(base, seed=seed))
        trace = made.session.recordings[0].data.trace_nv
        ratios.append(np.sum(trace**2) / made.truths[0].rn_nv ** 2)
    # White Gaussian noise given its variances: each sum of 300 squares is chi-square.
    n = 300 * len(ratios)
    low, high = stats.chi2.interval(1 - 1e-5, n)
    assert low < sum(ratios) < high
    assert stats.kstest(ratios, stats.chi2(300).cdf).pvalue > 1e-4


def test_true_noise_of_bursts_and_drift_by_hand(simulated, monkeypatch):
    """D grows from 500 to 1600 nV; a burst of factor 10 on two of ten sweeps."""
    flags = np.array([1, 1, 1, 10, 10, 1, 1, 1, 1, 1.0])
    monkeypatch.setattr(sweeps_module, "draw_noise", ten_sweeps_of_d)
    monkeypatch.setattr("waveworks.simulate.disturbances.Bursts.factors", lambda *_: flags)
    (truth,) = simulated(
        {"noise_kind": '"D"', "n_sweeps": "10", "disturbances": '["bursts"]'}
    ).truths
    sd = (500 + 1100 * np.arange(10) / 9) * flags
    assert truth.rn_nv == pytest.approx(math.sqrt(sum(sd**2)) / 10)
    assert truth.noise == "D, SD 500 to 1600 nV in a sweep"


def ten_sweeps_of_d(kind, n_sweeps, **given):
    from waveworks.simulate.noise import draw_noise

    drawn = draw_noise(kind, n_sweeps, **given)
    np.testing.assert_allclose(drawn.sd_nv, 500 + 1100 * np.arange(10) / 9)
    return drawn


def test_mains_adds_up_by_its_phases(simulated):
    """Without the noise of Q33 the average of M is a sine; its RMS is what true_rn_nv adds."""
    made = simulated(
        {"layout": '"sweeps"', "noise_kind": '"M"', "level_db_nhl": "20"}, series={"n_sweeps": "15"}
    )
    onsets = np.rint(np.arange(15) * 12_000 / 45.1)
    # The random start phase turns all sweeps alike.
    left = 200 * abs(np.mean(np.exp(2j * np.pi * 50 * onsets / 12_000))) / math.sqrt(2)
    expected = math.sqrt(800**2 / 15 + left**2)
    assert made.truths[0].rn_nv == pytest.approx(expected, rel=1e-9)


# --- rejection --------------------------------------------------------------------------------


def test_rejection_keeps_what_lies_within_the_limit_and_counts_the_rest(simulated):
    rows = [{"layout": '"sweeps"', "level_db_nhl": "20", "noise_kind": '"B"'}]
    series = {"n_sweeps": "500"}
    (everything,) = simulated(*rows, series=series).session.recordings
    rows[0]["reject_uv"] = "4"
    made = simulated(*rows, series=series)
    (kept,) = made.session.recordings
    largest = np.abs(everything.data.sweeps_nv).max(axis=1)
    expected = everything.data.sweeps_nv[largest <= 4000]
    assert 0 < len(expected) < 500
    np.testing.assert_array_equal(kept.data.sweeps_nv, expected)
    assert (kept.counts.n_sweeps, kept.counts.n_rejected) == (len(expected), 500 - len(expected))
    assert everything.counts.n_rejected is None
    # The truth forgets rejected bursts: 800 nV over the root of what is left.
    assert made.truths[0].rn_nv == pytest.approx(800 / math.sqrt(len(expected)), rel=1e-9)


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ({"reject_uv": "0.1"}, r"0 of 40 sweeps lie within reject_uv, 0.1 uV; at least 2 are nee"),
        (
            {"layout": '"blocks"', "n_per_block": "20", "noise_kind": '"D"', "reject_uv": "1.9"},
            r"accepted sweeps are 1 block of n_per_block, 20; at least 2 blocks are needed",
        ),
    ],
)
def test_too_few_accepted_sweeps_are_refused(row, message, simulated):
    with pytest.raises(ScenarioError, match=f"^recording 'right-click-50-1': .*{message}"):
        simulated(row)


def test_a_buffer_without_a_sweep_is_refused(simulated):
    # At 1 Hz the artefact is a constant of 100 nV, and the muscle swings from 110 to -90 nV: 210 nV
    # at most under rarefaction, 190 nV under condensation.
    with pytest.raises(ScenarioError, match="of 20 accepted sweeps A holds 0 and B 20; each needs"):
        simulated(
            {
                "level_db_nhl": "20",
                "buffer_split": '"polarity"',
                "disturbances": '["artefact", "muscle"]',
                "reject_uv": "0.2",
            },
            series={
                "polarity": '"alternating"',
                "stimulus": '"other"',
                "frequency_hz": "1",
            },
            top=SILENT + "[artefact]\npeak_nv = 100\ndecay_ms = 1000\n[muscle]\nswing_nv = 200",
        )


# --- layouts and files ------------------------------------------------------------------------


def test_layouts_are_made_from_the_same_sweeps(simulated):
    """The four layouts of one seed and row, by plain loops over the sweeps."""
    found = {
        layout: simulated(row, series={"n_sweeps": "41"}).session.recordings[0].data
        for layout, row in LAYOUTS.items()
    }
    sweeps = found["sweeps"].sweeps_nv
    blocks = [sweeps[k : k + 9] for k in range(0, 41, 9)]
    assert found["blocks"].n_per_block == tuple(map(len, blocks)) == (9, 9, 9, 9, 5)
    np.testing.assert_allclose(
        found["blocks"].blocks_nv, [b.mean(axis=0) for b in blocks], rtol=1e-9, atol=1e-9
    )
    np.testing.assert_allclose(found["buffers"].a_nv, np.mean(sweeps[::2], axis=0))
    np.testing.assert_allclose(found["buffers"].b_nv, np.mean(sweeps[1::2], axis=0))
    assert found["buffers"].counts == (21, 20)
    np.testing.assert_allclose(found["average"].trace_nv, np.mean(sweeps, axis=0))
    assert found["average"].n_sweeps == 41


def test_buffers_of_halves_and_of_polarity(simulated):
    series = {"n_sweeps": "41", "polarity": '"alternating"', "noise_kind": '"W"'}
    sweeps = simulated(LAYOUTS["sweeps"], series=series).session.recordings[0].data.sweeps_nv
    halves, polarity = (
        simulated(
            {"buffer_split": f'"{split}"', "noise_kind": '"W"'}, series=series
        ).session.recordings[0]
        for split in ("halves", "polarity")
    )
    np.testing.assert_allclose(halves.data.a_nv, sweeps[:21].mean(axis=0))
    np.testing.assert_allclose(halves.data.b_nv, sweeps[21:].mean(axis=0))
    np.testing.assert_allclose(polarity.data.a_nv, sweeps[::2].mean(axis=0))
    assert (halves.buffer_split, polarity.buffer_split) == ("halves", "polarity")


@pytest.mark.parametrize("start_ms", [0, -10])
@pytest.mark.parametrize("kind", ["csv-nV", "csv-uV", "csv-V", "edf"])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_layout_and_file_is_read_back(layout, kind, start_ms, written):
    data, _, unit = kind.partition("-")
    row = {**LAYOUTS[layout], "data": f'"{data}"', "reject_uv": "50"}
    if unit:
        row["unit"] = f'"{unit}"'
    series = {
        "stimulus": '"narrowband-chirp"',
        "frequency_hz": "1000",
        "rate_hz": "39.1",
        "n_sweeps": "41",
    }
    top = f"[sampling]\nstart_ms = {start_ms}\n"
    made, read, _ = written({**row, "comment": '"=1+1"'}, top=top, series=series)
    (asked,), (found,) = made.session.recordings, read.recordings
    assert not found.problem
    before, after = arrays(asked), arrays(found)
    # EDF: half a step of 16 bits over each signal's own range, which is rounded out to 0.1 nV.
    joint = before.reshape(1, -1) if layout in ("sweeps", "blocks") else before
    step_nv = (np.ptp(joint, axis=1) + 0.2) / 65535
    error = np.abs(after - before).reshape(joint.shape)
    limit = step_nv[:, np.newaxis] / 2 if data == "edf" else 1e-12 * np.abs(joint)
    assert (error <= limit * (1 + 1e-9) + 1e-9).all()
    assert after.shape == before.shape
    assert found.data.axis.agrees_with(asked.data.axis)
    assert found.data.axis.start_ms == pytest.approx(start_ms, abs=1e-9)
    for field in ("name", "kind", "layout", "condition", "counts", "buffer_split", "rate_hz"):
        assert getattr(found, field) == getattr(asked, field), field
    if layout == "blocks":
        assert found.data.n_per_block == asked.data.n_per_block
    if layout == "buffers":
        assert found.data.counts == asked.data.counts
    assert dict(found.cells)["comment"] == "'=1+1"


def test_a_scenario_may_mix_files(written):
    rows = [{**row, "data": f'"{kind}"', "name": f'"{layout}-{kind}"'}
            for layout, row in LAYOUTS.items() for kind in ("csv", "edf")]  # fmt: skip
    _, read, folder = written(*rows)
    assert [r.problem for r in read.recordings] == [""] * 8
    assert {f.suffix for f in folder.iterdir()} == {".csv", ".edf", ".toml"}
    assert [r.files[0].name for r in read.recordings[:2]] == [
        "sweeps-csv-1.csv",
        "sweeps-edf-1.edf",
    ]


def test_session_toml_is_the_table_of_the_scenario(written):
    top = """
[session]
session = "<script>"
corrected_age_weeks = 5.5
test_date = 2024-05-01
tester_conclusion = "äöü"
[[session.reported_threshold]]
ear = "left"
transducer = "bone"
stimulus = "click"
relation = "<="
level_db_nhl = 30
"""
    made, read, _ = written(top=top)
    assert read.info.session == "<script>"
    assert read.info.corrected_age_weeks == 5.5
    assert read.info.test_date == "2024-05-01"
    assert read.info.tester_conclusion == "äöü"
    # In memory all but the stated thresholds are known too.
    assert dataclasses.replace(read.info, reported_thresholds=()) == made.session.info
    (threshold,) = read.info.reported_thresholds
    assert (threshold.ear, threshold.relation, threshold.level_db_nhl) == ("left", "<=", 30)


def test_what_edf_cannot_hold_is_refused(simulated, tmp_path):
    made = simulated({"data": '"edf"'})
    loud = [
        dataclasses.replace(
            recording,
            waveforms=Average(recording.data.a_nv * 1e9, 40, recording.data.axis),
        )
        for recording in made.session.recordings
    ]
    session = dataclasses.replace(made.session, recordings=tuple(loud))
    with pytest.raises(OutputError, match=r"recording 'right-click-50-1': .*too large for EDF"):
        write_simulated(dataclasses.replace(made, session=session), tmp_path)


# --- stored combinations, marks, reported noise -----------------------------------------------


def test_a_stored_combination_is_the_average_of_its_parts_by_sweeps(written):
    row = {"runs": "3", "store_combination": "[1, 3]", "reject_uv": "4"}
    made, read, _ = written(
        {**row, "disturbances": '["bursts"]'},
        top="[bursts]\nchance = 0.03",
        series={"n_sweeps": "300"},
    )
    first, _, third, stored = made.session.recordings
    assert first.counts.n_sweeps != third.counts.n_sweeps
    total = first.counts.n_sweeps + third.counts.n_sweeps
    expected = (
        sum(
            n * trace
            for r in (first, third)
            for n, trace in ((r.data.n_a, r.data.a_nv), (r.data.n_b, r.data.b_nv))
        )
        / total
    )
    np.testing.assert_allclose(stored.data.trace_nv, expected, rtol=1e-9, atol=1e-9)
    assert stored.data.n_sweeps == total
    truths = {truth.recording: truth.rn_nv for truth in made.truths}
    powers = [(r.counts.n_sweeps * truths[r.name]) ** 2 for r in (first, third)]
    assert truths[stored.name] == pytest.approx(math.sqrt(sum(powers)) / total)
    found = read.recordings[3]
    assert found.parts == (first.name, third.name)
    assert not found.is_replicate
    assert found.counts == stored.counts


def test_marks_are_the_extrema_of_the_average_near_the_truth(written):
    made, read, _ = written(
        {"marks": "true", "layout": '"average"'},
        {"layout": '"average"', "level_db_nhl": "40"},
        {"marks": "true", "layout": '"average"', "level_db_nhl": "20"},
        series={"n_sweeps": "400"},
    )
    marked, unmarked, absent = read.recordings
    times, trace = marked.data.axis.times_ms, marked.data.trace_nv
    truth = made.truths[0]
    for mark, near, sign in (
        (marked.marks.v_ms, truth.v_ms, 1),
        (marked.marks.sn10_ms, truth.sn10_ms, -1),
    ):
        inside = [k for k in range(times.size) if abs(times[k] - near) <= 0.8]
        best = max(inside, key=lambda k: sign * trace[k])
        assert mark == pytest.approx(times[best], abs=0.005001)
    assert not unmarked.marks.placed
    assert not absent.marks.placed


def test_a_mark_outside_the_data_is_not_placed(simulated):
    made = simulated({"marks": "true"}, top="[sampling]\nstop_ms = 9")
    marks = made.session.recordings[0].marks
    assert marks.placed
    assert math.isnan(marks.sn10_ms)


def test_reported_noise_is_half_of_a_minus_b(written):
    made, read, _ = written(
        {"report_noise": "true"},
        {"report_noise": "true", "layout": '"average"', "level_db_nhl": "40"},
        {"level_db_nhl": "30"},
    )
    a, b = arrays(made.session.recordings[0])
    times = made.session.recordings[0].data.axis.times_ms
    half = [(x - y) / 2 for t, x, y in zip(times, a, b, strict=True) if t >= 1.5]
    expected = math.sqrt(sum(x * x for x in half) / len(half))
    assert float(read.recordings[0].reported.rn_nv) == pytest.approx(expected, abs=0.05)
    # An average says what its unseen buffers showed: here the noise of 40 sweeps of 800 nV.
    assert float(read.recordings[1].reported.rn_nv) == pytest.approx(800 / math.sqrt(40), rel=0.5)
    assert read.recordings[2].reported.rn_nv == ""


def test_reported_noise_needs_data(simulated):
    with pytest.raises(ScenarioError, match=r"report_noise needs data after 1\.5 ms; they end at"):
        simulated(
            {"report_noise": "true", "level_db_nhl": "20"},
            top="[sampling]\nstart_ms = -10\nstop_ms = 1",
        )


# --- truth and determinism --------------------------------------------------------------------


def test_truth_has_a_row_a_recording_in_order(written):
    _, read, folder = written(
        {"runs": "2", "store_combination": "[1, 2]"},
        {"level_db_nhl": "20", "disturbances": '["muscle", "bursts"]'},
    )
    rows = truth_rows(folder)
    assert [row["recording"] for row in rows] == [r.name for r in read.recordings]
    first, below = rows[0], rows[-1]
    # Click at 50 dB nHL: 7 ms + 15 dB x 0.035 ms; 160 nV less a third.
    assert float(first["true_v_ms"]) == pytest.approx(7.525)
    assert float(first["true_v_sn10_nv"]) == pytest.approx(106.6667, abs=1e-3)
    assert float(first["true_rn_nv"]) == pytest.approx(800 / math.sqrt(40))
    assert float(rows[2]["true_rn_nv"]) == pytest.approx(800 / math.sqrt(80))
    times = np.arange(5, 20, 0.001)
    latency = float(first["response"].split("(")[1].split(" ms")[0])
    wave = response(times, latency, 1.0)
    assert times[np.argmax(wave)] == pytest.approx(float(first["true_v_ms"]), abs=0.002)
    assert times[np.argmin(wave)] == pytest.approx(float(first["true_sn10_ms"]), abs=0.002)
    assert (below["true_v_ms"], below["true_sn10_ms"], below["true_v_sn10_nv"]) == ("", "", "0")
    assert below["response"] == "none, bursts, muscle"


def digest(folder):
    return {f.name: hashlib.sha256(f.read_bytes()).hexdigest() for f in folder.iterdir()}


def test_the_same_scenario_and_seed_give_the_same_bytes(scenario_of, tmp_path):
    rows = [{**row, "data": f'"{kind}"', "name": f'"{layout}-{kind}"'}
            for layout, row in LAYOUTS.items() for kind in ("csv", "edf")]  # fmt: skip
    scenario = scenario_of(*rows, series={"disturbances": '["bursts"]', "reject_uv": "20"})
    found = []
    for name, seed in (("one", 1), ("two", 1), ("three", 2)):
        folder = tmp_path / name
        folder.mkdir()
        write_simulated(simulate_session(dataclasses.replace(scenario, seed=seed)), folder)
        found.append(digest(folder))
    assert found[0] == found[1]
    data = [name for name in found[0] if name.startswith(tuple(LAYOUTS))]
    assert len(data) == 8
    assert all(found[0][name] != found[2][name] for name in data)


def test_no_two_recordings_share_their_noise(simulated):
    made = simulated(
        {"runs": "2", "layout": '"average"'}, {"level_db_nhl": "40", **LAYOUTS["average"]}
    )
    traces = [r.data.trace_nv for r in made.session.recordings]
    # 15 or so independent values in a sweep of Q33: a correlation of 0.99 is out of reach.
    correlations = np.corrcoef(traces)[np.triu_indices(3, 1)]
    assert np.abs(correlations).max() < 0.99


def test_nothing_but_zeros_can_be_simulated_and_read(written):
    _, read, _ = written({**LAYOUTS["sweeps"], "data": '"edf"', "level_db_nhl": "20"}, top=SILENT)
    assert read.recordings[0].notes == ("every sample is zero",)
