"""Is there a wave V at all? Silence is always a choice, and noise decides how strong it is."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.choosing import marks_at_best, silent
from waveworks.dsp.evidence import Evidence, Prior
from waveworks.dsp.marks import Marks

FloatArray = NDArray[np.float64]

_TOO_LITTLE = 2.6
"""A replicate that holds less than half of the amplitude, and by this many standard errors too
little, does not support it: 1 in 200 that hold a response are taken for such."""

_MUCH = 4.0
"""Power left over that of the noise from which the trace is said to hold more (own choice)."""

_TOO_MUCH = 100.0
"""Beyond this the noise-only traces are not believed. Copies of one trace of which one has digits
of 10 nV leave 190 times their power and more, 1600 nV in noise of 15 nV at most 3 times, real
averages of the eye at most 7 times (own simulation; PERG-IOBA)."""


def judge(
    evidence: Evidence, priors: Sequence[Prior], after: FloatArray | None = None, *, bootstrap: bool
) -> Marks:
    """Return marks, or silence with its reason.

    Parameters
    ----------
    evidence : Evidence
        Of one trace.
    priors : sequence of Prior
        The ways in which wave V may be there.
    after : ndarray, shape (n_latencies,), optional
        Log of what other levels add to each latency. It moves the mark; whether there is one, the
        trace decides.
    bootstrap : bool
        Take standard errors from a block bootstrap where there are blocks enough.

    Returns
    -------
    Marks
    """
    added = np.zeros(len(evidence.v_ms)) if after is None else after
    marks = marks_at_best(evidence, priors, added, bootstrap=bootstrap)
    pvalue = evidence.pvalue(priors)
    marks = replace(marks, pvalue=pvalue)
    reason = ""
    if evidence.inverted:
        reason = (
            "upside down the trace looks more like a response: check its polarity, and whether a "
            "large wave lies outside the part where wave V is looked for"
        )
    elif pvalue > evidence.noise_rate:
        reason = f"noise alone looks as much like a response in {pvalue:.2g} of draws"
    elif marks.note:
        reason = marks.note
    else:
        reason = _unsupported(evidence, marks)
    excess = float(evidence.fit.excess[0])
    if excess > _TOO_MUCH:
        reason = (
            f"the best shape leaves over {_TOO_MUCH:g} times the power of the noise in the trace: "
            "the noise cannot be so small (one trace exported twice?)"
        )
    elif excess > _MUCH:
        more = (
            f"the best shape leaves {excess:.3g} times the power of the noise in the trace: "
            "a muscle response or an artefact?"
        )
        marks = replace(marks, note=more)
        reason = f"{reason}; {more}" if reason else ""
    return silent(marks, reason) if reason else marks


def looks_inverted(evidence: Evidence, upside_down: Evidence) -> bool:
    """Say whether a trace looks more like a response upside down, and more than noise does.

    Parameters
    ----------
    evidence, upside_down : Evidence
        Of the trace, and of the trace upside down.

    Returns
    -------
    bool
    """
    ways = [[one.anywhere()] for one in (evidence, upside_down)]
    upright, other = (
        one.statistic(way) for one, way in zip((evidence, upside_down), ways, strict=True)
    )
    # A ratio below 1 speaks for noise.
    return other > max(upright, 0.0) and upside_down.pvalue(ways[1]) <= upside_down.noise_rate


def _unsupported(evidence: Evidence, marks: Marks) -> str:
    """Compare the replicates at the best shape near the mark."""
    n = len(evidence.replicates_z)
    if n < 2:
        return ""
    z = evidence.fit.z[0]
    latency = int(np.abs(evidence.v_ms - marks.v_ms).argmin())
    shape = int(z[:, latency].argmax())
    together = z[shape, latency]
    for number, own in enumerate(evidence.replicates_z[:, shape, latency], start=1):
        # In units of the error of the mean of n, a replicate less that mean has variance n - 1.
        if own < together / 2 and (together - own) / math.sqrt(n - 1) > _TOO_LITTLE:
            se_nv = evidence.fit.se_nv[0, shape, latency]
            return (
                f"replicate {number} holds {own * se_nv:.3g} nV there and all together "
                f"{together * se_nv:.3g} nV"
            )
    return ""
