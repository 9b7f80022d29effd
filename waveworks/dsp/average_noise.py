"""The noise that is left in an average, component by component, from the sweeps themselves.

The average about its window mean is a sum over components of coloured noise; what each holds are
the eigenvalues of the covariance. They come from averages of successive sweeps, because sweeps
that follow each other are not quite independent, and the average feels it.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, optimize

from waveworks.dsp.coloured_noise import FEW_DEVIATIONS, ROUNDING, TEST_CAUTION, spectral_df
from waveworks.dsp.quadratic_forms import ratio_upper_tail
from waveworks.errors import DataError

FloatArray = NDArray[np.float64]

MOST_PER_BLOCK = 10
"""Sweeps in a block: dependence over more than a few is not seen in recordings at customary rates
(own simulation on the noise of the validation scenarios)."""

FEWEST_BLOCKS = 50
_MOST_POINT = 1000.0
_FEWEST_FOR_BURSTS = 25
_BURSTS = 0.5
"""Own simulation, 80 recordings a kind: with bursts df is 0.10 to 0.49 of the blocks' less one,
where the noise grows 0.56 to 0.90, else 0.82 to 1 (250 to 2000 sweeps)."""


@dataclass(frozen=True, eq=False)
class AverageNoise:
    """Noise left in an average about its window mean.

    Parameters
    ----------
    eigenvalues : ndarray, shape (n_samples - 1,)
        Of its sum of squares, in nV^2, rising: without a response that sum is one of chi-square
        variables with these weights.
    df : float
        Degrees of freedom that the noise is known with, for each eigenvalue.
    n_per_block : int
        Sweeps in each of the averages that it was learned from.
    bursts : bool
        Whether a few sweeps are so much larger than the rest that `df` is less than half of what
        sweeps of one size would give.
    """

    eigenvalues: FloatArray
    df: float
    n_per_block: int
    bursts: bool = False

    @property
    def sum_of_squares(self) -> float:
        """Expected sum of squares without a response, in nV^2."""
        return float(self.eigenvalues.sum())

    def pvalue(self, sum_of_squares: float, denominator_df: float | None = None) -> float:
        """Return the chance that noise alone has at least this sum of squares.

        Parameters
        ----------
        sum_of_squares : float
            Of the average about its window mean, in nV^2.
        denominator_df : float, optional
            Degrees of freedom of the noise that it is held against, if that is not the noise over
            the whole window but that of one point.

        Returns
        -------
        float
            Noise is known from `df` only, which is allowed for. NaN where nothing varies.
        """
        total = self.sum_of_squares
        if not total > 0 or math.isnan(sum_of_squares):
            return math.nan
        if not math.isfinite(sum_of_squares / total):
            return 0.0
        shares = self.eigenvalues / total
        below, df = shares / self.df, self.df
        if denominator_df is not None:
            below, df = np.array([1 / denominator_df]), denominator_df
        return ratio_upper_tail(sum_of_squares / total, shares, below, df)

    def point(self, chance: float) -> float:
        """Return the sum of squares that noise alone reaches with a chance.

        Parameters
        ----------
        chance : float
            Between 0 and 1.

        Returns
        -------
        float
            In nV^2, to six digits. NaN where nothing varies; infinity beyond a thousand times the
            expected sum.

        Raises
        ------
        DataError
            If the chance is not between 0 and 1.
        """
        if not 0 < chance < 1:
            raise DataError(f"chance is {chance:g}; it must be between 0 and 1")
        total = self.sum_of_squares
        if not total > 0:
            return math.nan
        high = 1.0
        while self.pvalue(high * total) > chance:
            high *= 2
            if high > _MOST_POINT:
                return math.inf

        def excess(share: float) -> float:
            return self.pvalue(share * total) - chance

        return total * float(optimize.brentq(excess, 0.0, high, rtol=1e-6, xtol=1e-9))


def average_noise(sweeps: FloatArray, n_per_block: int | None = None) -> AverageNoise:
    """Learn the noise of an average from its sweeps.

    Parameters
    ----------
    sweeps : ndarray, shape (n_sweeps, n_samples)
        In nV in the order of recording, checked, cut to the window; two or more.
    n_per_block : int, optional
        Sweeps that are averaged before they count as independent; by default up to ten, as many
        as leave fifty blocks. Sweeps after the last full block are not used.

    Returns
    -------
    AverageNoise

    Notes
    -----
    With m + 1 blocks of s sweeps of n, S their sample covariance about the window mean and e_i its
    eigenvalues, the noise of the average has the eigenvalues s e_i / n. Sampling spreads them, the
    more the fewer blocks. They are drawn towards their mean, all by one factor, until they have
    the effective number

        sum_(i!=j) |x_i|^2 |x_j|^2 / sum_(i!=j) (x_i x_j)^2

    of the blocks x: a U-statistic for tr(C)^2 / tr(C^2), in which blocks of unequal size of the
    noise leave no bias, and from which what their own mean adds is taken off (both derived here,
    for Gaussian noise). Fewer than ten blocks show no more than that number, from their spectrum,
    with caution (`coloured_noise.spectral_df`); the eigenvalues then are a geometric series. The
    degrees of freedom are sum(|x|^2)^2 (1 + 2 / number) / sum(|x|^4), m for blocks of one size.
    """
    n_sweeps = len(sweeps)
    size = n_per_block or block_size(n_sweeps)
    n_blocks = n_sweeps // size
    blocks = sweeps[: n_blocks * size].reshape(n_blocks, size, -1).mean(axis=1)
    apart = blocks - blocks.mean(axis=0)
    apart -= apart.mean(axis=1, keepdims=True)
    largest = float(np.abs(apart).max())
    n_components = sweeps.shape[1] - 1
    if largest <= ROUNDING * np.abs(sweeps).max():
        return AverageNoise(np.zeros(n_components), math.nan, size)
    apart /= largest  # keeps the squares of tiny numbers from vanishing
    products = apart.T @ apart
    powers = np.einsum("ij,ij->i", apart, apart)
    total, fourth = float(powers.sum()), float(powers @ powers)
    few = n_blocks - 1 < FEW_DEVIATIONS
    if few:
        number = spectral_df(apart, n_blocks - 1, caution=TEST_CAUTION) / (n_blocks - 1)
    else:
        alike = (float(np.sum(products**2)) - fourth) / (total**2 - fourth)
        square = (n_blocks - 1) ** 2
        share = (square * alike - 1) / (square + 1 - 2 * alike)
        number = 1 / share if share > 0 else math.inf
    number = float(np.clip(number, 1, n_components))
    if few:
        eigenvalues = total * _geometric(n_components, number)
    else:
        own = np.maximum(linalg.eigvalsh(products, check_finite=False)[1:], 0)
        eigenvalues = _drawn_together(own, number)
    df = min(n_blocks - 1, total**2 * (1 + 2 / number) / fourth)
    return AverageNoise(
        largest**2 * size / n_sweeps / (n_blocks - 1) * eigenvalues,
        df,
        size,
        bursts=n_blocks >= _FEWEST_FOR_BURSTS and df < _BURSTS * (n_blocks - 1),
    )


def block_size(n_sweeps: int) -> int:
    """Return how many successive sweeps are averaged before they count as independent.

    Parameters
    ----------
    n_sweeps : int
        That there are.

    Returns
    -------
    int
        Up to ten, as many as leave fifty blocks.
    """
    return max(1, min(MOST_PER_BLOCK, n_sweeps // FEWEST_BLOCKS))


def _drawn_together(eigenvalues: FloatArray, number: float) -> FloatArray:
    """Draw eigenvalues towards their mean until they have an effective number."""
    mean = float(eigenvalues.mean())
    spread = float(np.sum((eigenvalues - mean) ** 2))
    wanted = (mean * len(eigenvalues)) ** 2 / number - mean**2 * len(eigenvalues)
    if spread == 0:
        return eigenvalues
    return np.asarray(mean + math.sqrt(min(1.0, max(0.0, wanted) / spread)) * (eigenvalues - mean))


def _geometric(n_components: int, number: float) -> FloatArray:
    """Return a rising geometric series that adds up to 1 and has an effective number."""
    powers = np.arange(n_components - 1, -1, -1)

    def excess(ratio: float) -> float:
        series = ratio**powers
        return float(series.sum() ** 2 / np.sum(series**2)) - number

    ratio = optimize.brentq(excess, 0.0, 1.0) if 1 < number < n_components else float(number > 1)
    return np.asarray(ratio**powers / np.sum(ratio**powers))
