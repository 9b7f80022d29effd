"""Independent stages of a recording, each with its own p, combined while they come in.

The idea is that of the convolutional group sequential test (Chesnaye et al. 2019, Int J Audiol;
2020, IEEE Trans Biomed Eng 67:697-705), of which only the abstracts were read: the recording is
cut into independent stages; after each one, the null density of the summary statistic loses its
part beyond the limit, and what is left is convolved with the density of the next stage, which
gives the next limit. Unlike a cumulated statistic it needs no normal distribution, only valid p.

Our own choices: the summary is Fisher's, S = the sum over stages of -2 log p, each term
exponential with mean 2 under the null (chi-square, 2 df); no stopping for futility; the overall p
orders results by the stage at which they stopped. No grid is needed: the density of S after k
stages is exp(-s / 2) / 2^k times a piecewise polynomial, whose convolution with one more stage is
its integral. So the limits are exact to rounding.

S never falls. With a strict limit early and a loose one later, S can lie above the later limit
before that stage is recorded; the rate holds, and the later stage then decides nothing.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import interpolate, optimize, stats

from waveworks.dsp._validate import FloatArray, finite_array, whole_number
from waveworks.errors import DataError

MOST_STAGES = 20


@dataclass(frozen=True, eq=False)
class StagewiseTest:
    """The outcome of the stages so far.

    Parameters
    ----------
    statistic : ndarray, shape (n_stages,)
        Sum of -2 log p after each stage that was given, later ones than the stop among them.
    stopped_at : int or None
        The first stage, from 1, whose statistic reached its limit; None if none did.
    pvalue : float
        Probability, without a response, of stopping before this stage, or at it with as large a
        statistic. Where a stage stopped it is at most the overall alpha, else above. Without a
        stop it exists only once the last planned stage is in, and is NaN before.
    """

    statistic: FloatArray
    stopped_at: int | None
    pvalue: float


def stagewise_limits(stage_alpha: ArrayLike) -> FloatArray:
    """Return the limits of Fisher's sum after each of a few independent stages.

    Parameters
    ----------
    stage_alpha : array_like, shape (n_stages,)
        What each stage spends of the overall alpha: the probability, without a response, that it
        is the first to reach its limit. Positive, with a sum below 1; at most 20 stages.

    Returns
    -------
    ndarray, shape (n_stages,)
        Limits of the sum of -2 log p; reaching one is crossing it.

    Raises
    ------
    DataError
        If an amount is not positive, the sum is not below 1 or there are too many.

    References
    ----------
    See the module's text for what is Chesnaye et al.'s and what is our own.
    """
    amounts = _stages(stage_alpha, "stage_alpha")
    if not (amounts > 0).all() or amounts.sum() >= 1:
        raise DataError(
            f"stage_alpha is {amounts.tolist()}; each must be positive, and their sum below 1"
        )
    limits = np.zeros(amounts.size)
    null = FIRST
    for k, amount in enumerate(amounts):
        if k > 0:
            null = null.after(limits[k - 1])
        limits[k] = null.limit_that_spends(float(amount))
    return limits


def stagewise_test(pvalues: ArrayLike, limits: ArrayLike) -> StagewiseTest:
    """Combine the stages so far and hold each sum against its limit.

    Parameters
    ----------
    pvalues : array_like, shape (n_stages,)
        One a stage so far, above 0 and at most 1, independent of each other and valid: without a
        response each is at most u with a probability of at most u.
    limits : array_like, shape (n_planned,)
        Of all planned stages, from `stagewise_limits`.

    Returns
    -------
    StagewiseTest

    Raises
    ------
    DataError
        If a p or a limit is not as described, or more stages are given than were planned.
    """
    bounds = _stages(limits, "limits")
    if not (bounds > 0).all():
        raise DataError(f"limits are {bounds.tolist()}; each must be positive")
    p = _stages(pvalues, "pvalues")
    if not ((p > 0) & (p <= 1)).all():
        raise DataError(f"pvalues are {p.tolist()}; each must be above 0 and at most 1")
    if p.size > bounds.size:
        raise DataError(f"pvalues: {p.size} stages given, {bounds.size} planned")

    statistic = np.cumsum(-2 * np.log(p))
    statistic.setflags(write=False)
    crossed = statistic >= bounds[: p.size]
    stopped_at = int(np.argmax(crossed)) + 1 if crossed.any() else None
    if stopped_at is None and p.size < bounds.size:
        return StagewiseTest(statistic, None, math.nan)
    last = p.size if stopped_at is None else stopped_at
    null, spent = FIRST, 0.0
    for limit in bounds[: last - 1]:
        spent += null.tail(limit)
        null = null.after(limit)
    return StagewiseTest(statistic, stopped_at, spent + null.tail(statistic[last - 1]))


@dataclass(frozen=True, eq=False)
class _Null:
    """The sum after a stage, of those that reached no earlier limit, without a response.

    Its density is exp(-s / 2) / 2^stage * shape(s).
    """

    stage: int
    shape: interpolate.PPoly
    before: "_Null | None" = None
    limit_before: float = math.nan
    spent_before: float = math.nan

    def after(self, limit: float) -> "_Null":
        """Return the null one stage later, of those that stayed below the limit."""
        inside = self.shape.x[:-1] < limit
        edges = np.append(self.shape.x[:-1][inside], limit)
        shape = interpolate.PPoly(self.shape.c[:, inside], edges).antiderivative()
        shape.extend(np.array([[shape(limit)]]), [limit + 1])  # constant there and beyond
        return _Null(self.stage + 1, shape, self, limit, self.tail(limit))

    def tail(self, s: float) -> float:
        """Return the probability that no earlier limit was reached and the sum is at least s.

        Either the sum before was below s, and below its limit, and the last term lifted it; or
        it was between s and that limit already.
        """
        lifted = float(math.exp(-s / 2) * self.shape(s)) * 2.0 ** (1 - self.stage)
        if self.before is None or s >= self.limit_before:
            return lifted
        return lifted + self.before.tail(s) - self.spent_before

    def limit_that_spends(self, amount: float) -> float:
        """Return the limit that is reached with this probability."""

        def excess(s: float) -> float:
            return self.tail(s) - amount

        highest = stats.chi2.isf(amount, 2 * self.stage) + 1e-6  # the limit, were all still here
        return float(optimize.brentq(excess, 0.0, highest))


FIRST = _Null(1, interpolate.PPoly(np.ones((1, 1)), [0.0, 1.0]))
"""One exponential term with mean 2."""


def _stages(values: ArrayLike, name: str) -> FloatArray:
    """Return a finite value for each of a few stages."""
    array = finite_array(values, name=name, ndim=1)
    whole_number(array.size, name=f"number of {name}", least=1, most=MOST_STAGES)
    return array
