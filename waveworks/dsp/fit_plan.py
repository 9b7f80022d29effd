"""What a fit of shapes depends on, and what it finds."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.wave_shapes import WaveShape

FloatArray = NDArray[np.float64]
Window = tuple[float, float]


@dataclass(frozen=True)
class FitPlan:
    """What a fit depends on beside the traces.

    Parameters
    ----------
    n_samples : int
        In a trace.
    start_ms, step_ms : float
        Time of the first sample and between samples, in ms.
    v_window_ms, response_ms, clean_ms : tuple of float
        Where wave V is looked for, where shapes are fitted, and where the trace is free of
        stimulus artefact and muscle, in ms.
    sn10_after_ms : tuple of float
        When SN10 may follow wave V, in ms.
    shape : WaveShape
        The middle of the bank.
    """

    n_samples: int
    start_ms: float
    step_ms: float
    v_window_ms: Window
    response_ms: Window
    clean_ms: Window
    sn10_after_ms: Window
    shape: WaveShape


@dataclass(frozen=True, eq=False)
class Fit:
    """Shapes held against traces.

    Parameters
    ----------
    z : ndarray, shape (n_traces, n_shapes, n_latencies)
        Amplitude over its standard error.
    se_nv : ndarray, shape (n_traces, n_shapes, n_latencies)
        Standard error of the amplitude from wave V to SN10, in nV.
    weights : ndarray, shape (n_traces, n_spectra)
        Of the spectra of the noise.
    sd_nv : ndarray, shape (n_traces, n_spectra)
        Of the noise under each of them, in nV.
    excess : ndarray, shape (n_traces,)
        Power that the best shape leaves of the trace over that of the noise-only traces; NaN where
        the noise was stated.
    """

    z: FloatArray
    se_nv: FloatArray
    weights: FloatArray
    sd_nv: FloatArray
    excess: FloatArray

    def row(self, index: int) -> "Fit":
        """Return the fit of one trace.

        Parameters
        ----------
        index : int
            Which.

        Returns
        -------
        Fit
        """
        only = slice(index, index + 1)
        arrays = (self.z, self.se_nv, self.weights, self.sd_nv, self.excess)
        return Fit(*(array[only] for array in arrays))
