"""How often noise gets a mark, and how well wave V is found: the targets of a suggestion.

The validation scenarios: two replicates of 1500 sweeps, V window 6.5 to 12 ms, latencies uniform
in 7.5 to 10.5 ms, amplitudes in 55 to 160 nV. The ratio of a pair is its true amplitude over its
gap on the whole trace. A rate is judged by its exact 95 % binomial interval: a target is missed
when the whole interval lies outside. Small versions always run; the full ones take about fifteen
minutes and print their rates:

    pytest -m long -s --no-cov tests/validation/test_marks.py

The Cramer-Rao bound is computed here from its definition: data 0 to 25 ms of the combined trace,
noise covariance known, amplitude and one offset unknown.
"""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import linalg, stats

from waveworks.dsp.peaks import suggest_marks
from waveworks.simulate.noise import noise_autocovariance, simulate_average, simulate_noise
from waveworks.simulate.response import response, true_sn10_ms, true_v_ms

TIMES_MS = np.arange(300) / 12
WINDOW_MS = (6.5, 12.0)
N_SWEEPS = 1500
TRUE_RN_NV = 800 / math.sqrt(2 * N_SWEEPS)
BINS = ((2, 3, 0.5), (3, 5, 0.3), (5, math.inf, 0.3))
"""Ratio from and to, and how near the truth wave V has to be, in ms."""


def interval(count, n_runs):
    return stats.binomtest(int(count), int(n_runs)).proportion_ci(0.95, method="exact")


def suggest(pair, **options):
    trace = np.mean(pair, axis=0)
    given = {"replicates": pair, "bootstrap": False} | options
    return suggest_marks(trace, TIMES_MS, math.nan, WINDOW_MS, **given)


def gap_nv(pair):
    difference = pair[0] - pair[1]
    return float(np.abs(difference - np.median(difference)).mean())


def reshaped(latency_ms, amplitude_nv, rng):
    """Both widths times one factor and the spacing times another, 30 % either way."""
    width, spacing = rng.uniform(0.7, 1.3, 2)

    def drawn(times_ms):
        v = np.exp(-0.5 * ((times_ms - latency_ms) / (0.6 * width)) ** 2)
        late = (times_ms - latency_ms - 3.2 * spacing) / (1.5 * width)
        return v - 1.1 * np.exp(-0.5 * late**2)

    fine_ms = np.arange(latency_ms - 2, latency_ms + 9, 0.002)
    fine = drawn(fine_ms)
    top = fine.argmax()
    height = fine[top] - fine[top:].min()
    return amplitude_nv / height * drawn(TIMES_MS), fine_ms[top], fine_ms[top + fine[top:].argmin()]


def bound_ms(kind, amplitude_nv):
    """The Cramer-Rao bound of V latency; it does not depend on the latency itself here."""
    covariance = linalg.toeplitz(noise_autocovariance(kind, 300)) / (2 * N_SWEEPS)
    slope = (response(TIMES_MS, 9.01, amplitude_nv) - response(TIMES_MS, 8.99, amplitude_nv)) / 0.02
    model = np.column_stack([slope, response(TIMES_MS, 9.0, 1.0), np.ones(300)])
    return math.sqrt(linalg.inv(model.T @ linalg.solve(covariance, model, assume_a="pos"))[0, 0])


@dataclass
class Found:
    """What is found of responses, a value a trace."""

    ratio: np.ndarray
    amplitude_nv: np.ndarray
    off_ms: np.ndarray  # of the best candidate, marked or not
    marked: np.ndarray
    v_se_ms: np.ndarray
    sn10_off_ms: np.ndarray
    sn10_se_ms: np.ndarray
    corrected_off_nv: np.ndarray
    corrected_se_nv: np.ndarray
    plain_off_nv: np.ndarray

    def between(self, least, most):
        return (self.ratio >= least) & (self.ratio < most)

    def covered(self, of="v"):
        """How many of the marks at ratio 3 and more hold the truth in their 95 % interval."""
        off, se = {
            "v": (self.off_ms, self.v_se_ms),
            "sn10": (self.sn10_off_ms, self.sn10_se_ms),
            "corrected": (self.corrected_off_nv, self.corrected_se_nv),
        }[of]
        asked = (self.ratio >= 3) & self.marked
        return int(np.sum(np.abs(off[asked]) <= 1.96 * se[asked])), int(asked.sum())

    def rms_over_bound(self, kind):
        """RMS of the error over its own bound at ratio 4 and more, with a bootstrap interval."""
        clear = self.ratio >= 4
        square = (self.off_ms / (bound_ms(kind, 100.0) * 100 / self.amplitude_nv))[clear] ** 2
        drawn = np.random.default_rng(1).choice(square, (2000, len(square))).mean(axis=-1)
        return math.sqrt(square.mean()), np.sqrt(np.quantile(drawn, (0.025, 0.975)))


