"""When a trace gets no mark: each reason by a trace that has it."""

import math
from dataclasses import replace

import numpy as np
import pytest

from waveworks.dsp.judging import judge, looks_inverted
from waveworks.dsp.peaks import suggest_marks
from waveworks.simulate.noise import simulate_average
from waveworks.simulate.response import response

TIMES_MS = np.arange(300) / 12
WINDOW_MS = (6.5, 12.0)


@pytest.fixture(scope="module")
def evidence():
    pair = simulate_average("Q33", 1500, 2, seed=1) + response(TIMES_MS, 9.0, 120.0)
    marks = suggest_marks(pair.mean(axis=0), TIMES_MS, math.nan, WINDOW_MS, replicates=pair)
    assert marks.marked
    return marks.evidence


def judged(evidence, **change):
    changed = replace(evidence, **change)
    return judge(changed, [changed.anywhere()], bootstrap=False)


def replicates(evidence, *heights):
    """Replicates that hold the given share of the fitted shapes' z."""
    return np.array([height * evidence.fit.z[0] for height in heights])


def test_both_replicates_support_it(evidence):
    assert judged(evidence, replicates_z=replicates(evidence, 1.0, 1.0)).marked
    # Chance makes replicates differ: z about 8, one standard error of theirs is 1 here.
    assert judged(evidence, replicates_z=replicates(evidence, 1.2, 0.8)).marked


def test_a_replicate_with_much_too_little_is_named(evidence):
    found = judged(evidence, replicates_z=replicates(evidence, 2.0, 0.0))
    assert not found.marked
    assert found.note.startswith("replicate 2 holds 0 nV there and all together ")
    assert judged(evidence, replicates_z=replicates(evidence, -0.1, 2.1)).note.startswith(
        "replicate 1 holds -"
    )


def with_z(evidence, z):
    """The same evidence, its largest z as given."""
    fit = evidence.fit
    return replace(evidence, fit=replace(fit, z=fit.z * (z / fit.z.max())))


@pytest.mark.parametrize(
    ("z", "share", "marked"),
    [
        (8.0, 0.6, True),  # 3.2 standard errors too little, but more than half
        (8.0, 0.45, False),  # 4.4, and less than half
        (4.5, 0.45, True),  # less than half, but 2.5 only: chance
    ],
)
def test_support_fails_by_less_than_half_and_beyond_chance_together(evidence, z, share, marked):
    one = with_z(evidence, z)
    assert judged(one, replicates_z=replicates(one, share, 2 - share)).marked is marked


@pytest.mark.parametrize(("n", "marked"), [(2, False), (5, True)])
def test_with_more_replicates_each_may_differ_more(evidence, n, marked):
    """0.45 of z 8 is 4.4 errors of the mean too little: of a replicate of five 2.2."""
    one = with_z(evidence, 8.0)
    rest = (n - 0.45) / (n - 1)
    assert judged(one, replicates_z=replicates(one, 0.45, *[rest] * (n - 1))).marked is marked


def test_inverted_is_silence(evidence):
    assert "polarity" in judged(evidence, inverted=True).note


def test_the_rate_of_noise_decides(evidence):
    p = judged(evidence).pvalue
    assert judged(evidence, noise_rate=p).marked
    assert not judged(evidence, noise_rate=0.99 * p).marked
    assert not judged(evidence, noise_rate=p / 2).marked
    assert "of draws" in judged(evidence, noise_rate=p / 2).note


def test_upside_down_more_like_a_response_than_upright_and_than_noise(evidence):
    """All three at once, or the polarity is not in question."""
    upright, none = with_z(evidence, 3.0), with_z(evidence, 0.1)
    other = with_z(evidence, 6.0)
    assert looks_inverted(upright, other)
    assert not looks_inverted(other, upright)
    assert not looks_inverted(upright, replace(other, noise_rate=1e-6))
    # Both speak for noise: neither is a response, however high the rate.
    flat = with_z(evidence, 1e-6)
    assert none.statistic([none.anywhere()]) > flat.statistic([flat.anywhere()])
    assert not looks_inverted(flat, replace(none, noise_rate=0.999))


@pytest.mark.parametrize(
    ("excess", "told"),
    [(1.0, ""), (3.9, ""), (4.1, "leaves 4.1 times"), (99.0, "leaves 99 times")],
)
def test_much_more_than_noise_is_told_beside_the_mark(evidence, excess, told):
    fit = replace(evidence.fit, excess=np.array([excess]))
    found = judged(evidence, fit=fit)
    assert found.marked
    assert ("muscle response" in found.note) is bool(told)
    assert told in found.note


def test_noise_that_is_next_to_nothing_is_not_believed(evidence):
    fit = replace(evidence.fit, excess=np.array([101.0]))
    found = judged(evidence, fit=fit)
    assert not found.marked
    assert "the noise cannot be so small" in found.note
