"""Every shape of the bank at every latency, held against traces in units of their own noise.

The noise is whitened by spectra weighed on this recording, one offset is left free, and what comes
out is z: the fitted amplitude over its standard error, for each shape and latency. In noise alone
every z has mean 0 and variance about 1, "about" because the size of the noise is estimated too.
"""

import math
from dataclasses import replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, special

from waveworks.dsp.fit_plan import Fit, FitPlan
from waveworks.dsp.noise_spectra import FIRST_GUESS, GRID, Whittle, weigh
from waveworks.dsp.wave_shapes import shape_bank
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]

AMPLITUDE_SPREAD = 5.0
"""Before the trace is seen an amplitude is half-normal with this SD, in standard errors."""

_STEPS_PER_WIDTH = 6
_RESIDUAL_UNTIL = 8
"""Up to so many noise-only traces, what the best shape leaves of the trace is one more of them."""

_EXCESS = 2.0
"""With more of them the noise is taken for larger where that leaves more than twice its power: a
muscle response, an artefact or another shape is in the trace (own choice)."""

_BAND_PRIOR = 60.0
"""Degrees of freedom with which the spectra's own size of the noise counts against the size in
the band of the shapes (own choice; a single difference has about nine)."""


@lru_cache(maxsize=8)
def shape_fit(plan: FitPlan) -> "ShapeFit":
    """Return the fit of a plan, made once.

    Parameters
    ----------
    plan : FitPlan
        What it depends on.

    Returns
    -------
    ShapeFit

    Raises
    ------
    DataError
        If a window leaves no room for a shape.
    """
    return ShapeFit(plan)


