"""Where sweeps without a response come from: simulated, or a session's own."""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from waveworks.calibration.own_sweeps import SessionNoise
from waveworks.errors import DataError
from waveworks.model import TimeAxis
from waveworks.simulate.noise import NOISE_KINDS, simulate_noise

FloatArray = NDArray[np.float64]
Window = tuple[float, float]

SIMULATED_AXIS = TimeAxis(12_000.0, 0.0, 300)
RESPONSE_MS = (5.0, 17.0)
"""Response window of simulated noise (the validation scenarios')."""


@dataclass(frozen=True)
class SimulatedNoise:
    """Successive sweeps of simulated noise, 25 ms at 12 kHz.

    Parameters
    ----------
    name : str
        One of `NOISE_KINDS`.
    axis : TimeAxis
        Of the sweeps, 25 ms at 12 kHz as `simulate_noise` draws them.
    response_ms : tuple of float
        Response window in ms.
    per_epoch : int
        1: every epoch is a sweep.

    Raises
    ------
    DataError
        If there is no such noise.
    """

    name: str
    axis: TimeAxis = SIMULATED_AXIS
    response_ms: Window = RESPONSE_MS
    per_epoch: int = 1

    def __post_init__(self) -> None:
        """Refuse a noise that does not exist."""
        if self.name not in NOISE_KINDS:
            raise DataError(f"noise {self.name!r} is none of {', '.join(NOISE_KINDS)}")

    def draw(self, n_sweeps: int, rng: np.random.Generator) -> FloatArray:
        """Return successive sweeps.

        Parameters
        ----------
        n_sweeps : int
            How many.
        rng : numpy.random.Generator
            Moves on.

        Returns
        -------
        ndarray, shape (n_sweeps, n_samples)
            In nV.
        """
        return simulate_noise(self.name, n_sweeps, seed=rng)


NoiseSource: TypeAlias = SimulatedNoise | SessionNoise
"""Draws sweeps of noise, and says what they are called, when they were sampled, in which window a
response is looked for, and how many sweeps are averaged in each epoch."""
