"""From likelihoods to places: where wave V and SN10 can be, and how large they would be."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate

from waveworks.dsp.evidence import Evidence, Prior, log_likelihoods
from waveworks.dsp.shape_fit import shape_fit

FloatArray = NDArray[np.float64]

_STEPS_PER_WIDTH = 30


@dataclass(frozen=True, eq=False)
class Placed:
    """Where wave V can be, shape by shape.

    Parameters
    ----------
    v_ms : ndarray, shape (n_fine,)
        Latencies, finer than those of the fit, in ms.
    sn10_ms : ndarray, shape (n_shapes, n_fine)
        Latency of SN10 that goes with each, in ms.
    share : ndarray, shape (..., n_shapes, n_fine)
        Probability of each if there is a response.
    amplitude_nv, se_nv : ndarray, shape (..., n_shapes, n_fine)
        Fitted amplitude and its standard error in nV.
    """

    v_ms: FloatArray
    sn10_ms: FloatArray
    share: FloatArray
    amplitude_nv: FloatArray
    se_nv: FloatArray

    def mean(self, values: FloatArray, part: slice) -> FloatArray:
        """Return the mean of values over a part of the latencies.

        Parameters
        ----------
        values : ndarray
            Of each shape and latency, in a shape that broadcasts with `share`.
        part : slice
            Of the latencies.

        Returns
        -------
        ndarray, shape of `share` without the last two axes
        """
        share = self.share[..., part]
        total = (share * values[..., part]).sum(axis=(-2, -1))
        return np.asarray(total / np.maximum(share.sum(axis=(-2, -1)), np.finfo(float).tiny))


def place(
    evidence: Evidence, priors: Sequence[Prior], after: FloatArray, z: FloatArray | None = None
) -> Placed:
    """Say where wave V can be.

    Parameters
    ----------
    evidence : Evidence
        Of one trace.
    priors : sequence of Prior
        The ways in which it may be there.
    after : ndarray, shape (n_latencies,)
        Log of what other levels add to each latency.
    z : ndarray, shape (n_traces, n_shapes, n_latencies), optional
        Of other traces with the same noise, placed by the lags of the bank alone; by default the
        trace's own, placed between them too.

    Returns
    -------
    Placed
    """
    fit = shape_fit(evidence.plan)
    first, last = (float(np.clip(x, fit.v_ms[0], fit.v_ms[-1])) for x in evidence.expected_ms)
    width = evidence.plan.shape.v_width_ms
    n_fine = max(2, math.ceil((last - first) / width * _STEPS_PER_WIDTH) + 1)
    fine = np.linspace(first, last, n_fine)
    sn10_after_ms, se_nv = fit.bank.sn10_after_ms, evidence.fit.se_nv[0]
    if z is None:
        z = fit.bank.between_lags(evidence.fit.z[0], -2)
        se_nv = fit.bank.between_lags(se_nv, -2)
        sn10_after_ms = fit.bank.between_lags(sn10_after_ms, -1)
    z_fine = interpolate.CubicSpline(fit.v_ms, z, axis=-1)(fine)
    se_fine = interpolate.CubicSpline(fit.v_ms, se_nv, axis=-1)(fine)
    finer = [replace(prior, log_v=_log_between(fine, fit.v_ms, prior.log_v)) for prior in priors]
    log_share = log_likelihoods(z_fine, se_fine, finer) + np.interp(fine, fit.v_ms, after)
    share = np.exp(log_share - log_share.max(axis=(-2, -1), keepdims=True))
    return Placed(
        v_ms=fine,
        sn10_ms=fine + sn10_after_ms[:, np.newaxis],
        share=share / share.sum(axis=(-2, -1), keepdims=True),
        amplitude_nv=z_fine * se_fine,
        se_nv=se_fine,
    )


def _log_between(fine: FloatArray, coarse: FloatArray, log_v: FloatArray) -> FloatArray:
    least = math.log(np.finfo(float).tiny)
    logs = np.interp(fine, coarse, np.maximum(log_v, least))
    return np.asarray(np.where(logs > 0.5 * least, logs, -np.inf))


@dataclass(frozen=True)
class Hill:
    """A maximum of the likelihood over latency, from valley to valley.

    Parameters
    ----------
    part : slice
        Of the latencies.
    share : float
        Of the likelihood.
    at_edge : bool
        Its top is the first or the last latency.
    """

    part: slice
    share: float
    at_edge: bool


def hills(placed: Placed) -> list[Hill]:
    """Return the maxima of the likelihood, the largest share first.

    Parameters
    ----------
    placed : Placed
        Of one trace.

    Returns
    -------
    list of Hill
    """
    over_shapes = placed.share.sum(axis=0)
    rising = np.diff(over_shapes) > 0
    valleys = np.flatnonzero(~rising[:-1] & rising[1:]) + 1
    bounds = [0, *valleys.tolist(), len(over_shapes)]
    found = []
    for start, stop in itertools.pairwise(bounds):
        top = start + int(over_shapes[start:stop].argmax())
        at_edge = top in (0, len(over_shapes) - 1)
        found.append(Hill(slice(start, stop), float(over_shapes[start:stop].sum()), at_edge))
    return sorted(found, key=lambda hill: -hill.share)