class ShapeFit:
    """The fit of one plan.

    Parameters
    ----------
    plan : FitPlan
        What it depends on.

    Raises
    ------
    DataError
        If a window leaves no room for a shape.
    """

    def __init__(self, plan: FitPlan) -> None:
        self.plan = plan
        self.bank = shape_bank(plan.shape, plan.sn10_after_ms)
        times: FloatArray = plan.start_ms + plan.step_ms * np.arange(
            plan.n_samples, dtype=np.float64
        )
        start, stop = (
            max(plan.response_ms[0], plan.clean_ms[0]),
            min(plan.response_ms[1], plan.clean_ms[1]),
        )
        self.inside = _samples(times, start, stop)
        self.clean = _samples(times, *plan.clean_ms)
        self.residual = _samples(times, start, plan.clean_ms[1])
        first, last = (
            max(plan.v_window_ms[0], start),
            min(plan.v_window_ms[1], stop - float(self.bank.sn10_after_ms.min())),
        )
        n_latencies = math.floor((last - first) / plan.shape.v_width_ms * _STEPS_PER_WIDTH) + 1
        if n_latencies < 2 or last - first < plan.step_ms or len(times[self.inside]) < 16:
            raise DataError(
                f"V window {plan.v_window_ms[0]:g} to {plan.v_window_ms[1]:g} ms leaves no room "
                f"for wave V and SN10 between {start:g} and {stop:g} ms"
            )
        self.v_ms = np.linspace(first, last, n_latencies)
        self.times = times
        self._step = plan.step_ms / plan.shape.v_width_ms
        self.autocorrelations = np.array(
            [spectrum.autocorrelation(plan.n_samples, self._step) for spectrum in GRID]
        )
        self._on_clean = self._whittle(self.clean)
        self._on_residual = self._whittle(self.residual)
        self._templates = self.bank.templates(times[self.residual], self.v_ms)

    @property
    def shape(self) -> tuple[int, int]:
        """Shapes and latencies."""
        return len(self.bank.heights), len(self.v_ms)

    def measure(self, traces: FloatArray, noise: FloatArray, n_independent: int) -> Fit:
        """Hold the bank against traces.

        Parameters
        ----------
        traces : ndarray, shape (n_traces, n_samples)
            Averages in nV.
        noise : ndarray, shape (n_traces, n_noise, n_samples)
            Noise-only traces of each at its scale, not all zero, in nV.
        n_independent : int
            How many of the noise-only traces are independent.

        Returns
        -------
        Fit
        """
        share = n_independent / noise.shape[1]
        power = self._on_clean.power(noise[..., self.clean]).sum(axis=1) * share
        n_lines = n_independent * self._on_clean.n_lines
        log_sum = n_independent * self._on_clean.log_sum
        weights, sd_nv = weigh(power, n_lines, log_sum)
        # What the best shape leaves of the trace should be noise as well.
        left = self._without_best(traces, self._in_units(traces, weights, sd_nv))
        power_left = self._on_residual.power(left)
        ratio = power_left / self._on_residual.n_lines / sd_nv**2
        excess = np.sum(weights * ratio, axis=-1)
        if n_independent <= _RESIDUAL_UNTIL:
            weights, sd_nv = weigh(
                power + power_left,
                n_lines + self._on_residual.n_lines,
                log_sum + self._on_residual.log_sum,
            )
        else:
            sd_nv *= np.sqrt(np.maximum(1, excess / _EXCESS))[:, np.newaxis]
        in_band = self._power_in_band(noise, weights, sd_nv)
        known = n_independent * self._band_df
        sd_nv *= np.sqrt((_BAND_PRIOR + known * in_band) / (_BAND_PRIOR + known))[:, np.newaxis]
        return replace(self._in_units(traces, weights, sd_nv), excess=excess)

    def measure_by_size(self, traces: FloatArray, sd_nv: float) -> Fit:
        """Hold the bank against traces of whose noise only the size is known.

        The spectra are weighed on what the best shape leaves of each trace.

        Parameters
        ----------
        traces : ndarray, shape (n_traces, n_samples)
            Averages in nV.
        sd_nv : float
            Standard deviation of the noise in nV.

        Returns
        -------
        Fit
        """
        left = self._without_best(traces, self.measure_in(traces, FIRST_GUESS, sd_nv))
        part = self._on_residual
        weights, sd = weigh(part.power(left), part.n_lines, part.log_sum, sd_nv)
        return self._in_units(traces, weights, sd)

    def measure_in(self, traces: FloatArray, spectrum: int, sd_nv: float) -> Fit:
        """Hold the bank against traces whose noise is known.

        Parameters
        ----------
        traces : ndarray, shape (n_traces, n_samples)
            Averages in nV.
        spectrum : int
            Index into the grid of spectra.
        sd_nv : float
            Standard deviation of the noise in nV.

        Returns
        -------
        Fit
        """
        weights = np.zeros((len(traces), len(GRID)))
        weights[:, spectrum] = 1
        return self._in_units(traces, weights, np.full_like(weights, sd_nv))

    def refit(self, traces: FloatArray, fit: Fit) -> FloatArray:
        """Hold the bank against other traces with the same noise.

        Parameters
        ----------
        traces : ndarray, shape (n_traces, n_samples)
            In nV.
        fit : Fit
            Of one trace.

        Returns
        -------
        ndarray, shape (n_traces, n_shapes, n_latencies)
            Amplitude over its standard error.
        """
        n = len(traces)
        weights, sd_nv = (np.broadcast_to(x, (n, len(GRID))) for x in (fit.weights, fit.sd_nv))
        return self._in_units(traces, weights, sd_nv).z

    def draw(self, spectrum: int, n_draws: int, rng: np.random.Generator) -> FloatArray:
        """Draw noise of unit variance.

        Parameters
        ----------
        spectrum : int
            Index into the grid of spectra.
        n_draws : int
            How many traces.
        rng : numpy.random.Generator
            Moves on.

        Returns
        -------
        ndarray, shape (n_draws, n_samples)
        """
        root = linalg.cholesky(linalg.toeplitz(self.autocorrelations[spectrum]), lower=True)
        return np.asarray(rng.standard_normal((n_draws, len(root))) @ root.T)

    def of_normals(self, spectrum: int) -> NDArray[np.float32]:
        """Return what turns standard normal variables into z of noise of unit variance.

        Parameters
        ----------
        spectrum : int
            Index into the grid of spectra.

        Returns
        -------
        ndarray of float32, shape (n_samples, n_shapes * n_latencies)
            For `normals @ it`; six digits are plenty for a rank.
        """
        root = linalg.cholesky(linalg.toeplitz(self.autocorrelations[spectrum]), lower=True)
        filters, _ = self._filters(spectrum)
        return np.asarray(root[self.inside].T @ filters, dtype=np.float32)

    def _whittle(self, part: slice) -> Whittle:
        return Whittle(self.autocorrelations[:, : part.stop - part.start], self._step)

    def _in_units(self, traces: FloatArray, weights: FloatArray, sd_nv: FloatArray) -> Fit:
        z = np.zeros((len(traces), math.prod(self.shape)))
        se_nv = np.zeros_like(z)
        inside = traces[:, self.inside]
        for spectrum in np.flatnonzero(weights.any(axis=0)):
            rows = np.flatnonzero(weights[:, spectrum])
            filters, unit_se = self._filters(int(spectrum))
            weight, sd = (x[rows, spectrum, np.newaxis] for x in (weights, sd_nv))
            z[rows] += (inside[rows] @ filters) * (weight / sd)
            se_nv[rows] += unit_se * (weight * sd)
        shape = (len(traces), *self.shape)
        unknown = np.full(len(traces), math.nan)
        return Fit(z.reshape(shape), se_nv.reshape(shape), weights, sd_nv, unknown)

    def _filters(self, spectrum: int) -> tuple[FloatArray, FloatArray]:
        if spectrum not in self._made:
            templates = self.bank.templates(self.times[self.inside], self.v_ms)
            flat = templates.reshape(-1, templates.shape[-1])
            self._made[spectrum] = _whitened(flat, self.autocorrelations[spectrum])
        return self._made[spectrum]

    @cached_property
    def _made(self) -> dict[int, tuple[FloatArray, FloatArray]]:
        return {}

    def _without_best(self, traces: FloatArray, fit: Fit) -> FloatArray:
        shape, latency = np.unravel_index(
            fit.z.reshape(len(traces), -1).argmax(axis=-1), self.shape
        )
        rows = np.arange(len(traces))
        height = np.maximum(fit.z * fit.se_nv, 0)[rows, shape, latency]
        left = traces[:, self.residual] - height[:, np.newaxis] * self._templates[shape, latency]
        return np.asarray(left - left.mean(axis=-1, keepdims=True))

    @cached_property
    def _sliding(self) -> tuple[FloatArray, ...]:
        """Filters of the middle shape all over the clean part, under each spectrum."""
        times = self.times[self.clean]
        middle = len(self.bank.heights) // 2
        width = self.plan.shape.v_width_ms
        last = times[-1] - self.bank.sn10_after_ms[middle]
        latencies = np.arange(times[0] + width, last, width / 3)
        templates = self.bank.templates(times, latencies)[middle]
        return tuple(_whitened(templates, row)[0] for row in self.autocorrelations)

    @cached_property
    def _band_df(self) -> float:
        """Degrees of freedom of the power in the band of the shapes, in one noise-only trace."""
        spectrum = len(GRID) // 2
        length = self.clean.stop - self.clean.start
        covariance = linalg.toeplitz(self.autocorrelations[spectrum][:length])
        slid = self._sliding[spectrum]
        correlation = slid.T @ covariance @ slid
        return float(np.trace(correlation) ** 2 / np.sum(correlation**2))

    def _power_in_band(
        self, noise: FloatArray, weights: FloatArray, sd_nv: FloatArray
    ) -> FloatArray:
        """Return the mean square of z slid over the noise: 1 if the spectra have its size right."""
        found = np.zeros(len(noise))
        for spectrum in np.flatnonzero(weights.any(axis=0)):
            rows = np.flatnonzero(weights[:, spectrum])
            slid = noise[rows][..., self.clean] @ self._sliding[spectrum]
            weight, sd = weights[rows, spectrum], sd_nv[rows, spectrum]
            found[rows] += weight * (slid**2).mean(axis=-1).sum(axis=-1) / noise.shape[1] / sd**2
        return found


