"""A session's own sweeps with the response taken away."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.coloured_noise import ROUNDING
from waveworks.errors import DataError
from waveworks.measures.detect import NO_SWEEPS
from waveworks.measures.noise import used_ms
from waveworks.measures.recordings import windows_of
from waveworks.model import Average, Blocks, Buffers, Recording, Session, Sweeps, TimeAxis
from waveworks.settings import Settings

FloatArray = NDArray[np.float64]
Window = tuple[float, float]

TURNED_TOGETHER = 10
"""Successive sweeps that are turned over together, so that their dependence stays."""

FEWEST_BLOCKS = 20
"""Blocks that are turned over, below which a recording is refused: there are 184 756 ways to turn
half of 20, so that hardly two draws are the same, and 252 of 10 (own choice; of one block the
average is 0 in every draw)."""

ONLY_BUFFERS = (
    "A and B hold no sweeps; they still allow the A/B ratio and the shape test "
    "(waveworks detect), which are weaker"
)

SHARED = (
    "All draws share the sweeps of one recording: rates hold for it, and their intervals say "
    "nothing of another recording."
)


@dataclass(frozen=True, eq=False)
class SessionNoise:
    """The sweeps of one recording without their mean, half of them turned over.

    Which half is drawn anew each time, in blocks of ten successive sweeps. The mean is taken away
    first because a response that is turned over with its sweeps is gone from the average, but not
    from the scatter that every test takes for noise. A response that changes during the recording
    stays in part.

    All draws share the sweeps of one recording: rates hold for it, and the interval of a rate says
    nothing of another recording. What successive blocks have in common is lost.

    Parameters
    ----------
    name : str
        Of the recording.
    axis : TimeAxis
        Of the sweeps.
    response_ms : tuple of float
        Response window in ms.
    epochs_nv : ndarray, shape (n_epochs, n_samples)
        Sweeps or averages of equal blocks of them, in the order of recording.
    per_epoch : int
        Sweeps in each.
    """

    name: str
    axis: TimeAxis
    response_ms: Window
    epochs_nv: FloatArray
    per_epoch: int = 1

    @property
    def n_sweeps(self) -> int:
        """How many sweeps there are."""
        return len(self.epochs_nv) * self.per_epoch

    @property
    def _block_size(self) -> int:
        """How many epochs are turned over together."""
        return max(1, TURNED_TOGETHER // self.per_epoch)

    def draw(self, n_sweeps: int, rng: np.random.Generator) -> FloatArray:
        """Return the first epochs without their mean, half of their blocks turned over.

        Parameters
        ----------
        n_sweeps : int
            How many sweeps they hold together.
        rng : numpy.random.Generator
            Moves on.

        Returns
        -------
        ndarray, shape (n_sweeps / per_epoch, n_samples)
            In nV.

        Raises
        ------
        DataError
            If the recording has fewer, they are no whole number of epochs, or too few blocks.
        """
        self.check([n_sweeps])
        epochs = self.epochs_nv[: n_sweeps // self.per_epoch]
        size = self._block_size
        signs = np.where(rng.permutation(-(-len(epochs) // size)) % 2, -1.0, 1.0)
        signs = np.repeat(signs, size)[: len(epochs), np.newaxis]
        return np.asarray((epochs - epochs.mean(axis=0)) * signs)

    def check(self, looks: Sequence[int]) -> None:
        """Refuse looks that are not possible.

        Parameters
        ----------
        looks : sequence of int
            Sweeps at each look, rising.

        Raises
        ------
        DataError
            If the recording has fewer, a look is no whole number of epochs, or the last one holds
            fewer than 20 blocks to turn over.
        """
        if looks[-1] > self.n_sweeps:
            raise DataError(
                f"recording '{self.name}' has {self.n_sweeps} sweeps; the last look is at "
                f"{looks[-1]}"
            )
        if any(look % self.per_epoch for look in looks):
            raise DataError(
                f"recording '{self.name}' holds blocks of {self.per_epoch} sweeps; every look "
                "must be a multiple of that"
            )
        fewest = FEWEST_BLOCKS * self._block_size * self.per_epoch
        if looks[-1] < fewest:
            raise DataError(
                f"recording '{self.name}': {looks[-1]} sweeps are too few to turn half of them "
                f"over, {FEWEST_BLOCKS} blocks of {self._block_size * self.per_epoch} sweeps are "
                f"needed: {fewest}"
            )


@dataclass(frozen=True, eq=False)
class SessionSources:
    """The recordings of a session whose noise can be used.

    Parameters
    ----------
    sources : tuple of SessionNoise
        At least one.
    looks : tuple of int
        Sweeps at each look.
    left_out : tuple of str
        Why each of the other recordings cannot be used, one line each.
    """

    sources: tuple[SessionNoise, ...]
    looks: tuple[int, ...]
    left_out: tuple[str, ...]


def session_sources(
    session: Session, settings: Settings, looks: Sequence[int] = ()
) -> SessionSources:
    """Return the noise of every recording that allows the looks.

    Parameters
    ----------
    session : Session
        Its recordings, usable or not.
    settings : Settings
        Response window per stimulus.
    looks : sequence of int
        Sweeps at each look, rising; empty is one look, at all sweeps of the shortest recording
        that has enough of them.

    Returns
    -------
    SessionSources

    Raises
    ------
    DataError
        If no recording can be used, with the reason of each.
    """
    found: list[SessionNoise] = []
    left_out: list[str] = []
    for recording in session.recordings:
        try:
            source = session_noise(recording, settings)
            source.check((source.n_sweeps,))
        except DataError as fault:
            left_out.append(f"left out: {fault}")
        else:
            found.append(source)
    if found and not looks:
        looks = (min(source.n_sweeps for source in found),)
    sources: list[SessionNoise] = []
    for source in found:
        try:
            source.check(looks)
        except DataError as fault:
            left_out.append(f"left out: {fault}")
        else:
            sources.append(source)
    if not sources:
        raise DataError("\n".join(("no recording of the session can be used", *left_out)))
    return SessionSources(tuple(sources), tuple(looks), tuple(left_out))


def session_noise(recording: Recording, settings: Settings) -> SessionNoise:
    """Return the noise of one recording.

    Parameters
    ----------
    recording : Recording
        That holds sweeps or equal blocks of them.
    settings : Settings
        Response window per stimulus.

    Returns
    -------
    SessionNoise
        Cut to the response window.

    Raises
    ------
    DataError
        If the recording holds no sweeps, or identical ones, or the response window is not inside
        the data.
    """
    try:
        epochs, per_epoch, axis = _epochs(recording)
        windows = windows_of(recording, settings)
        window = axis.window(*windows.response_ms, name="response window")
    except DataError as fault:
        raise DataError(f"recording '{recording.name}': {fault}") from None
    cut = epochs[:, window]
    if np.ptp(cut, axis=0).max() <= ROUNDING * np.abs(cut).max():
        raise DataError(f"recording '{recording.name}': its sweeps are identical, without noise")
    start_ms, stop_ms = used_ms(axis, window)
    return SessionNoise(
        name=recording.name,
        axis=TimeAxis(axis.sfreq_hz, start_ms, cut.shape[1]),
        response_ms=(start_ms, stop_ms),
        epochs_nv=cut,
        per_epoch=per_epoch,
    )


def _epochs(recording: Recording) -> tuple[FloatArray, int, TimeAxis]:
    match recording.data:
        case Sweeps(sweeps_nv=epochs, axis=axis):
            return epochs, 1, axis
        case Blocks(blocks_nv=epochs, n_per_block=counts, axis=axis):
            if counts is None or len(set(counts)) > 1:
                raise DataError("its blocks are of unequal or unknown size")
            return epochs, int(counts[0]), axis
        case Buffers():
            raise DataError(ONLY_BUFFERS)
        case Average():
            raise DataError(NO_SWEEPS)