def find(kind, n_runs, *, seed, amplitudes_nv=(55.0, 160.0), vary=False, blocks=0, of=None):
    """Suggest marks of responses in noise; blocks of sweeps as noise if asked for."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(n_runs):
        latency_ms, a_nv = rng.uniform(7.5, 10.5), rng.uniform(*amplitudes_nv)
        wave, v_ms, sn10_ms = response(TIMES_MS, latency_ms, a_nv), true_v_ms(latency_ms), None
        if vary:
            wave, v_ms, sn10_ms = reshaped(latency_ms, a_nv, rng)
        if of is not None:
            pair = of(kind, rng) + wave
            marks = suggest(pair)
        elif blocks:
            parts = simulate_average(kind, 2 * N_SWEEPS // blocks, blocks, seed=rng) + wave
            pair = parts.reshape(2, -1, 300).mean(axis=1)
            deviations = (parts - parts.mean(axis=0)) / math.sqrt(blocks - 1)
            marks = suggest(pair, noise=deviations, bootstrap=True)
        else:
            pair = simulate_average(kind, N_SWEEPS, 2, seed=rng) + wave
            marks = suggest(pair)
        truth_ms = true_sn10_ms(latency_ms) if sn10_ms is None else sn10_ms
        rows.append(
            (
                a_nv / gap_nv(pair),
                a_nv,
                marks.others[0].v_ms - v_ms,
                marks.marked,
                marks.v_se_ms,
                marks.sn10_ms - truth_ms,
                marks.sn10_se_ms,
                marks.v_sn10_corrected_nv - a_nv,
                marks.v_sn10_corrected_se_nv,
                marks.v_sn10_nv - a_nv,
            )
        )
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    return Found(*columns)


def marked_in_noise(kind, n_runs, *, seed, options=None, of=None):
    """Return how many averages of pure noise get a mark."""
    rng = np.random.default_rng(seed)
    draw = of or (lambda kind, rng: simulate_average(kind, N_SWEEPS, 2, seed=rng))
    return sum(suggest(draw(kind, rng), **(options or {})).marked for _ in range(n_runs))


def from_sweeps(kind, rng):
    """Two replicates of single sweeps, for noise that averages do not tell."""
    sweeps = simulate_noise(kind, 2 * N_SWEEPS, seed=rng)
    return sweeps.reshape(2, N_SWEEPS, -1).mean(axis=1)


def assert_location(found):
    """Within 0.3 ms in 97 and 90 %, within 0.5 ms in 90 %, by the best candidate of all traces."""
    for (least, most, near_ms), target in zip(BINS, (0.90, 0.90, 0.97), strict=True):
        here = found.between(least, most)
        within = np.sum(np.abs(found.off_ms[here]) <= near_ms)
        assert interval(within, here.sum()).high >= target, (least, most)


def assert_marked(found):
    for (least, most, _), target in zip(BINS[:2], (0.84, 0.95), strict=True):
        here = found.between(least, most)
        assert interval(found.marked[here].sum(), here.sum()).high >= target, (least, most)


def assert_covers(counts):
    held = interval(*counts)
    assert held.high >= 0.92
    assert held.low <= 0.98


@pytest.fixture(scope="module")
def quiet():
    return find("Q33", 1200, seed=1101)


# --- always ---------------------------------------------------------------------------------------


def test_the_bound_is_in_proportion_to_one_over_the_amplitude():
    assert bound_ms("Q33", 100.0) == pytest.approx(2 * bound_ms("Q33", 200.0))
    assert 0.12 < bound_ms("Q33", 100.0) < 0.14


@pytest.mark.parametrize("kind", ["Q33", "Q100", "W"])
def test_noise_is_marked_at_most_at_the_stated_rate(kind):
    """Scale and spectrum both from the replicates; far fewer would be deafness."""
    rate = interval(marked_in_noise(kind, 600, seed=1102), 600)
    assert rate.low <= 0.05
    assert rate.high >= 0.025


@pytest.mark.parametrize("kind", ["Q33", "Q100", "W"])
def test_one_average_of_a_known_size_is_marked_at_most_at_the_stated_rate(kind):
    rng = np.random.default_rng(1103)
    found = [
        suggest_marks(trace, TIMES_MS, TRUE_RN_NV, WINDOW_MS).marked
        for trace in simulate_average(kind, 2 * N_SWEEPS, 400, seed=rng)
    ]
    assert interval(sum(found), 400).low <= 0.05


def test_a_response_in_one_of_two_replicates_is_rarely_marked():
    rng = np.random.default_rng(1104)
    count, n_runs = 0, 200
    for _ in range(n_runs):
        pair = simulate_average("Q33", N_SWEEPS, 2, seed=rng)
        pair[0] += response(TIMES_MS, rng.uniform(7.5, 10.5), 240.0)
        count += suggest(pair).marked
    assert interval(count, n_runs).low <= 0.05


def test_wave_v_is_found_nearly_as_well_as_physics_allows(quiet):
    _, (low, _) = quiet.rms_over_bound("Q33")
    assert low <= 1.25
    assert_location(quiet)
    assert_marked(quiet)


def test_wave_v_of_another_shape_is_found_nearly_as_well():
    _, (low, _) = find("Q33", 500, seed=1105, vary=True).rms_over_bound("Q33")
    assert low <= 1.45


def test_intervals_hold_the_truth(quiet):
    for of in ("v", "sn10", "corrected"):
        assert_covers(quiet.covered(of))


def test_intervals_by_blocks_of_sweeps_hold_the_truth():
    found = find("Q33", 200, seed=1106, blocks=60)
    for of in ("v", "sn10"):
        assert_covers(found.covered(of))


def test_the_fitted_amplitude_is_nearer_to_the_truth_than_the_one_read(quiet):
    marked = quiet.marked & (quiet.ratio >= 3)
    corrected, plain = (
        np.mean(off[marked]) for off in (quiet.corrected_off_nv, quiet.plain_off_nv)
    )
    assert abs(corrected) < plain
    assert abs(corrected) < 3


# --- confidence -----------------------------------------------------------------------------------

EDGES = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 1.0)


def reliability(kind, n_runs, *, seed):
    """Half of the traces hold no response. Return bins of (marks, mean confidence, share right)."""
    rng = np.random.default_rng(seed)
    said, right = [], []
    for number in range(n_runs):
        pair = simulate_average(kind, N_SWEEPS, 2, seed=rng)
        v_ms = math.nan
        if number % 2:
            latency_ms = rng.uniform(7.5, 10.5)
            pair += response(TIMES_MS, latency_ms, rng.uniform(55.0, 160.0))
            v_ms = true_v_ms(latency_ms)
        marks = suggest(pair)
        if marks.marked:
            said.append(marks.confidence)
            right.append(abs(marks.v_ms - v_ms) <= 0.3)
    confidence, truth = np.array(said), np.array(right)
    place = np.digitize(confidence, EDGES[1:-1])
    bins = [place == one for one in range(len(EDGES) - 1)]
    return [
        (int(b.sum()), float(confidence[b].mean()), int(truth[b].sum())) for b in bins if b.any()
    ]


def assert_calibrated(bins):
    """Off by at most 0.1 in the worst bin, its binomial interval allowed for."""
    for n, confidence, right in bins:
        rate = interval(right, n)
        assert rate.low - 0.1 <= confidence <= rate.high + 0.1, (n, confidence, right / n)


def test_confidence_is_the_share_of_marks_that_are_right():
    bins = reliability("Q33", 1600, seed=1107)
    assert len(bins) >= 4
    assert_calibrated(bins)


# --- long -----------------------------------------------------------------------------------------


@pytest.mark.long
@pytest.mark.parametrize("kind", ["Q33", "Q100", "W", "S33"])
def test_long_noise(kind):
    n_runs = 6000
    count = marked_in_noise(kind, n_runs, seed=2101)
    rate = interval(count, n_runs)
    print(f"\n{kind}: {count / n_runs:.4f} marked, {rate.low:.4f} to {rate.high:.4f}")
    if kind != "S33":  # slow drift is reported beside, never a target
        assert rate.low <= 0.05


@pytest.mark.long
@pytest.mark.parametrize("kind", ["D", "B", "M"])
def test_long_other_noise(kind):
    """Reported beside: growing noise, rare large sweeps, mains."""
    n_runs = 300
    count = marked_in_noise(kind, n_runs, seed=2102, of=from_sweeps)
    found = find(kind, n_runs, seed=2103, of=from_sweeps)
    print(f"\n{kind}: noise marked {count / n_runs:.3f}; {told(found)}")
    assert len(found.ratio) == n_runs


def told(found):
    words = []
    for least, most, near_ms in BINS:
        here = found.between(least, most)
        if here.sum():
            within = np.mean(np.abs(found.off_ms[here]) <= near_ms)
            words.append(
                f"ratio {least} to {most}: {here.sum()}, marked {found.marked[here].mean():.3f}, "
                f"within {near_ms} ms {within:.3f}"
            )
    for of in ("v", "sn10", "corrected"):
        held, asked = found.covered(of)
        if asked:
            words.append(f"95 % interval of {of} holds {held / asked:.3f} of {asked}")
    return "; ".join(words)


@pytest.mark.long
@pytest.mark.parametrize("kind", ["Q33", "Q100", "W", "S33"])
@pytest.mark.parametrize("vary", [False, True], ids=["shape known", "shape drawn"])
def test_long_location(kind, vary):
    found = find(kind, 4000, seed=2104, vary=vary)
    rms, (low, high) = found.rms_over_bound(kind)
    print(
        f"\n{kind}, vary {vary}: RMS over bound {rms:.3f} ({low:.3f} to {high:.3f}); {told(found)}"
    )
    if kind == "Q33":
        assert low <= (1.45 if vary else 1.25)
    if kind == "Q33" and not vary:
        assert_location(found)
        assert_marked(found)
        assert_covers(found.covered())


@pytest.mark.long
def test_long_intervals_by_blocks():
    found = find("Q33", 1500, seed=2105, blocks=60)
    print(f"\nby blocks: {told(found)}")
    assert_covers(found.covered())
    assert_covers(found.covered("sn10"))


@pytest.mark.long
@pytest.mark.parametrize("kind", ["Q33", "Q100", "W"])
def test_long_confidence(kind):
    bins = reliability(kind, 10_000, seed=2106)
    table = "; ".join(f"{c:.3f} said, {right / n:.3f} right of {n}" for n, c, right in bins)
    print(f"\n{kind}: {table}")
    if kind == "Q33":
        assert_calibrated(bins)


@pytest.mark.long
@pytest.mark.parametrize("amplitude_nv", [0.0, 60.0, 100.0, 150.0])
def test_long_amplitude(amplitude_nv):
    """Of the best candidate where there is no response; of marks elsewhere."""
    if amplitude_nv == 0:
        rng = np.random.default_rng(2107)
        best = [
            suggest(simulate_average("Q33", N_SWEEPS, 2, seed=rng)).others[0].v_sn10_nv
            for _ in range(2000)
        ]
        print(f"\nno response: best candidate {np.mean(best):.1f} nV on average")
        assert np.mean(best) > 0
        return
    found = find("Q33", 2000, seed=2108, amplitudes_nv=(amplitude_nv, amplitude_nv))
    m = found.marked
    print(
        f"\n{amplitude_nv:g} nV: marked {m.mean():.3f}, "
        f"read {found.plain_off_nv[m].mean():+.1f} nV, "
        f"corrected {found.corrected_off_nv[m].mean():+.1f} nV off"
    )
    assert abs(found.corrected_off_nv[m].mean()) < found.plain_off_nv[m].mean() + 0.5
