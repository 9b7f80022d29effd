"""What one trace says about wave V, and what was thought before: together, where it is.

Before the trace is seen, wave V may be in several ways: anywhere in its window, or where the level
above leads one to expect it. Each way is a `Prior`. The statistic is the likelihood of a response
in any of these ways over that of none, and its null distribution comes from noise that was fitted
in the same way.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from waveworks.dsp.fit_plan import Fit, FitPlan
from waveworks.dsp.noise_spectra import GRID
from waveworks.dsp.shape_fit import log_evidence, shape_fit

FloatArray = NDArray[np.float64]

N_DRAWS = 1000
"""Of noise under each spectrum. They fix a rate of 5 % to within 0.7 % (standard error)."""

_SEED = 20310
_CLASSES = (8, 4, 2, 1)
_TOO_SURE = 1.0
"""By how much the log likelihood ratio is too large near the threshold where the size of the noise
is learned from few noise-only traces (own simulation)."""

DECIDES = 0.1
"""Spectra of less weight have no say in a p value: their draws would cost more than they add."""

_BEYOND_DRAWS = 25.0
"""Where no draw needs to be made: noise that is known reaches a likelihood ratio of c with a chance
of 1 / c at most (Markov's inequality), and among 30 000 draws of noise learned from one trace the
largest was 16."""

BY_SIZE = 0
"""Noise-only traces of noise of which only the size is known."""

KNOWN = 1_000_000
"""So many that the noise counts as known."""


@dataclass(frozen=True, eq=False)
class Prior:
    """One way in which wave V may be there.

    Parameters
    ----------
    log_v : ndarray, shape (n_latencies,)
        Log probability of each latency; minus infinity where it cannot be.
    log_weight : float
        Log probability of this way.
    expected_nv, spread_nv : float
        Mean and SD of the amplitude in nV; NaN for an amplitude of any size.
    """

    log_v: FloatArray
    log_weight: float = 0.0
    expected_nv: float = math.nan
    spread_nv: float = math.nan


@dataclass(frozen=True, eq=False)
class Evidence:
    """What one trace says about wave V.

    Parameters
    ----------
    plan : FitPlan
        Of the fit.
    fit : Fit
        Of this trace alone.
    n_independent : int
        Noise-only traces that the noise was learned from; `BY_SIZE` if only its size is
        known.
    trace : ndarray, shape (n_samples,)
        The trace in nV, as it was fitted.
    as_given : tuple of ndarray
        Times in ms and values in nV of the trace before it was thinned, which amplitudes are read
        off.
    deviations : ndarray, shape (n_noise, n_samples)
        Noise-only traces at its scale; none where the noise was stated.
    replicates_z : ndarray, shape (n_replicates, n_shapes, n_latencies)
        z of the replicates in units of the trace's own error; none without replicates.
    expected_ms : tuple of float
        Latencies that can be, in ms.
    noise_rate : float
        Share of noise-only traces that may get a mark.
    origin : str
        What the noise rests on, in words.
    inverted : bool
        The trace looks more like a response upside down.
    """

    plan: FitPlan
    fit: Fit
    n_independent: int
    trace: FloatArray
    as_given: tuple[FloatArray, FloatArray]
    deviations: FloatArray
    replicates_z: FloatArray
    expected_ms: tuple[float, float]
    noise_rate: float
    origin: str
    inverted: bool = False

    @property
    def v_ms(self) -> FloatArray:
        """Latencies of the fit, in ms."""
        return shape_fit(self.plan).v_ms

    def anywhere(self) -> Prior:
        """Return the prior of one trace alone: any latency that can be, any amplitude."""
        first, last = self.expected_ms
        slack = 1e-6 * self.plan.step_ms
        can_be = (self.v_ms >= first - slack) & (self.v_ms <= last + slack)
        return _flat(can_be)

    def statistic(self, priors: Sequence[Prior]) -> float:
        """Return the log likelihood ratio of a response to none.

        Parameters
        ----------
        priors : sequence of Prior
            The ways in which it may be there.

        Returns
        -------
        float
        """
        joint = log_likelihoods(self.fit.z[0], self.fit.se_nv[0], priors)
        return float(np.logaddexp.reduce(joint, axis=None))

    def chance(self, priors: Sequence[Prior]) -> float:
        """Return the chance of a response, if it was as likely as none before looking.

        Parameters
        ----------
        priors : sequence of Prior
            The ways in which it may be there.

        Returns
        -------
        float
            From 0 to 1.
        """
        few = 0 < self.n_independent <= _CLASSES[0]
        return float(special.expit(self.statistic(priors) - (_TOO_SURE if few else 0.0)))

    def pvalue(self, priors: Sequence[Prior]) -> float:
        """Return the share of noise alone that looks at least as much like a response.

        Parameters
        ----------
        priors : sequence of Prior
            The ways in which it may be there.

        Returns
        -------
        float
            Never 0: at least 1 / (`N_DRAWS` + 1).
        """
        observed = self.statistic(priors)
        if observed > _BEYOND_DRAWS:
            return 1 / (N_DRAWS + 1)
        weights = np.where(self.fit.weights[0] < DECIDES, 0, self.fit.weights[0])
        if not weights.any():
            weights = np.eye(len(GRID))[self.fit.weights[0].argmax()]
        found = 0.0
        for spectrum in np.flatnonzero(weights):
            null = self._null(int(spectrum), priors)
            found += weights[spectrum] * (np.sum(null >= observed) + 1) / (len(null) + 1)
        return float(found / weights.sum())

    def _null(self, spectrum: int, priors: Sequence[Prior]) -> FloatArray:
        learned = learned_class(self.n_independent)
        se_nv = self.fit.se_nv[0]
        ways = []
        for prior in priors:
            if math.isnan(prior.expected_nv):
                null = _null_flat(self.plan, spectrum, learned, np.isfinite(prior.log_v).tobytes())
            else:
                null = _way(null_z(self.plan, spectrum, learned), se_nv, prior)
            ways.append(null + prior.log_weight)
        return np.asarray(np.logaddexp.reduce(ways, axis=0))


def log_likelihoods(z: FloatArray, se_nv: FloatArray, priors: Sequence[Prior]) -> FloatArray:
    """Return the log of prior times likelihood ratio, over all ways together.

    Parameters
    ----------
    z : ndarray, shape (..., n_shapes, n_latencies)
        Amplitude over its standard error.
    se_nv : ndarray, shape (n_shapes, n_latencies)
        Standard error of the amplitude in nV.
    priors : sequence of Prior
        The ways in which a response may be there.

    Returns
    -------
    ndarray, shape of `z`
        Minus infinity where a response cannot be. All shapes are equally likely.
    """
    total = np.full(z.shape, -np.inf)
    for prior in priors:
        can_be = np.isfinite(prior.log_v)
        way = prior.log_weight + _log_likelihood(z, se_nv, prior)
        total[..., can_be] = np.logaddexp(total[..., can_be], way)
    return total


def learned_class(n_independent: int) -> int:
    """Return how much noise the null of a fit is drawn with.

    Parameters
    ----------
    n_independent : int
        Noise-only traces that the noise was learned from; `BY_SIZE` for its size only.

    Returns
    -------
    int
        8, 4, 2 or 1 noise-only traces, no more than there are; `BY_SIZE`; or `KNOWN`.
    """
    if n_independent > 2 * _CLASSES[0]:
        return KNOWN
    return next((n for n in _CLASSES if n <= n_independent), BY_SIZE)


def _flat(can_be: NDArray[np.bool_]) -> Prior:
    return Prior(np.where(can_be, -math.log(can_be.sum()), -np.inf))


def _log_likelihood(z: NDArray[np.floating], se_nv: FloatArray, prior: Prior) -> FloatArray:
    """Return the log of prior times likelihood ratio in one way, where it can be."""
    can_be = np.isfinite(prior.log_v)
    here = z[..., can_be]
    if math.isnan(prior.expected_nv):
        way = log_evidence(here)
    else:
        se = se_nv[:, can_be]
        way = log_evidence(here, prior.expected_nv / se, prior.spread_nv / se)
    return np.asarray(way + (prior.log_v[can_be] - math.log(z.shape[-2])))


def _way(z: NDArray[np.floating], se_nv: FloatArray, prior: Prior) -> FloatArray:
    return np.asarray(special.logsumexp(_log_likelihood(z, se_nv, prior), axis=(-2, -1)))


@lru_cache(maxsize=48)
def null_z(plan: FitPlan, spectrum: int, learned: int) -> NDArray[np.float32]:
    """Fit noise of one spectrum in the same way as a trace, the noise learned from as little.

    Parameters
    ----------
    plan : FitPlan
        Of the fit.
    spectrum : int
        Index into the grid of spectra.
    learned : int
        From `learned_class`.

    Returns
    -------
    ndarray of float32, shape (N_DRAWS, n_shapes, n_latencies)
        Six digits are plenty for a rank, at half the memory: 2 MB for 9 shapes at 56 latencies.
    """
    fit = shape_fit(plan)
    rng = np.random.default_rng(_SEED)
    traces = fit.draw(spectrum, N_DRAWS, rng)
    if learned == BY_SIZE:
        z = fit.measure_by_size(traces, 1.0).z
    elif learned == KNOWN:
        z = fit.measure_in(traces, spectrum, 1.0).z
    else:
        noise = fit.draw(spectrum, N_DRAWS * learned, rng).reshape(N_DRAWS, learned, -1)
        z = fit.measure(traces, noise, learned).z
    return z.astype(np.float32)


@lru_cache(maxsize=512)
def _null_flat(plan: FitPlan, spectrum: int, learned: int, can_be: bytes) -> FloatArray:
    z = null_z(plan, spectrum, learned)
    return _way(z, np.ones(z.shape[1:]), _flat(np.frombuffer(can_be, dtype=np.bool_)))
