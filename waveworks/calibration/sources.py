"""Sweeps without a response: simulated, or a session's own with the response turned away."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import DataError
from waveworks.measures.recordings import windows_of
from waveworks.model import Recording, Session, Sweeps, TimeAxis
from waveworks.settings import Settings
from waveworks.simulate.noise import NOISE_KINDS, simulate_noise

FloatArray = NDArray[np.float64]
Window = tuple[float, float]

SIMULATED_AXIS = TimeAxis(12_000.0, 0.0, 300)
RESPONSE_MS = (5.0, 17.0)
"""Response window of simulated noise (the validation scenarios')."""

PER_BLOCK = 10
"""Successive sweeps that are turned over together."""


class NoiseSource(Protocol):
    """Where sweeps without a response come from."""

    @property
    def name(self) -> str:
        """Of the noise, for the table."""
        ...

    @property
    def axis(self) -> TimeAxis:
        """Of the sweeps."""
        ...

    @property
    def response_ms(self) -> Window:
        """Response window in ms."""
        ...

    def draw(self, n_sweeps: int, rng: np.random.Generator) -> FloatArray:
        """Return sweeps in nV, shape (n_sweeps, n_samples).

        Parameters
        ----------
        n_sweeps : int
            How many.
        rng : numpy.random.Generator
            Moves on.

        Returns
        -------
        ndarray
        """
        ...


@dataclass(frozen=True)
class SimulatedNoise:
    """Successive sweeps of simulated noise, 25 ms at 12 kHz.

    Parameters
    ----------
    name : str
        One of `NOISE_KINDS`.

    Raises
    ------
    DataError
        If there is no such noise.
    """

    name: str
    axis: TimeAxis = SIMULATED_AXIS
    response_ms: Window = RESPONSE_MS

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


@dataclass(frozen=True, eq=False)
class SessionNoise:
    """The sweeps of one recording, half of them turned over, so that the response is gone.

    Which half is drawn anew each time, in blocks of ten successive sweeps. All draws share the
    sweeps of one recording: rates on it hold for it, and scatter less than those of as many
    recordings would.

    Parameters
    ----------
    name : str
        Of the recording.
    axis : TimeAxis
        Of the sweeps.
    response_ms : tuple of float
        Response window in ms.
    sweeps_nv : ndarray, shape (n_sweeps, n_samples)
        In the order of recording.
    """

    name: str
    axis: TimeAxis
    response_ms: Window
    sweeps_nv: FloatArray

    def draw(self, n_sweeps: int, rng: np.random.Generator) -> FloatArray:
        """Return the first sweeps, half of their blocks turned over.

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

        Raises
        ------
        DataError
            If the recording has fewer.
        """
        if n_sweeps > len(self.sweeps_nv):
            raise DataError(
                f"recording '{self.name}' has {len(self.sweeps_nv)} sweeps; the last look is at "
                f"{n_sweeps}"
            )
        n_blocks = -(-n_sweeps // PER_BLOCK)
        signs = np.where(rng.permutation(n_blocks) % 2, -1.0, 1.0)
        signs = np.repeat(signs, PER_BLOCK)[:n_sweeps, np.newaxis]
        return np.asarray(self.sweeps_nv[:n_sweeps] * signs)


def session_noise(session: Session, settings: Settings) -> tuple[SessionNoise, ...]:
    """Return the noise of every recording that holds single sweeps.

    Parameters
    ----------
    session : Session
        Its recordings, usable or not.
    settings : Settings
        Response window per stimulus.

    Returns
    -------
    tuple of SessionNoise

    Raises
    ------
    DataError
        If no recording holds sweeps, or the response window is not inside the data.
    """
    found = tuple(
        _noise_of(recording, recording.waveforms, settings)
        for recording in session.recordings
        if isinstance(recording.waveforms, Sweeps)
    )
    if not found:
        raise DataError(
            "no recording holds single sweeps: nothing can be calibrated on this session; its A "
            "and B buffers still allow the A/B ratio and the shape test (waveworks detect), which "
            "are weaker"
        )
    return found


def _noise_of(recording: Recording, waveforms: Sweeps, settings: Settings) -> SessionNoise:
    windows = windows_of(recording, settings)
    waveforms.axis.window(*windows.response_ms, name="response window")
    return SessionNoise(recording.name, waveforms.axis, windows.response_ms, waveforms.sweeps_nv)
