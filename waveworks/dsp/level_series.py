"""One choice for a whole series of levels: as the level falls wave V comes later and is smaller.

A small probabilistic model. Under a level that is marked, wave V is most likely where a normal
step leads from there, and about three quarters as large for each 10 dB; or, with a small chance,
anywhere and of any size, so that strong evidence of an abnormal step is never overruled. Whether
a level is marked depends on its own trace and on the levels above it; where its mark lies also on
the marked levels below.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from waveworks.dsp._validate import finite_array
from waveworks.dsp.evidence import Evidence, Prior, log_likelihoods
from waveworks.dsp.judging import judge
from waveworks.dsp.marks import Marks
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]

STEP_MS_PER_10_DB = (0.1, 1.0)
"""Least and most that wave V is expected to come later for 10 dB less. Infants' tone bursts have
0.42 to 0.90 ms (computed from Almeida, Rodrigues and Lewis 2011); the margins are own choice."""

ABNORMAL = 0.1
"""Chance of a step that is not normal (own choice)."""

_SHRINKS = 0.75
"""Amplitude left after 10 dB (own choice; the validation scenarios have two thirds)."""

_AMPLITUDE_SPREAD = 0.5
"""SD of the expected amplitude as a share of it (own choice)."""

_LEAST = 1e-3
"""Latencies less likely than this are left to the abnormal steps."""

_WIDE, _WIDE_SHARE = 4.0, 0.5
"""The tails of the steps: a share of them has an SD so many times as large, so that a clear wave V
after an unusual step is not drawn towards a usual one (own choice)."""

_LEAST_STEP_DB = 2.5
"""Two traces of one level still differ in latency."""


def suggest_series(
    candidates: Sequence[Marks],
    levels_db_nhl: ArrayLike,
    *,
    step_ms_per_10_db: tuple[float, float] = STEP_MS_PER_10_DB,
    bootstrap: bool = True,
) -> tuple[Marks, ...]:
    """Choose the marks of a series of levels together.

    Parameters
    ----------
    candidates : sequence of Marks
        What `suggest_marks` found at each level, in any order; its evidence is used.
    levels_db_nhl : array_like, shape (n_levels,)
        Level of each in dB nHL.
    step_ms_per_10_db : tuple of float
        Least and most that wave V is expected to come later for 10 dB less, in ms.
    bootstrap : bool
        Take standard errors from a block bootstrap where there are blocks enough.

    Returns
    -------
    tuple of Marks
        In the order given. A level without evidence comes back as it was. Under a level without
        a mark, the next higher one that has one counts.

    Raises
    ------
    DataError
        If the numbers of candidates and levels differ, a level is not finite, or the step is
        impossible.
    """
    levels = finite_array(levels_db_nhl, name="levels_db_nhl", ndim=1)
    if len(levels) != len(candidates):
        raise DataError(f"{len(candidates)} candidates given, levels_db_nhl has {len(levels)}")
    least, most = step_ms_per_10_db
    if not (math.isfinite(least) and math.isfinite(most) and least < most):
        raise DataError(f"step_ms_per_10_db is {step_ms_per_10_db}; it must be two rising numbers")
    downwards = sorted(range(len(levels)), key=lambda i: -levels[i])
    chosen = list(candidates)
    links: dict[int, _Link] = {}
    above: int | None = None  # the next higher level with a mark
    for level in downwards:
        evidence = candidates[level].evidence
        if evidence is None:
            continue
        if above is not None:
            upper = chosen[above]
            assert upper.evidence is not None
            here = (
                links[above].log_place(upper.evidence) if above in links else _alone(upper.evidence)
            )
            step_db = float(levels[above] - levels[level])
            links[level] = _Link.between(upper, here, evidence, step_db, step_ms_per_10_db)
            chosen[level] = judge(evidence, links[level].priors, bootstrap=bootstrap)
        if chosen[level].marked:
            above = level
    marked = [i for i in downwards if chosen[i].marked and chosen[i].evidence is not None]
    return _smoothed(chosen, marked, links, bootstrap)


@dataclass(frozen=True, eq=False)
class _Link:
    """What a marked level leads one to expect of the level below it.

    Parameters
    ----------
    priors : list of Prior
        A normal step, and any other.
    log_steps : ndarray, shape (n_latencies above, n_latencies)
        Log probability of each normal step.
    """

    priors: list[Prior]
    log_steps: FloatArray

    @classmethod
    def between(
        cls,
        upper: Marks,
        upper_place: FloatArray,
        evidence: Evidence,
        step_db: float,
        step_ms_per_10_db: tuple[float, float],
    ) -> "_Link":
        assert upper.evidence is not None
        log_steps = _log_steps(upper.evidence.v_ms, evidence.v_ms, step_db, step_ms_per_10_db)
        anywhere = evidence.anywhere()
        log_v = special.logsumexp(upper_place[:, np.newaxis] + log_steps, axis=0)
        log_v = np.where(np.isfinite(anywhere.log_v) & (log_v > math.log(_LEAST)), log_v, -np.inf)
        expected_nv = upper.v_sn10_corrected_nv * _SHRINKS ** (step_db / 10)
        other = replace(anywhere, log_weight=math.log(ABNORMAL))
        if not np.isfinite(log_v).any():
            return cls([anywhere], log_steps)
        normal = Prior(
            log_v - special.logsumexp(log_v),
            math.log1p(-ABNORMAL),
            expected_nv,
            expected_nv * _AMPLITUDE_SPREAD,
        )
        return cls([normal, other], log_steps)

    def log_place(self, evidence: Evidence) -> FloatArray:
        """Return the log probability of each latency, levels above and own trace together."""
        return _log_place(evidence, self.priors)


def _alone(evidence: Evidence) -> FloatArray:
    return _log_place(evidence, [evidence.anywhere()])


def _log_place(evidence: Evidence, priors: Sequence[Prior]) -> FloatArray:
    joint = log_likelihoods(evidence.fit.z[0], evidence.fit.se_nv[0], priors)
    return np.asarray(special.logsumexp(joint, axis=0) - special.logsumexp(joint))


def _log_steps(
    above_ms: FloatArray, below_ms: FloatArray, step_db: float, per_10_db: tuple[float, float]
) -> FloatArray:
    """Return the log probability of each latency below for each latency above."""
    least, most = per_10_db
    middle_ms = 0.5 * (least + most) * step_db / 10
    sd_ms = 0.25 * (most - least) * math.sqrt(max(step_db, _LEAST_STEP_DB) / 10)
    off = (below_ms - above_ms[:, np.newaxis] - middle_ms) / sd_ms
    log_steps = np.logaddexp(
        math.log1p(-_WIDE_SHARE) - 0.5 * off**2,
        math.log(_WIDE_SHARE / _WIDE) - 0.5 * (off / _WIDE) ** 2,
    )
    return np.asarray(log_steps - special.logsumexp(log_steps, axis=1, keepdims=True))


def _smoothed(
    chosen: Sequence[Marks], marked: Sequence[int], links: dict[int, _Link], bootstrap: bool
) -> tuple[Marks, ...]:
    """Let the marked levels below a mark move it too; whether it is marked they do not decide."""
    result = list(chosen)
    after: FloatArray | None = None
    for level, below in zip(marked[-2::-1], marked[::-1], strict=False):
        after = _from_below(chosen[below], links[below], after)
        evidence = chosen[level].evidence
        assert evidence is not None
        priors = links[level].priors if level in links else [evidence.anywhere()]
        moved = judge(evidence, priors, after, bootstrap=bootstrap)
        if moved.marked:
            result[level] = moved
    return tuple(result)


def _from_below(lower: Marks, link: _Link, after: FloatArray | None) -> FloatArray:
    """Return the log of what a level adds to each latency of the level above it."""
    evidence = lower.evidence
    assert evidence is not None
    z, se_nv = evidence.fit.z[0], evidence.fit.se_nv[0]
    added = np.zeros(len(evidence.v_ms)) if after is None else after
    *normal, other = link.priors
    here = special.logsumexp(log_likelihoods(z, se_nv, [other]), axis=0) + added
    anywhere = np.full(len(link.log_steps), special.logsumexp(here))
    if not normal:
        return anywhere
    # The steps take the place of the latencies that they lead to, among those that can be.
    flat = replace(normal[0], log_v=np.where(np.isfinite(other.log_v), 0.0, -np.inf))
    there = special.logsumexp(log_likelihoods(z, se_nv, [flat]), axis=0) + added
    by_step = special.logsumexp(link.log_steps + there, axis=1)
    return np.asarray(np.logaddexp(by_step, anywhere))
