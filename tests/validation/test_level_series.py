"""What the joint choice over levels adds to single traces, and what it does to abnormal steps.

The level series of the validation scenarios: wave V comes 0.5 ms later and is a third smaller for
each 10 dB down from 7.6 ms and 160 nV, two replicates of 1500 sweeps of Q33 a level, two to four
levels with a response and two below without. Looked at are the two levels next to threshold. A
small version always runs; the full one takes about twenty minutes and prints what it finds:

    pytest -m long -s --no-cov tests/validation/test_level_series.py
"""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

from waveworks.dsp.peaks import suggest_marks, suggest_series
from waveworks.simulate.noise import simulate_average
from waveworks.simulate.response import response, true_v_ms

TIMES_MS = np.arange(300) / 12
WINDOW_MS = (6.5, 12.0)


@dataclass
class Levels:
    """Levels of many series, a value a level; single and joint side by side."""

    position: np.ndarray  # 0 is the level at threshold, 1 the one above it, -1 the one below
    ratio: np.ndarray
    marked: np.ndarray  # (n_levels, 2): single, joint
    off_ms: np.ndarray  # likewise, of the best candidate
    se_ms: np.ndarray  # of the joint mark

    def near(self, least, most):
        """The two levels next to threshold, between two ratios."""
        here = (self.position == 0) | (self.position == 1)
        return here & (self.ratio >= least) & (self.ratio < most)


def simulate(n_series, *, seed, step_ms=0.5, n_levels=(2, 3, 4)):
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(n_series):
        n = int(rng.choice(n_levels))
        truth = [(7.6 + step_ms * i, 160 * (2 / 3) ** i) for i in range(n)] + [(9.0, 0.0)] * 2
        alone, ratios = [], []
        for latency_ms, amplitude_nv in truth:
            pair = simulate_average("Q33", 1500, 2, seed=rng)
            pair += response(TIMES_MS, latency_ms, amplitude_nv)
            difference = pair[0] - pair[1]
            ratios.append(amplitude_nv / np.abs(difference - np.median(difference)).mean())
            alone.append(
                suggest_marks(
                    pair.mean(axis=0),
                    TIMES_MS,
                    math.nan,
                    WINDOW_MS,
                    replicates=pair,
                    bootstrap=False,
                )
            )
        together = suggest_series(alone, 60.0 - 10 * np.arange(n + 2), bootstrap=False)
        for i, (single, joint) in enumerate(zip(alone, together, strict=True)):
            v_ms = true_v_ms(truth[i][0])
            rows.append(
                (
                    n - 1 - i,
                    ratios[i],
                    (single.marked, joint.marked),
                    (single.others[0].v_ms - v_ms, joint.others[0].v_ms - v_ms),
                    joint.v_se_ms,
                )
            )
    return Levels(*(np.array(column) for column in zip(*rows, strict=True)))


def gain(single, joint):
    """Return the joint rate less the single one of the same levels, with a 95 % interval."""
    difference = joint.astype(float) - single
    half = 1.96 * difference.std(ddof=1) / math.sqrt(len(difference))
    return difference.mean(), difference.mean() - half, difference.mean() + half


def within(levels, here, near_ms):
    return tuple(near_ms >= np.abs(levels.off_ms[here]).T)


def told(levels):
    lines = []
    for least, most, near_ms in ((2, 3, 0.5), (3, 5, 0.3), (5, math.inf, 0.3)):
        here = levels.near(least, most)
        if here.sum() > 1:
            single, joint = within(levels, here, near_ms)
            marked = levels.marked[here].mean(axis=0)
            sure = here & levels.marked[:, 1]
            held = np.abs(levels.off_ms[sure, 1]) <= 1.96 * levels.se_ms[sure]
            lines.append(
                f"ratio {least} to {most} ({here.sum()}): marked {marked[0]:.3f}, {marked[1]:.3f}; "
                f"within {near_ms} ms {single.mean():.3f}, {joint.mean():.3f}; "
                f"95 % interval holds {held.mean():.3f}"
            )
    for position in (-1, -2):
        here = levels.position == position
        single, joint = levels.marked[here].mean(axis=0)
        lines.append(f"noise {-position} below ({here.sum()}): {single:.3f}, {joint:.3f}")
    return "\n  ".join(lines)


def assert_noise_kept(levels):
    noise = levels.marked[levels.position < 0, 1]
    assert stats.binomtest(int(noise.sum()), len(noise)).proportion_ci(0.95).low <= 0.05


def assert_steps_not_hidden(levels, most_lost):
    """Marks stay, and wave V is found nearly as often as by single traces."""
    for least, most, near_ms in ((3, 5, 0.3), (5, math.inf, 0.3)):
        here = levels.near(least, most)
        low = gain(*within(levels, here, near_ms))[2]
        assert low >= -most_lost, (least, most)
        assert gain(*levels.marked[here].T)[2] >= 0


def test_levels_next_to_threshold_gain_by_the_joint_choice():
    levels = simulate(45, seed=1201)
    for least, most, near_ms in ((2, 3, 0.5), (3, 5, 0.3)):
        here = levels.near(least, most)
        assert gain(*within(levels, here, near_ms))[2] >= 0.04
    assert gain(*levels.marked[levels.near(2, 3)].T)[2] >= 0.04
    assert_noise_kept(levels)


@pytest.mark.parametrize("step_ms", [0.0, 1.5])
def test_an_abnormal_step_is_not_hidden(step_ms):
    levels = simulate(20, seed=1202, step_ms=step_ms, n_levels=(2, 3))
    assert_steps_not_hidden(levels, most_lost=0.05)


@pytest.mark.long
def test_long_series():
    levels = simulate(1500, seed=2201)
    print(f"\nstep 0.5 ms (single, joint):\n  {told(levels)}")
    near = levels.near(2, 5)
    print(f"  marked, ratio 2 to 5: gain {gain(*levels.marked[near].T)}")
    for least, most, near_ms in ((2, 3, 0.5), (3, 5, 0.3)):
        here = levels.near(least, most)
        found = gain(*within(levels, here, near_ms))
        print(f"  within {near_ms} ms, ratio {least} to {most}: gain {found}")
        assert found[2] >= 0.04
    assert gain(*levels.marked[levels.near(2, 3)].T)[2] >= 0.04
    assert_noise_kept(levels)


@pytest.mark.long
@pytest.mark.parametrize("step_ms", [0.0, 1.5])
def test_long_abnormal_steps(step_ms):
    levels = simulate(600, seed=2202, step_ms=step_ms, n_levels=(2, 3))
    print(f"\nstep {step_ms} ms (single, joint):\n  {told(levels)}")
    assert_steps_not_hidden(levels, most_lost=0.05)
    assert_noise_kept(levels)
