"""Evidence of one trace: its statistic written out, its p against noise that is known."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import special, stats

from waveworks.dsp import evidence as module
from waveworks.dsp.evidence import BY_SIZE, Evidence, Prior
from waveworks.dsp.fit_plan import FitPlan
from waveworks.dsp.shape_fit import log_evidence, shape_fit
from waveworks.dsp.wave_shapes import WaveShape
from waveworks.simulate.response import response

TIMES_MS = np.arange(300) / 12
PLAN = FitPlan(
    n_samples=300,
    start_ms=0.0,
    step_ms=1 / 12,
    v_window_ms=(6.5, 12.0),
    response_ms=(5.0, 17.0),
    clean_ms=(0.0, 25.0),
    sn10_after_ms=(1.5, 6.0),
    shape=WaveShape(),
)
MANY = 40
INF = math.inf


def evidence_of(fitted, *, n_independent=MANY, expected_ms=(-INF, INF)):
    fit = shape_fit(PLAN)
    trace = np.zeros(300)
    return Evidence(
        plan=PLAN,
        fit=fitted,
        n_independent=n_independent,
        trace=trace,
        as_given=(TIMES_MS, trace),
        deviations=np.empty((0, 300)),
        replicates_z=np.empty((0, *fit.shape)),
        expected_ms=expected_ms,
        noise_rate=0.05,
        origin="",
    )


def known_noise(n, seed, *, sd=3.0, added=0.0):
    """Evidence of draws of noise whose spectrum and size are known."""
    fit = shape_fit(PLAN)
    traces = sd * fit.draw(7, n, np.random.default_rng(seed)) + added
    measured = fit.measure_in(traces, 7, sd)
    return [evidence_of(measured.row(row)) for row in range(n)]


def test_the_statistic_is_the_mean_likelihood_ratio():
    (one,) = known_noise(1, 1)
    z = one.fit.z[0]
    expected = math.log(np.exp(log_evidence(z)).mean())
    assert one.statistic([one.anywhere()]) == pytest.approx(expected)


def test_two_ways_add_their_likelihoods():
    (one,) = known_noise(1, 2, added=response(TIMES_MS, 9.0, 10.0))
    n = len(one.v_ms)
    near = np.where(np.abs(one.v_ms - 9.0) < 0.5, 0.0, -INF)
    near -= special.logsumexp(near)
    normal = Prior(near, math.log(0.9), 8.0, 4.0)
    other = Prior(np.full(n, -math.log(n)), math.log(0.1))
    z, se = one.fit.z[0], one.fit.se_nv[0]
    weights = 0.9 * np.exp(near) / len(z)
    expected = np.sum(weights * np.exp(log_evidence(z, 8.0 / se, 4.0 / se)))
    expected += 0.1 * np.exp(log_evidence(z)).mean()
    assert one.statistic([normal, other]) == pytest.approx(math.log(expected))


def test_p_of_known_noise_is_uniform():
    p = [one.pvalue([one.anywhere()]) for one in known_noise(600, 3)]
    assert stats.kstest(p, "uniform").pvalue > 0.001


def test_p_of_a_narrow_expectation_is_uniform_too():
    """Another null distribution: fewer places, an amplitude that is expected."""
    found = known_noise(400, 4)
    v_ms = found[0].v_ms
    narrow = np.where(np.abs(v_ms - 9.0) < 0.4, 0.0, -INF)
    prior = Prior(narrow - special.logsumexp(narrow), 0.0, 9.0, 4.5)
    p = [one.pvalue([prior]) for one in found]
    assert stats.kstest(p, "uniform").pvalue > 0.001


@pytest.mark.parametrize("learned", [BY_SIZE, 1])
def test_p_of_noise_that_had_to_be_learned_is_uniform(learned):
    """One spectrum throughout; each trace finds spectrum and size as the draws of its null do."""
    fit = shape_fit(PLAN)
    rng = np.random.default_rng(8)
    n = 500
    traces, noise = (3.0 * fit.draw(7, n, rng) for _ in range(2))
    if learned:
        measured = fit.measure(traces, noise[:, np.newaxis], 1)
    else:
        measured = fit.measure_by_size(traces, 3.0)
    found = [evidence_of(measured.row(i), n_independent=learned) for i in range(n)]
    p = [one.pvalue([one.anywhere()]) for one in found]
    assert stats.kstest(p, "uniform").pvalue > 0.001


def test_p_of_several_spectra_is_weighed_and_small_weights_have_no_say():
    (one,) = known_noise(1, 9, added=response(TIMES_MS, 9.0, 8.0))
    anywhere = [one.anywhere()]

    def p_of(**weights):
        row = np.zeros_like(one.fit.weights)
        for name, weight in weights.items():
            row[0, int(name[1:])] = weight
        return evidence_of(replace(one.fit, weights=row)).pvalue(anywhere)

    first, second = p_of(s2=1.0), p_of(s12=1.0)
    assert first != pytest.approx(second, rel=0.05)
    assert p_of(s2=0.75, s12=0.25) == pytest.approx(0.75 * first + 0.25 * second)
    assert p_of(s2=0.95, s12=0.05) == pytest.approx(first)
    spread = {f"s{i}": 0.06 for i in range(15) if i != 2}
    assert p_of(s2=0.09, **spread) == pytest.approx(first)  # none decides: the likeliest does


def test_the_chance_is_that_of_even_odds():
    """L / (1 + L); noise learned from few traces takes one off the log of L."""
    (one,) = known_noise(1, 10, added=response(TIMES_MS, 9.0, 8.0))
    anywhere = [one.anywhere()]
    ratio = math.exp(one.statistic(anywhere))
    for learned, factor in ((MANY, 1.0), (9, 1.0), (BY_SIZE, 1.0), (8, math.e), (1, math.e)):
        chance = evidence_of(one.fit, n_independent=learned).chance(anywhere)
        assert chance == pytest.approx(ratio / factor / (1 + ratio / factor))


def test_p_is_never_zero_and_no_draw_is_made_for_the_obvious(monkeypatch):
    (clear,) = known_noise(1, 5, added=response(TIMES_MS, 9.0, 100.0))
    anywhere = [clear.anywhere()]
    drawn = clear.pvalue(anywhere)
    assert drawn == 1 / (module.N_DRAWS + 1)
    monkeypatch.setattr(module, "_BEYOND_DRAWS", INF)
    assert clear.pvalue(anywhere) == pytest.approx(drawn)


def test_only_expected_latencies_can_be():
    (one,) = known_noise(1, 6)
    some = evidence_of(one.fit, expected_ms=(8.0, 9.0)).anywhere()
    inside = np.isfinite(some.log_v)
    assert set(np.round(one.v_ms[inside], 6)) == set(
        np.round(one.v_ms[(one.v_ms >= 8 - 1e-9) & (one.v_ms <= 9 + 1e-9)], 6)
    )
    assert np.exp(some.log_v).sum() == pytest.approx(1)


def test_noise_learned_from_as_much_or_a_little_more_has_the_null_of_its_class():
    """1, 2, 4 and 8 traces; from 17 on the noise counts as known."""
    (one,) = known_noise(1, 7, added=response(TIMES_MS, 9.0, 6.0))
    anywhere = [one.anywhere()]

    def p_of(n):
        return evidence_of(one.fit, n_independent=n).pvalue(anywhere)

    assert [p_of(n) for n in (3, 7, 16, 17)] == [p_of(n) for n in (2, 4, 8, 1000)]
    assert len({p_of(n) for n in (1, 2, 4, 8, 1000)}) == 5


@pytest.mark.parametrize("learned", [BY_SIZE, 1, 3])
def test_less_known_noise_has_a_heavier_tail(learned):
    """The same statistic is less rare in noise whose spectrum, or size too, had to be learned."""
    (one,) = known_noise(1, 7, added=response(TIMES_MS, 9.0, 10.0))
    anywhere = [one.anywhere()]
    few = evidence_of(one.fit, n_independent=learned)
    assert few.pvalue(anywhere) > one.pvalue(anywhere)
