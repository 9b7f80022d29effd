"""Marks on the likeliest place, and its runners-up."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.evidence import Evidence, Prior
from waveworks.dsp.mark_errors import errors_from_blocks, errors_from_curvature
from waveworks.dsp.marks import Candidate, Marks
from waveworks.dsp.placing import Hill, Placed, hills, place

FloatArray = NDArray[np.float64]

FEWEST_BLOCKS = 10
"""Noise-only traces from which a block bootstrap is made; fewer give errors from curvature."""

_LEAST_SHARE = 1e-3


def marks_at_best(
    evidence: Evidence, priors: Sequence[Prior], after: FloatArray, *, bootstrap: bool
) -> Marks:
    """Return marks on the best candidate, whether or not there is a response.

    Parameters
    ----------
    evidence : Evidence
        Of one trace.
    priors : sequence of Prior
        The ways in which it may be there.
    after : ndarray, shape (n_latencies,)
        Log of what other levels add to each latency.
    bootstrap : bool
        Take standard errors from a block bootstrap where there are blocks enough.

    Returns
    -------
    Marks
        With all numbers but the p value; `note` says so if the best lies at the edge of where
        wave V can be.
    """
    placed = place(evidence, priors, after)
    found = hills(placed)
    best = found[0]
    here = best.part
    v_ms = float(placed.mean(placed.v_ms, here))
    sn10_ms = float(placed.mean(placed.sn10_ms, here))
    fitted = float(placed.mean(placed.amplitude_nv, here))
    errors = errors_from_curvature(evidence, placed, here, v_ms, sn10_ms, fitted)
    if bootstrap and len(evidence.deviations) >= FEWEST_BLOCKS:
        errors = errors.at_least(errors_from_blocks(evidence, priors, after, here))
    elsewhere = placed.share.copy()
    elsewhere[:, here] = 0
    # The chance that another candidate is right is part of the error.
    v_elsewhere = float(np.sum(elsewhere * (placed.v_ms - v_ms) ** 2))
    sn10_elsewhere = float(np.sum(elsewhere * (placed.sn10_ms - sn10_ms) ** 2))
    rounding = float(placed.v_ms[1] - placed.v_ms[0]) ** 2 / 12
    v_se_ms = math.sqrt(errors.v_ms**2 + v_elsewhere + rounding)
    sn10_se_ms = math.sqrt(errors.sn10_ms**2 + sn10_elsewhere + rounding)
    near = np.abs(placed.v_ms - v_ms) <= 0.5 * evidence.plan.shape.v_width_ms
    return Marks(
        v_ms=v_ms,
        v_se_ms=v_se_ms,
        sn10_ms=sn10_ms,
        sn10_se_ms=sn10_se_ms,
        v_sn10_nv=float(-np.diff(np.interp([v_ms, sn10_ms], *evidence.as_given))[0]),
        v_sn10_se_nv=errors.v_sn10_nv,
        v_sn10_corrected_nv=fitted,
        v_sn10_corrected_se_nv=errors.corrected_nv,
        confidence=float(placed.share[:, near].sum()) * evidence.chance(priors),
        method=evidence.origin + f"; errors from {errors.source}",
        others=_candidates(placed, found),
        note="the likelihood still rises at the edge of where wave V can be"
        if best.at_edge
        else "",
        evidence=evidence,
    )


def _candidates(placed: Placed, found: Sequence[Hill]) -> tuple[Candidate, ...]:
    best = found[0].share
    return tuple(
        Candidate(
            v_ms=float(placed.mean(placed.v_ms, hill.part)),
            sn10_ms=float(placed.mean(placed.sn10_ms, hill.part)),
            v_sn10_nv=float(placed.mean(placed.amplitude_nv, hill.part)),
            lost=""
            if hill is found[0]
            else f"{hill.share / best:.2g} times as likely as the best one",
            share=hill.share,
        )
        for hill in found
        if hill.share >= _LEAST_SHARE
    )


def silent(marks: Marks, reason: str) -> Marks:
    """Return marks without a mark.

    Parameters
    ----------
    marks : Marks
        On the best candidate.
    reason : str
        Why it is not marked.

    Returns
    -------
    Marks
        Its candidates, p value and evidence only.
    """
    others = marks.others
    if others:
        others = (replace(others[0], lost=reason), *others[1:])
    return Marks(
        pvalue=marks.pvalue,
        method=marks.method,
        others=others,
        note=reason,
        evidence=marks.evidence,
    )
