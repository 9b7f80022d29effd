"""The invented session: reproducible, in the written layout, and true to its own truth.

Read with csv and numpy only. Limits come from sampling theory: the mean square of a Gaussian trace
has a relative variance of 2 sum((1 - |k| / n) rho_k^2) / n, rho its autocorrelation.
"""

import csv
import importlib.util
import math
import re
import tomllib
from collections import Counter
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from scipy import linalg, optimize

ROOT = Path(__file__).parents[2] / "synthetic_data"
WARD = ROOT / "quiet_ward"
SIGMAS = 4.5
NV_PER_UNIT = {"nV": 1.0, "uV": 1e3}

# The columns of recordings.csv that the interface of a session folder names.
KNOWN_COLUMNS = """
    recording file layout kind ear transducer stimulus frequency_hz level_db_nhl level_db_ehl
    condition channel polarity highpass_hz lowpass_hz masking_db unit csv_format signals event
    epoch_start_ms epoch_stop_ms earphone_delay_ms n_sweeps n_a n_b n_per_block n_rejected
    buffer_split parts group rate_hz reject_uv mains_hz impedance_kohm started system comment
    reported_rn_nv reported_fsp reported_fmp reported_n_sweeps reported_grade v_ms sn10_ms
"""
ALLOWED = {
    "layout": {"sweeps", "blocks", "buffers", "average"},
    "kind": {"test", "control"},
    "ear": {"left", "right"},
    "transducer": {"insert"},
    "stimulus": {"narrowband-chirp"},
    "unit": {"nV", "uV"},
    "buffer_split": {"", "alternate"},
    "masking_db": {"none"},
}


