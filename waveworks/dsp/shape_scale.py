"""How much each shape and latency finds in noise whose spectrum is none of the grid's.

Under a spectrum of the grid z has variance 1 at all latencies. In other noise it need not: shapes
that the end of the window cuts off see power above the low-pass of the grid, as white noise has
it. The noise-only traces tell their covariance at each lag, all places in the window together, and
that tells the variance of z. Noise is taken for stationary over the window.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.fit_plan import Fit, FitPlan
from waveworks.dsp.shape_fit import shape_fit

FloatArray = NDArray[np.float64]


def sd_of_z(plan: FitPlan, noise: FloatArray, measured: Fit) -> FloatArray:
    """Return the SD of z at each shape and latency in noise like this, whatever its spectrum is.

    Parameters
    ----------
    plan : FitPlan
        Of the fit.
    noise : ndarray, shape (n_noise, n_samples)
        Noise-only traces at the scale of the noise in the trace, in nV.
    measured : Fit
        Of one trace; its weights of the spectra make the filters.

    Returns
    -------
    ndarray, shape (n_shapes, n_latencies)
        1 where the spectra of the grid have this noise right.
    """
    inside = noise[:, shape_fit(plan).inside]
    n_samples = inside.shape[1]
    covariance = _products_at_lags(inside).mean(axis=0) / np.arange(n_samples, 0, -1)
    # Spectra that share the weight give nearly the same z, so their SDs add up.
    weights = measured.weights[0] / measured.sd_nv[0]
    variances = {
        int(one): np.maximum(_filter_products(plan, int(one)) @ covariance, 0)
        for one in np.flatnonzero(weights)
    }
    sd = np.sum([weights[one] * np.sqrt(v) for one, v in variances.items()], axis=0)
    # Few noise-only traces: no shape is let off more than half of what is usual.
    return np.asarray(np.maximum(sd, 0.5 * np.median(sd)))


@lru_cache(maxsize=32)
def _filter_products(plan: FitPlan, spectrum: int) -> FloatArray:
    """Return what turns the covariance at each lag into the variance of z."""
    fit = shape_fit(plan)
    impulses = fit.measure_in(np.eye(plan.n_samples), spectrum, 1.0).z[fit.inside]
    products = _products_at_lags(np.moveaxis(impulses, 0, -1))
    products[..., 1:] *= 2
    return products


def _products_at_lags(traces: FloatArray) -> FloatArray:
    """Return the sum of products of samples that lie 0, 1, ... apart."""
    n_samples = traces.shape[-1]
    power = np.abs(np.fft.rfft(traces, 2 * n_samples, axis=-1)) ** 2
    return np.asarray(np.fft.irfft(power, 2 * n_samples, axis=-1)[..., :n_samples])
