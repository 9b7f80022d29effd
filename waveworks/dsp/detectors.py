"""The detection tests by name, each looked at as often as one likes.

A detector takes the sweeps of a recording, cut to the response window, and gives its statistic and
its p for the first n of them, for every n that is asked for. Its null paths say what the p does
over the same looks without a response; they decide how much the level of each look is lowered.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from waveworks.dsp._validate import finite_array, one_of, sweeps_array, whole_number
from waveworks.dsp.average_noise import average_noise
from waveworks.dsp.coloured_noise import ROUNDING
from waveworks.dsp.fstats import growth
from waveworks.dsp.hotelling import epoch_blocks, hotelling_t2, time_voltage_means
from waveworks.dsp.looks import checked_looks, levels_from_paths, quadratic_p_paths
from waveworks.dsp.residual_noise import noise_from_sweeps
from waveworks.dsp.shape_detection import shape_p_paths, shape_test_of_sweeps
from waveworks.dsp.sign_flips import sign_flip_test
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]

N_BINS = 12
"""Time-voltage means of T2, of which one goes with the window mean (own choice: 1 ms each of 5 to
17 ms)."""

HELD = (0.8, 1.2)
"""Share of the nominal rate within which a rate of false positives counts as held (own choice)."""

PER_BLOCK = 10
"""Successive sweeps that are one epoch of T2, or are turned over together."""

N_FLIPS = 9999
_N_PATHS = 20_000
_LEAST_ALPHA = 0.0005
"""Counted on 400,000 recordings, which take about 20 s."""

_SEED = 4711


@dataclass(frozen=True, eq=False)
class Looks:
    """A test of the first sweeps of a recording, for several numbers of them.

    Parameters
    ----------
    n_sweeps : ndarray, shape (n_looks,)
        Sweeps at each look.
    statistic, pvalue : ndarray, shape (n_looks,)
        Of the test; NaN where it could not be made.
    note : str
        What the last look says against its p.
    """

    n_sweeps: FloatArray
    statistic: FloatArray
    pvalue: FloatArray
    note: str = ""


@dataclass(frozen=True)
class Detector:
    """A detection test.

    Parameters
    ----------
    name : str
        What users call it.
    words : str
        What it is, in a line.
    test : callable
        From sweeps, shape (n_sweeps, n_samples), and the time between samples in ms to statistic,
        p, and what speaks against the p.
    paths : callable or None
        From sweeps, time between samples, counts at the looks and a number of paths to the p at
        all looks of so many recordings without a response. None is not corrected for looks, as
        the customary rule is not.
    """

    name: str
    words: str
    test: Callable[[FloatArray, float], tuple[float, float, str]]
    paths: Callable[[FloatArray, float, FloatArray, int], FloatArray] | None

    @property
    def corrected(self) -> bool:
        """Whether its levels are lowered for the looks."""
        return self.paths is not None

    def looks(self, sweeps: ArrayLike, n_sweeps: ArrayLike, *, step_ms: float = math.nan) -> Looks:
        """Test the first sweeps of a recording.

        Parameters
        ----------
        sweeps : array_like, shape (n_sweeps, n_samples)
            In nV in the order of recording, cut to the response window.
        n_sweeps : array_like, shape (n_looks,)
            How many of them at each look, rising.
        step_ms : float
            Time between two samples in ms; only the shape test needs it.

        Returns
        -------
        Looks

        Raises
        ------
        DataError
            If the counts do not rise, there are fewer sweeps, the sweeps are identical, or the
            test cannot be made even at the last look.
        """
        array = sweeps_array(sweeps)
        _refuse_identical(array)
        counts = checked_looks(n_sweeps)
        if counts[-1] > len(array):
            raise DataError(f"the last look is at {counts[-1]:g} sweeps; there are {len(array)}")
        found = np.full((2, len(counts)), np.nan)
        note = ""
        for look, count in enumerate(counts):
            try:
                *found[:, look], note = self.test(array[: int(count)], step_ms)
            except DataError:
                # An early look may have too few sweeps, the last one must not.
                if look == len(counts) - 1:
                    raise
        return Looks(counts, found[0], found[1], note)

    def levels(
        self,
        sweeps: ArrayLike,
        n_sweeps: ArrayLike,
        alpha: float,
        kind: str = "constant",
        *,
        step_ms: float = math.nan,
    ) -> FloatArray:
        """Return the nominal level at each look that keeps an overall rate of false positives.

        Parameters
        ----------
        sweeps : array_like, shape (n_sweeps, n_samples)
            Of the recording, or any whose noise has the same colour.
        n_sweeps : array_like, shape (n_looks,)
            Sweeps at each look, rising.
        alpha : float
            Overall rate.
        kind : str
            Of the boundary; see `levels_from_paths`.
        step_ms : float
            Time between two samples in ms; only the shape test needs it.

        Returns
        -------
        ndarray, shape (n_looks,)

        Raises
        ------
        DataError
            As `levels_from_paths`, or if alpha is below 0.0005 and there are several looks.
        """
        counts = checked_looks(n_sweeps)
        if not 0 < alpha < 1:
            raise DataError(f"alpha is {alpha:g}; it must be between 0 and 1")
        if len(counts) == 1 or self.paths is None:
            return np.full(len(counts), alpha)
        if alpha < _LEAST_ALPHA:
            raise DataError(
                f"alpha is {alpha:g}; with several looks levels are counted on drawn recordings, "
                f"which serve {_LEAST_ALPHA:g} and more"
            )
        n_paths = max(_N_PATHS, int(200 / alpha))
        paths = self.paths(sweeps_array(sweeps), step_ms, counts, n_paths)
        return levels_from_paths(paths, counts, alpha, kind)


def _refuse_identical(sweeps: FloatArray) -> None:
    apart = sweeps - sweeps[0]
    apart -= apart.mean(axis=1, keepdims=True)
    if np.abs(apart).max() <= ROUNDING * np.abs(sweeps).max():
        raise DataError(
            f"the {len(sweeps)} sweeps are identical, but for an offset each: there is no noise to "
            "test against"
        )


def _bursts_note(name: str) -> str:
    return (
        f"a few sweeps are much larger than the rest: do not use {name} here, it finds less than "
        "it should; sign-flip and shape hold their rate"
    )


def _calibrated_f(sweeps: FloatArray, _: float) -> tuple[float, float, str]:
    average = sweeps.mean(axis=0)
    fmp = float(growth(sweeps, len(sweeps)).fmp[0])
    noise = average_noise(sweeps)
    pvalue = noise.pvalue(float(np.sum((average - average.mean()) ** 2)))
    return fmp, pvalue, _bursts_note("calibrated-f") if noise.bursts else ""


def _customary_f(sweeps: FloatArray, _: float) -> tuple[float, float, str]:
    fmp = float(growth(sweeps, len(sweeps)).fmp[0])
    return fmp, float(special.fdtrc(5, 250, fmp)), ""


def _sign_flip(sweeps: FloatArray, _: float) -> tuple[float, float, str]:
    per_block = min(PER_BLOCK, max(1, len(sweeps) // (2 * PER_BLOCK)))
    found = sign_flip_test(sweeps, N_FLIPS, _SEED, n_per_block=per_block)
    return found.statistic, found.pvalue, ""


def _hotelling(n_bins: int, sweeps: FloatArray, _: float) -> tuple[float, float, str]:
    # Blocks as large as leave twice as many epochs as features.
    per_block = min(PER_BLOCK, max(1, len(sweeps) // (2 * n_bins)))
    found = hotelling_t2(time_voltage_means(epoch_blocks(sweeps, per_block), n_bins))
    note = _bursts_note("hotelling-t2") if average_noise(sweeps).bursts else ""
    return found.t2, found.pvalue, note


def _shape(sweeps: FloatArray, step_ms: float) -> tuple[float, float, str]:
    found = shape_test_of_sweeps(sweeps, step_ms)
    return found.statistic, found.pvalue, ""


def _paths_of_f(sweeps: FloatArray, _: float, counts: FloatArray, n_paths: int) -> FloatArray:
    eigenvalues = average_noise(sweeps).eigenvalues
    return _quadratic_paths(tuple(eigenvalues.tolist()), tuple(counts.tolist()), n_paths)


def _paths_of_t2(
    n_bins: int, _: FloatArray, __: float, counts: FloatArray, n_paths: int
) -> FloatArray:
    return _quadratic_paths((1.0,) * (n_bins - 1), tuple(counts.tolist()), n_paths)


@lru_cache(maxsize=4)
def _quadratic_paths(
    eigenvalues: tuple[float, ...], counts: tuple[float, ...], n_paths: int
) -> FloatArray:
    """Return paths that two tests of one recording share, or all recordings do."""
    return quadratic_p_paths(eigenvalues, counts, n_paths, seed=_SEED)


def _paths_of_shape(
    sweeps: FloatArray, step_ms: float, counts: FloatArray, n_paths: int
) -> FloatArray:
    return shape_p_paths(sweeps, step_ms, counts, n_paths)


def _hotelling_detector(n_bins: int) -> Detector:
    return Detector(
        "hotelling-t2",
        f"Hotelling's T2 of {n_bins} time-voltage means",
        partial(_hotelling, n_bins),
        partial(_paths_of_t2, n_bins),
    )


def fmp_limits(sweeps: ArrayLike, n_sweeps: ArrayLike, levels: ArrayLike) -> FloatArray:
    """Return the Fmp that the calibrated F must reach at each look.

    Parameters
    ----------
    sweeps : array_like, shape (n_sweeps, n_samples)
        In nV in the order of recording, cut to the response window.
    n_sweeps : array_like, shape (n_looks,)
        Sweeps at each look, rising.
    levels : array_like, shape (n_looks,)
        Of `calibrated-f`, from `Detector.levels`.

    Returns
    -------
    ndarray, shape (n_looks,)
        In the noise of the sweeps up to that look; infinity where a level is 0, NaN where
        nothing varies.

    Raises
    ------
    DataError
        If the counts do not rise or there are fewer sweeps, or there is not one level from 0 to
        below 1 a look.
    """
    array = sweeps_array(sweeps)
    counts = checked_looks(n_sweeps)
    bounds = finite_array(levels, name="levels", ndim=1)
    if counts[-1] > len(array):
        raise DataError(f"the last look is at {counts[-1]:g} sweeps; there are {len(array)}")
    if len(bounds) != len(counts) or bounds.min() < 0 or bounds.max() >= 1:
        raise DataError(f"levels: one from 0 to below 1 is needed for each of {len(counts)} looks")
    limits = np.full(len(counts), math.inf)
    for look in np.flatnonzero(bounds):
        first = array[: int(counts[look])]
        noise = average_noise(first)
        per_fmp = noise_from_sweeps(first).rn_nv ** 2 * noise.eigenvalues.size
        limits[look] = noise.point(float(bounds[look])) / per_fmp if per_fmp > 0 else math.nan
    return limits


DETECTORS = {
    one.name: one
    for one in (
        Detector("calibrated-f", "Fmp in this recording's own noise", _calibrated_f, _paths_of_f),
        Detector("customary-f", "Fmp against F(5, 250), looked at uncorrected", _customary_f, None),
        Detector(
            "sign-flip",
            "Fmp among blocks of sweeps turned over at random",
            _sign_flip,
            _paths_of_f,
        ),
        _hotelling_detector(N_BINS),
        Detector(
            "shape",
            "the best of nine V-SN10 shapes at any latency, in this recording's own noise",
            _shape,
            _paths_of_shape,
        ),
    )
}
"""By name, in the order in which they are told."""


def detector(name: str, *, n_bins: int = N_BINS) -> Detector:
    """Return a detector by its name.

    Parameters
    ----------
    name : str
        One of `DETECTORS`.
    n_bins : int
        Time-voltage means of T2, of which one goes with the window mean; the other tests have
        none.

    Returns
    -------
    Detector

    Raises
    ------
    DataError
        If there is none, with the names that there are, or there are fewer than two bins.
    """
    found = DETECTORS[one_of(name, tuple(DETECTORS), name="test")]
    whole_number(n_bins, name="n_bins", least=2, most=10_000)
    return found if name != "hotelling-t2" else _hotelling_detector(n_bins)
