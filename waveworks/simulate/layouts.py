"""What a recording system keeps of its accepted sweeps: all, blocks, A and B, or one average."""

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import ScenarioError
from waveworks.model import Average, Blocks, Buffers, Sweeps, TimeAxis, Waveforms
from waveworks.simulate.plans import RecordingPlan
from waveworks.simulate.sweeps import AcceptedSweeps

FloatArray = NDArray[np.float64]


def stored(plan: RecordingPlan, accepted: AcceptedSweeps, axis: TimeAxis) -> Waveforms:
    """Return what is stored of a recording.

    Parameters
    ----------
    plan : RecordingPlan
        Whose layout is wanted.
    accepted : AcceptedSweeps
        Its sweeps.
    axis : TimeAxis
        Of every sweep.

    Returns
    -------
    Sweeps, Blocks, Buffers or Average

    Raises
    ------
    ScenarioError
        If rejection has left fewer than two blocks, or a buffer without a sweep.
    """
    sweeps = accepted.sweeps_nv
    if plan.layout == "sweeps":
        return Sweeps(sweeps, axis)
    if plan.layout == "blocks":
        return _blocks(plan, sweeps, axis)
    if plan.layout == "buffers":
        a, b = buffers(plan, accepted)
        return Buffers(a.mean(axis=0), b.mean(axis=0), len(a), len(b), axis)
    return Average(sweeps.mean(axis=0), len(sweeps), axis)


def buffers(plan: RecordingPlan, accepted: AcceptedSweeps) -> tuple[FloatArray, FloatArray]:
    """Return the sweeps that go into A and those that go into B.

    Parameters
    ----------
    plan : RecordingPlan
        Whose `buffer_split` says how.
    accepted : AcceptedSweeps
        Its sweeps. They are dealt out after rejection (own choice): A and B differ by one sweep
        at most, except under a split by polarity.

    Returns
    -------
    a, b : ndarray, shape (n_a, n_samples) and (n_b, n_samples)
        In nV.

    Raises
    ------
    ScenarioError
        If one of them is left without a sweep.
    """
    sweeps = accepted.sweeps_nv
    if plan.buffer_split == "polarity":
        a, b = sweeps[accepted.signs > 0], sweeps[accepted.signs < 0]
    elif plan.buffer_split == "halves":
        a, b = sweeps[: (len(sweeps) + 1) // 2], sweeps[(len(sweeps) + 1) // 2 :]
    else:
        a, b = sweeps[::2], sweeps[1::2]
    if not len(a) or not len(b):
        raise ScenarioError(
            f"recording '{plan.name}': of {len(sweeps)} accepted sweeps A holds {len(a)} and B "
            f"{len(b)}; each needs at least 1"
        )
    return a, b


def _blocks(plan: RecordingPlan, sweeps: FloatArray, axis: TimeAxis) -> Blocks:
    first = np.arange(0, len(sweeps), plan.n_per_block)
    counts = np.diff(np.append(first, len(sweeps)))
    if counts.size < 2:
        raise ScenarioError(
            f"recording '{plan.name}': {len(sweeps)} accepted sweeps are {counts.size} block of "
            f"n_per_block, {plan.n_per_block}; at least 2 blocks are needed"
        )
    means = np.add.reduceat(sweeps, first, axis=0) / counts[:, np.newaxis]
    return Blocks(means, tuple(counts.tolist()), axis)
