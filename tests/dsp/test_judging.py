"""When a trace gets no mark: each reason by a trace that has it."""

import math
from dataclasses import replace

import numpy as np
import pytest

from waveworks.dsp.judging import judge
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


def test_with_more_replicates_each_may_differ_more(evidence):
    """A replicate of five has sqrt(5) times the error of their mean: less than half is chance."""
    z = evidence.fit.z[0].max()
    share = 1 - 1.5 * 2 / z  # 1.5 of its standard errors below the mean
    others = (5 - share) / 4
    assert judged(evidence, replicates_z=replicates(evidence, share, *[others] * 4)).marked


def test_inverted_is_silence(evidence):
    assert "polarity" in judged(evidence, inverted=True).note


def test_the_rate_of_noise_decides(evidence):
    p = judged(evidence).pvalue
    assert not judged(evidence, noise_rate=p / 2).marked
    assert "of draws" in judged(evidence, noise_rate=p / 2).note


@pytest.mark.parametrize(("excess", "told"), [(1.0, False), (3.9, False), (4.1, True)])
def test_much_more_than_noise_is_told_beside_the_mark(evidence, excess, told):
    fit = replace(evidence.fit, excess=np.array([excess]))
    found = judged(evidence, fit=fit)
    assert found.marked
    assert ("muscle response" in found.note) is told
