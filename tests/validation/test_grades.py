"""How often a grade is right: grades against simulated truth, from suggestions alone.

The validation scenarios: two replicates, each an A and a B buffer of 12 kHz and 25 ms, wave V
uniform in 7.5 to 10.5 ms, the shipped criteria and settings. The condition is a narrow-band chirp
of 4 kHz at 25 dB nHL: its expected latencies, 6.5 to 11.5 ms, allow all of the drawn ones. A level
is a session of its own, so what a series adds is not in these rates. Either both traces average
2000 sweeps, or each by itself is averaged in steps of 200 until its residual noise is first at or
below 15 nV.

A rate is judged by its exact 95 % binomial interval: a target is missed when the whole interval
lies outside. A small version always runs; the long one takes about ten minutes and prints its
rates:

    pytest -m long -s --no-cov tests/validation/test_grades.py
"""

import dataclasses
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from waveworks.criteria import default_criteria
from waveworks.dsp.residual_noise import noise_from_buffers
from waveworks.grading import grade_levels
from waveworks.grading.outcomes import against
from waveworks.measures.levels import measure_levels
from waveworks.model import Buffers, Condition, Counts, Recording, Session, SessionInfo, TimeAxis
from waveworks.settings import default_settings
from waveworks.simulate.noise import simulate_average
from waveworks.simulate.response import response, true_v_ms

AXIS = TimeAxis(12_000.0, 0.0, 300)
TIMES_MS = AXIS.times_ms
NOISE_WINDOW = slice(18, 300)  # from 1.5 ms on, that of a narrow-band chirp
CONDITION = Condition("right", "insert", "narrowband-chirp", 4000.0, 25.0)
LATENCIES_MS = (7.5, 10.5)
SETTINGS, CRITERIA = default_settings(), default_criteria()
GRADES = ("CR", "RA", "Inc")
N_SWEEPS = 2000
STEP_SWEEPS = 200
QUIET_NV = 15.0


def interval(count, n_runs):
    return stats.binomtest(int(count), int(n_runs)).proportion_ci(0.95, method="exact")


def wave(latency_ms, amplitude_nv, width=1.0, spacing=1.0):
    """The response; both widths times one factor and the spacing times another."""

    def unscaled(after_ms):
        v = np.exp(-0.5 * (after_ms / (0.6 * width)) ** 2)
        late = (after_ms - 3.2 * spacing) / (1.5 * width)
        return v - 1.1 * np.exp(-0.5 * late**2)

    height = np.ptp(unscaled(np.arange(-2, 9, 0.002)))
    return amplitude_nv / height * unscaled(TIMES_MS - latency_ms)


