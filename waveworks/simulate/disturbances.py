"""What an evoked response is mixed with beside noise: movement, artefact, muscle, microphonic.

Every shape is this package's own choice; what is known about them is common practice, no source.
Artefact and microphonic follow the stimulus and turn with its polarity; the muscle response does
not.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waveworks.errors import DataError
from waveworks.simulate.spectra import whole

FloatArray = NDArray[np.float64]

POLARITY_SIGNS: dict[str | None, tuple[float, ...]] = {
    None: (1.0,),
    "rarefaction": (1.0,),
    "condensation": (-1.0,),
    "alternating": (1.0, -1.0),
}
"""Sign of the stimulus, sweep by sweep; alternating begins with rarefaction (own choice)."""

_MICROPHONIC_CENTRE_MS, _MICROPHONIC_SD_MS = 2.0, 0.7
_MUSCLE = ((1.0, 13.5, 0.9), (-0.8, 16.5, 1.2))
"""Height, centre in ms and SD in ms of the two phases, around 12 to 18 ms (common practice, no
source)."""


@dataclass(frozen=True, kw_only=True)
class Bursts:
    """Movement: runs of successive sweeps whose noise is larger (own choice).

    Parameters
    ----------
    chance : float
        That a burst begins with a sweep.
    length_sweeps : int
        Sweeps in a burst.
    factor : float
        How many times larger the noise is.
    """

    chance: float = 0.004
    length_sweeps: int = 8
    factor: float = 10.0

    def factors(self, n_sweeps: int, rng: np.random.Generator) -> FloatArray:
        """Draw the factor of every sweep.

        Parameters
        ----------
        n_sweeps : int
            How many.
        rng : numpy.random.Generator
            Moves on by one number a sweep.

        Returns
        -------
        ndarray, shape (n_sweeps,)
            1 or `factor`. Bursts that meet become one; none has begun before the first sweep.
        """
        begun = np.cumsum(rng.random(n_sweeps) < self.chance)
        ended = np.concatenate([np.zeros(self.length_sweeps, dtype=begun.dtype), begun])
        return np.where(begun > ended[:n_sweeps], self.factor, 1.0)


@dataclass(frozen=True, kw_only=True)
class Artefact:
    """Stimulus artefact: a decaying oscillation at the frequency of the stimulus (own choice).

    Parameters
    ----------
    peak_nv : float
        Its value at 0 ms, the largest, in nV.
    decay_ms : float
        Time in which it falls to 1 / e, in ms.
    """

    peak_nv: float = 2000.0
    decay_ms: float = 0.3

    def trace(self, times_ms: ArrayLike, frequency_hz: float) -> FloatArray:
        """Return it for a rarefaction stimulus.

        Parameters
        ----------
        times_ms : array_like
            Time after the stimulus in ms.
        frequency_hz : float
            Of the stimulus, in Hz.

        Returns
        -------
        ndarray, shape of `times_ms`
            In nV; 0 before the stimulus.
        """
        times = np.asarray(times_ms, dtype=np.float64)
        after = np.clip(times, 0.0, None)
        turns = frequency_hz * 1e-3 * after
        wave = self.peak_nv * np.exp(-after / self.decay_ms) * np.cos(2 * math.pi * turns)
        return np.where(times < 0, 0.0, wave)


@dataclass(frozen=True, kw_only=True)
class Microphonic:
    """Cochlear microphonic: a tone at the frequency of the stimulus, early (own choice).

    Parameters
    ----------
    peak_nv : float
        Height of its Gaussian envelope, at 2 ms, in nV.
    """

    peak_nv: float = 120.0

    def trace(self, times_ms: ArrayLike, frequency_hz: float) -> FloatArray:
        """Return it for a rarefaction stimulus.

        Parameters
        ----------
        times_ms : array_like
            Time after the stimulus in ms.
        frequency_hz : float
            Of the stimulus, in Hz.

        Returns
        -------
        ndarray, shape of `times_ms`
            In nV; 0 before the stimulus.
        """
        times = np.asarray(times_ms, dtype=np.float64)
        lag = times - _MICROPHONIC_CENTRE_MS
        envelope = self.peak_nv * np.exp(-0.5 * (lag / _MICROPHONIC_SD_MS) ** 2)
        wave = envelope * np.cos(2 * math.pi * frequency_hz * 1e-3 * lag)
        return np.where(times < 0, 0.0, wave)


@dataclass(frozen=True, kw_only=True)
class Muscle:
    """Post-auricular muscle response: large, in two phases (common practice, no source).

    Parameters
    ----------
    swing_nv : float
        Its maximum, at 13.5 ms, minus its minimum, at 16.5 ms, in nV.
    """

    swing_nv: float = 600.0

    def trace(self, times_ms: ArrayLike) -> FloatArray:
        """Return it.

        Parameters
        ----------
        times_ms : array_like
            Time after the stimulus in ms.

        Returns
        -------
        ndarray, shape of `times_ms`
            In nV; the same for every polarity.
        """
        times = np.asarray(times_ms, dtype=np.float64)
        wave = np.zeros_like(times)
        for height, centre_ms, sd_ms in _MUSCLE:
            wave += height * np.exp(-0.5 * ((times - centre_ms) / sd_ms) ** 2)
        return self.swing_nv / (_MUSCLE[0][0] - _MUSCLE[1][0]) * wave


def polarity_signs(polarity: str | None, n_sweeps: int) -> FloatArray:
    """Return the sign of every sweep's stimulus.

    Parameters
    ----------
    polarity : {'rarefaction', 'condensation', 'alternating'} or None
        None is not recorded, and taken as rarefaction.
    n_sweeps : int
        How many sweeps.

    Returns
    -------
    ndarray, shape (n_sweeps,)
        1 for rarefaction, -1 for condensation.

    Raises
    ------
    DataError
        If the polarity is unknown or the count not positive.
    """
    if polarity not in POLARITY_SIGNS:
        known = ", ".join(name for name in POLARITY_SIGNS if name)
        raise DataError(f"polarity is {polarity!r}; it must be one of {known}")
    return np.resize(np.array(POLARITY_SIGNS[polarity]), whole(n_sweeps, name="n_sweeps"))