def table(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


ROWS = {row["recording"]: row for row in table(WARD / "recordings.csv")}
TRUTH = {row["recording"]: row for row in table(WARD / "truth.csv")}


def waveforms(name):
    """Return times in ms, waveforms in nV and the sweeps behind each."""
    row = ROWS[name]
    read = []
    for file in row["file"].split(";"):
        with (WARD / file).open(newline="", encoding="utf-8") as lines:
            header, *body = csv.reader(lines)
        numbers = np.array(body, dtype=float)
        if header[0] == "sweep":
            assert numbers[:, 0].tolist() == list(range(1, len(body) + 1))
            times, values = np.array(header[1:], dtype=float), numbers[:, 1:]
        else:
            assert header[0] == "time_ms"
            times, values = numbers[:, 0], numbers[:, 1:].T
        read.append(values)
    values = np.concatenate(read) * NV_PER_UNIT[row["unit"]]
    if row["layout"] == "buffers":
        counts = [int(row["n_a"]), int(row["n_b"])]
    elif row["layout"] == "average":
        counts = [int(row["n_sweeps"])]
    else:
        counts = [int(row["n_per_block"] or 1)] * len(values)
    return times, values, np.array(counts)


def average(name):
    _, values, counts = waveforms(name)
    return counts @ values / counts.sum()


def written_response(times, latency):
    v = np.exp(-((times - latency) ** 2) / (2 * 0.6**2))
    return v - 1.1 * np.exp(-((times - latency - 3.2) ** 2) / (2 * 1.5**2))


def true_response(name):
    """Return latency and amplitude that the truth states, or None."""
    if TRUTH[name]["response"] == "none":
        return None
    match = re.fullmatch(r"R\(([\d.]+) ms; ([\d.]+) nV\)", TRUTH[name]["response"])
    return float(match[1]), float(match[2])


def true_rn_nv(name):
    return float(TRUTH[name]["true_rn_nv"])


def noiseless(name, times):
    truth = true_response(name)
    if truth is None:
        return np.zeros_like(times)
    latency, amplitude = truth
    return amplitude * written_response(times, latency) / swing(latency)


def extrema(latency):
    """Return maximum and minimum of the written response."""
    found = []
    for sign, start, stop in ((-1, -0.5, 0.5), (1, 2.2, 4.2)):
        fit = optimize.minimize_scalar(
            lambda t, sign=sign: sign * float(written_response(np.float64(t), latency)),
            bounds=(latency + start, latency + stop),
            method="bounded",
            options={"xatol": 1e-9},
        )
        found.append(fit.x)
    return found


def swing(latency):
    v, sn10 = extrema(latency)
    return float(
        written_response(np.float64(v), latency) - written_response(np.float64(sn10), latency)
    )


@lru_cache
def autocorrelation(n, sfreq_hz):
    """Return that of Q33 from its written spectrum, by plain summation."""
    f = np.arange(0.5, sfreq_hz / 2, 1.0)
    density = f**-1.0 / ((1 + (33 / f) ** 4) * (1 + (f / 1500) ** 4))
    return np.cos(2 * math.pi * np.outer(np.arange(n) / sfreq_hz, f)) @ density / density.sum()


def autocorrelation_of(name):
    times = waveforms(name)[0]
    return autocorrelation(times.size, round(1e3 / times[1]))


def mean_square_variance(name):
    """Return the relative variance of the mean square of one noise trace as long as these."""
    rho = autocorrelation_of(name)
    weights = 2 * (1 - np.arange(rho.size) / rho.size)
    weights[0] = 1
    return 2 * np.sum(weights * rho**2) / rho.size


def whiten(name, traces):
    """Return traces without the correlation and the scale of the noise in the average."""
    factor = np.linalg.cholesky(linalg.toeplitz(autocorrelation_of(name)))
    return linalg.solve_triangular(factor, np.transpose(traces), lower=True).T / true_rn_nv(name)


def make_again(folder):
    spec = importlib.util.spec_from_file_location("make_sessions", ROOT / "make_sessions.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.make_quiet_ward(folder)


def test_the_script_makes_the_same_bytes_again(tmp_path):
    made = tmp_path / "ward"
    make_again(made)
    assert sorted(p.name for p in made.iterdir()) == sorted(p.name for p in WARD.iterdir())
    for path in made.iterdir():
        assert path.read_bytes() == (WARD / path.name).read_bytes(), path.name


def test_the_folder_is_small():
    assert sum(path.stat().st_size for path in WARD.iterdir()) < 1_500_000


def test_recordings_use_the_words_of_the_interface():
    assert set(next(iter(ROWS.values()))) <= set(KNOWN_COLUMNS.split())
    for name, row in ROWS.items():
        for column, allowed in ALLOWED.items():
            assert row[column] in allowed, (name, column)
        assert float(row["frequency_hz"]) == 4000
        assert row["level_db_nhl"].isdigit()
    assert {row["layout"] for row in ROWS.values()} == ALLOWED["layout"]
    assert {row["unit"] for row in ROWS.values()} == ALLOWED["unit"]
    assert [name for name, row in ROWS.items() if row["kind"] == "control"] == ["right-control"]


def test_every_file_is_named_and_every_named_file_exists():
    named = [file for row in ROWS.values() for file in row["file"].split(";")]
    assert len(named) == len(set(named))
    others = {"recordings.csv", "session.toml", "truth.csv"}
    assert {path.name for path in WARD.iterdir()} == set(named) | others


def test_every_level_has_the_recordings_that_it_needs():
    replicates = Counter(
        int(row["level_db_nhl"])
        for row in ROWS.values()
        if row["ear"] == "right" and row["kind"] == "test" and not row["parts"]
    )
    assert replicates == {60: 2, 50: 2, 40: 2, 30: 4, 20: 2}
    assert len(waveforms("left-60-1")[1]) == 150
    assert len(waveforms("left-40-1")[1]) == 16


def test_session_toml_has_only_known_keys():
    session = tomllib.loads((WARD / "session.toml").read_text(encoding="utf-8"))
    assert set(session) == {
        "session",
        "corrected_age_weeks",
        "test_date",
        "notes",
        "tester_conclusion",
        "reported_threshold",
    }
    (threshold,) = session["reported_threshold"]
    assert threshold["level_db_nhl"] == 30
    assert threshold["relation"] == "="


@pytest.mark.parametrize("name", ROWS)
def test_time_runs_evenly_from_zero(name):
    times, values, counts = waveforms(name)
    assert times[0] == 0
    np.testing.assert_allclose(np.diff(times), times[1], atol=1e-9)
    assert values.shape == (counts.size, times.size)


def test_truth_follows_the_level_series_of_the_scenario():
    assert list(TRUTH) == list(ROWS)
    by_hand = {60: (7.6, 160.0), 50: (8.1, 320 / 3), 40: (8.6, 640 / 9), 30: (9.1, 1280 / 27)}
    for name, row in ROWS.items():
        expected = by_hand.get(int(row["level_db_nhl"])) if row["kind"] == "test" else None
        truth = TRUTH[name]
        if expected is None:
            assert true_response(name) is None
            assert (truth["true_v_ms"], truth["true_sn10_ms"]) == ("", "")
            assert float(truth["true_v_sn10_nv"]) == 0
            continue
        assert true_response(name) == pytest.approx(expected, abs=5e-4)
        v, sn10 = extrema(expected[0])
        assert float(truth["true_v_ms"]) == pytest.approx(v, abs=5.1e-5)
        assert float(truth["true_sn10_ms"]) == pytest.approx(sn10, abs=5.1e-5)
        assert float(truth["true_v_sn10_nv"]) == pytest.approx(expected[1], abs=5.1e-4)


@pytest.mark.parametrize("name", ROWS)
def test_true_residual_noise_is_800_nv_over_the_root_of_all_sweeps(name):
    total = waveforms(name)[2].sum()
    assert true_rn_nv(name) == pytest.approx(800 / math.sqrt(total), abs=5.1e-4)


def noise_ratio(name):
    """Return the mean square noise of the average, from within, over the truth, and its df."""
    _, values, counts = waveforms(name)
    weights = counts / counts.sum()
    # The scatter of waveform i about the weighted mean, weighted by its sweeps, has n - 1 degrees
    # of freedom; for two it is n_a n_b / (n_a + n_b)^2 (A - B)^2.
    scatter = weights @ (values - weights @ values) ** 2 / (len(counts) - 1)
    return np.mean(scatter) / true_rn_nv(name) ** 2, len(counts) - 1


def assert_within_sampling_error(ratios, variances):
    ratios, variances = np.array(ratios), np.array(variances)
    assert (np.abs(ratios - 1) < SIGMAS * np.sqrt(variances)).all()
    pooled = np.sum(ratios / variances) / np.sum(1 / variances)
    assert pooled == pytest.approx(1.0, abs=SIGMAS / math.sqrt(np.sum(1 / variances)))


def test_noise_within_recordings_is_the_true_residual_noise():
    ratios, variances = [], []
    for name, row in ROWS.items():
        if row["layout"] != "average":
            ratio, df = noise_ratio(name)
            ratios.append(ratio)
            variances.append(mean_square_variance(name) / df)
    assert len(ratios) == 13
    assert_within_sampling_error(ratios, variances)


def test_what_the_averages_hold_beside_the_true_response_is_noise_of_the_true_spectrum():
    names = [name for name in ROWS if not ROWS[name]["parts"]]  # whose noise is there already
    rests = [whiten(name, average(name) - noiseless(name, waveforms(name)[0])) for name in names]
    ratios = [np.mean(rest**2) for rest in rests]
    assert_within_sampling_error(ratios, [2 / rest.size for rest in rests])


def test_response_in_the_averages_has_the_true_amplitude_and_latency():
    # Weighted least squares of the true shape and of its slope, all recordings together: the
    # slope's share is a shift in ms, and the inverse of the normal matrix is the covariance.
    normal, right = np.zeros((2, 2)), np.zeros(2)
    for name in ROWS:
        if true_response(name) is None or ROWS[name]["parts"]:
            continue
        times = waveforms(name)[0]
        shape = noiseless(name, times)
        later = (noiseless(name, times - 1e-4) - noiseless(name, times + 1e-4)) / 2e-4
        design = whiten(name, [shape, later])
        normal += design @ design.T
        right += design @ whiten(name, average(name) - shape)
    errors = np.sqrt(np.diag(np.linalg.inv(normal)))
    assert errors[0] < 0.06  # else the test could not fail
    assert errors[1] < 0.06
    assert (np.abs(np.linalg.solve(normal, right)) < SIGMAS * errors).all()


def test_stored_combination_is_the_sweep_weighted_mean_of_its_parts():
    parts = ROWS["right-30-stored"]["parts"].split(";")
    counts = [waveforms(part)[2].sum() for part in parts]
    expected = sum(n * average(part) for n, part in zip(counts, parts, strict=True)) / sum(counts)
    assert int(ROWS["right-30-stored"]["n_sweeps"]) == sum(counts)
    np.testing.assert_allclose(average("right-30-stored"), expected, atol=0.05 + 1e-9)


def test_reported_noise_follows_from_the_buffers():
    (name,) = (name for name, row in ROWS.items() if row["reported_rn_nv"])
    times, (a, b), _ = waveforms(name)
    half = (a - b)[times >= 1.5] / 2
    reported = float(ROWS[name]["reported_rn_nv"])
    assert reported == pytest.approx(math.sqrt(np.mean(half**2)), abs=0.05 + 1e-9)


def test_marks_are_given_in_pairs_and_near_the_truth():
    marked = {name: row for name, row in ROWS.items() if row["v_ms"] or row["sn10_ms"]}
    assert len(marked) == 7
    for name, row in marked.items():
        # by eye on noisy traces: a few times the standard error of a latency at these noises
        assert float(row["v_ms"]) == pytest.approx(float(TRUTH[name]["true_v_ms"]), abs=0.4)
        assert float(row["sn10_ms"]) == pytest.approx(float(TRUTH[name]["true_sn10_ms"]), abs=1.0)