def fixed(kind, rng):
    """Noise of A and B of one trace, and the sweeps in each: 2000 in both together."""
    return simulate_average(kind, N_SWEEPS // 2, 2, seed=rng), N_SWEEPS // 2


def until_quiet(kind, rng):
    """The same, averaged in steps of 200 sweeps until the residual noise is at most 15 nV."""
    each, batch = STEP_SWEEPS // 2, 20
    total, steps = np.zeros((2, 300)), 0
    while True:
        added = simulate_average(kind, each, 2 * batch, seed=rng).reshape(batch, 2, 300)
        sums = total + np.cumsum(added, axis=0)
        averages = sums / np.arange(steps + 1, steps + batch + 1)[:, np.newaxis, np.newaxis]
        half = (averages[:, 0] - averages[:, 1])[:, NOISE_WINDOW] / 2
        quiet = np.flatnonzero(np.sqrt(np.mean(half**2, axis=-1)) <= QUIET_NV)
        if len(quiet):
            return averages[quiet[0]], each * (steps + int(quiet[0]) + 1)
        total, steps = sums[-1], steps + batch


def session_of(buffers):
    """One level: a recording for each (A and B, sweeps in each)."""
    return Session(
        folder=Path(),
        info=SessionInfo("simulated"),
        recordings=tuple(
            Recording(
                name=f"replicate {number}",
                kind="test",
                layout="buffers",
                condition=CONDITION,
                waveforms=Buffers(a_nv, b_nv, n_each, n_each, AXIS),
                counts=Counts(2 * n_each),
                buffer_split="alternate",
            )
            for number, ((a_nv, b_nv), n_each) in enumerate(buffers, start=1)
        ),
    )


def levels_of(amplitude_nv, n_levels, *, seed, kind="Q33", average=fixed, vary=False):
    """Measure levels one after the other, each from noise and a latency of its own."""
    rng = np.random.default_rng(seed)
    for _ in range(n_levels):
        shape = rng.uniform(0.7, 1.3, 2) if vary else ()
        present = wave(rng.uniform(*LATENCIES_MS), amplitude_nv, *shape)
        buffers = [average(kind, rng) for _ in range(2)]
        (level,) = measure_levels(
            session_of([(noise + present, n_each) for noise, n_each in buffers]), SETTINGS
        )
        yield level


@dataclass
class Graded:
    """What a cell's levels were graded, and by which clauses."""

    n_levels: int
    grades: Counter
    against: dict  # grade: how many levels each clause stands against
    alone: dict  # grade: how many levels it stands against with no other

    def rate(self, grade):
        return interval(self.grades[grade], self.n_levels)

    def told(self):
        lines = ["; ".join(f"{g} {rate_told(self.grades[g], self.n_levels)}" for g in GRADES)]
        for grade, counts in self.against.items():
            words = [
                f"{clause} {100 * count / self.n_levels:.1f} %"
                f" ({100 * self.alone[grade][clause] / self.n_levels:.1f} alone)"
                for clause, count in counts.most_common()
            ]
            lines.append(f"against {grade}: {', '.join(words)}")
        return "\n  ".join(lines)


def graded(levels, criteria=CRITERIA):
    """Grade levels as they come; none is kept."""
    result = Graded(0, Counter(), *({g: Counter() for g in ("CR", "RA")} for _ in range(2)))
    for level in levels:
        (one,) = grade_levels([level], criteria)
        result.n_levels += 1
        result.grades[one.grade] += 1
        for grade in result.against:
            clauses = {outcome.clause.id for outcome in against(one.outcomes, grade)}
            result.against[grade].update(clauses)
            if len(clauses) == 1:
                result.alone[grade].update(clauses)
    return result


def without(*ids):
    """The criteria less some clauses."""
    kept = tuple(clause for clause in CRITERIA.clauses if clause.id not in ids)
    assert len(kept) == len(CRITERIA.clauses) - len(ids)
    return dataclasses.replace(CRITERIA, clauses=kept)


def rate_told(count, n_levels):
    rate = interval(count, n_levels)
    return (
        f"{100 * count / n_levels:.2f} % ({100 * rate.low:.2f} to {100 * rate.high:.2f}, "
        f"{count} of {n_levels})"
    )


TARGETS = {
    (0.0, fixed): ("CR", "at most", 0.01),
    (60.0, fixed): ("CR", "at least", 0.75),
    (80.0, fixed): ("CR", "at least", 0.95),
    (0.0, until_quiet): ("RA", "at least", 0.85),
    (60.0, until_quiet): ("RA", "at most", 0.01),
}
MISSED = pytest.mark.xfail(
    strict=True,
    reason="the amplitude of a suggestion is read at fitted latencies, almost without bias, and a "
    "mean gap of 20 nV asks for 60 nV: 60 and 80 nV are CR in 49 and 84 %",
)
"""A target that is not reached; the page on criteria says so."""


def assert_reached(found, amplitude_nv, average):
    grade, side, target = TARGETS[amplitude_nv, average]
    rate = found.rate(grade)
    if side == "at most":
        assert rate.low <= target, found.told()
    else:
        assert rate.high >= target, found.told()


@pytest.fixture(scope="module")
def noise():
    """Levels without a response that averaged 2000 sweeps a trace."""
    return list(levels_of(0.0, 400, seed=5102))


# --- always ---------------------------------------------------------------------------------------


def test_the_drawn_response_is_the_one_of_the_scenarios():
    assert wave(8.3, 120.0) == pytest.approx(response(TIMES_MS, 8.3, 120.0), abs=1e-3)


def test_the_settings_allow_every_latency_that_is_drawn():
    windows = SETTINGS.windows_for(CONDITION.stimulus, CONDITION.frequency_hz)
    expected = SETTINGS.expectation_for(
        CONDITION.stimulus, CONDITION.frequency_hz, CONDITION.transducer, None
    )
    for first, last in (windows.v_ms, expected.window(CONDITION.level_db_nhl)):
        assert first < true_v_ms(LATENCIES_MS[0]) - 0.5
        assert last > true_v_ms(LATENCIES_MS[1]) + 0.5
    assert AXIS.window(*windows.noise_ms) == NOISE_WINDOW


@pytest.mark.parametrize("kind", ["Q33", "S33"])
def test_averaging_stops_at_the_first_look_that_is_quiet(kind):
    """By a loop over the same draws, with the residual noise as the package computes it."""
    for seed in range(5103, 5123):
        average, n_each = until_quiet(kind, np.random.default_rng(seed))
        rng, sums, looks = np.random.default_rng(seed), np.zeros((2, 300)), []
        while not looks or looks[-1] > QUIET_NV:
            sums += 100 * simulate_average(kind, 100, 2, seed=rng)
            a, b = sums / (100 * (len(looks) + 1))
            looks.append(noise_from_buffers(a[NOISE_WINDOW], b[NOISE_WINDOW]).rn_nv)
        assert n_each == 100 * len(looks)
        assert average == pytest.approx(np.array([a, b]), abs=1e-6)


def test_each_trace_of_a_quiet_level_meets_the_noise_limit_by_itself():
    for level in levels_of(60.0, 20, seed=5104, average=until_quiet):
        singles = [trace for trace in level.traces if trace.label != "combined"]
        assert len(singles) == 2
        assert all(trace.noise.rn_nv <= QUIET_NV for trace in singles)


def test_noise_is_rarely_called_a_response(noise):
    assert_reached(graded(noise), 0.0, fixed)


def test_without_ratio_and_shape_more_noise_is_called_a_response(noise):
    lax = graded(noise, without("gap-ratio", "shape-response"))
    assert lax.grades["CR"] > graded(noise).grades["CR"]


@MISSED
@pytest.mark.parametrize("amplitude_nv", [60.0, 80.0])
def test_a_response_is_called_one(amplitude_nv):
    assert_reached(graded(levels_of(amplitude_nv, 150, seed=5105)), amplitude_nv, fixed)


def test_no_response_is_called_absent_when_it_is_quiet():
    found = graded(levels_of(0.0, 150, seed=5106, average=until_quiet))
    assert_reached(found, 0.0, until_quiet)


def test_a_response_is_rarely_called_absent_and_noise_limits_alone_would_not_see_to_it():
    levels = list(levels_of(60.0, 150, seed=5107, average=until_quiet))
    assert_reached(graded(levels), 60.0, until_quiet)
    lax = graded(levels, without("shape-absent", "no-suggested-mark"))
    with pytest.raises(AssertionError):
        assert_reached(lax, 60.0, until_quiet)


# --- long -----------------------------------------------------------------------------------------


BESIDE = [
    *(("Q33", False, a, average) for a in (40.0, 100.0) for average in (fixed, until_quiet)),
    ("Q33", False, 80.0, until_quiet),
    *(("S33", False, a, average) for a, average in TARGETS),
    *((kind, True, a, average) for kind in ("Q33", "S33") for a, average in TARGETS if a),
]
"""Noise, whether shapes are drawn 30 % either way, amplitude, averaging."""


def cell_name(value):
    return getattr(value, "__name__", None)


@pytest.mark.long
@pytest.mark.parametrize(
    ("amplitude_nv", "average"),
    [
        pytest.param(*cell, marks=MISSED if cell in ((60.0, fixed), (80.0, fixed)) else ())
        for cell in TARGETS
    ],
    ids=cell_name,
)
def test_long_targets(amplitude_nv, average):
    found = graded(levels_of(amplitude_nv, 4000, seed=5101, average=average))
    print(f"\nQ33, {amplitude_nv:g} nV, {average.__name__}: {found.told()}")
    assert_reached(found, amplitude_nv, average)


@pytest.mark.long
@pytest.mark.parametrize(("kind", "vary", "amplitude_nv", "average"), BESIDE, ids=cell_name)
def test_long_beside(kind, vary, amplitude_nv, average):
    """Other amplitudes, slow drift and other shapes: reported, never a target."""
    levels = levels_of(amplitude_nv, 2000, seed=5101, kind=kind, average=average, vary=vary)
    found = graded(levels)
    shape = "shape drawn" if vary else "shape known"
    print(f"\n{kind}, {shape}, {amplitude_nv:g} nV, {average.__name__}: {found.told()}")
    assert found.n_levels == 2000