def log_evidence(
    z: NDArray[np.floating],
    expected: FloatArray | float = 0.0,
    spread: FloatArray | float = AMPLITUDE_SPREAD,
) -> FloatArray:
    """Return the log likelihood ratio of a response to none, the amplitude integrated out.

    Parameters
    ----------
    z : ndarray
        Amplitude over its standard error.
    expected, spread : float or ndarray
        Mean and SD of the normal distribution, cut off at 0, that the amplitude has before the
        trace is seen, in standard errors.

    Returns
    -------
    ndarray, shape of `z`
    """
    shrink = spread**2 / (1 + spread**2)
    middle = shrink * z + expected / (1 + spread**2)
    return np.asarray(
        0.5 * (np.log1p(-shrink) + z**2 - (z - expected) ** 2 * (1 - shrink))
        + special.log_ndtr(middle / np.sqrt(shrink))
        - special.log_ndtr(expected / spread)
    )


def _samples(times: FloatArray, start: float, stop: float) -> slice:
    slack = 1e-6 * (times[1] - times[0])
    first = int(np.searchsorted(times, start - slack))
    return slice(first, int(np.searchsorted(times, stop + slack, side="right")))


def _whitened(templates: FloatArray, autocorrelation: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the filters that give z for noise of unit variance, and the amplitudes' errors.

    Generalised least squares with one offset beside each template: what the whitened offset
    explains is taken off the whitened template.
    """
    n_samples = templates.shape[-1]
    root = linalg.cholesky(linalg.toeplitz(autocorrelation[:n_samples]), lower=True)
    white = linalg.solve_triangular(
        root, np.column_stack([templates.T, np.ones(n_samples)]), lower=True
    )
    offset = white[:, -1] / linalg.norm(white[:, -1])
    own = white[:, :-1] - np.outer(offset, offset @ white[:, :-1])
    size = np.sqrt(np.sum(own**2, axis=0))
    return linalg.solve_triangular(root, own / size, lower=True, trans="T"), 1 / size
