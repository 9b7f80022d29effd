"""Averages of recordings, and the evidence of several recordings put together."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.averaging import combine
from waveworks.model import Average, Blocks, Buffers, Recording, Sweeps, Waveforms

FloatArray = NDArray[np.float64]

_MOST_BLOCKS, _FEWEST_BLOCKS, _FEWEST_IN_BLOCK = 60, 10, 10


def mean_trace(waveforms: Waveforms) -> FloatArray:
    """Return the average over all sweeps of a recording.

    Parameters
    ----------
    waveforms : Sweeps, Blocks, Buffers or Average
        Of the recording.

    Returns
    -------
    ndarray, shape (n_samples,)
        In nV; blocks and buffers count by their sweeps, equally where nobody said.
    """
    match waveforms:
        case Sweeps():
            return np.asarray(waveforms.sweeps_nv.mean(axis=0))
        case Blocks():
            return combine(waveforms.blocks_nv, n_sweeps=waveforms.n_per_block).trace_nv
        case Buffers():
            return combine([waveforms.a_nv, waveforms.b_nv], n_sweeps=waveforms.counts).trace_nv
        case Average():
            return waveforms.trace_nv


def noise_only_trace(waveforms: Waveforms) -> FloatArray | None:
    """Return a trace that holds the noise of the average and nothing of the response.

    Parameters
    ----------
    waveforms : Sweeps, Blocks, Buffers or Average
        Of a recording.

    Returns
    -------
    ndarray, shape (n_samples,), or None
        Half the difference of odd and even sweeps or blocks, or of A and B, at the scale of the
        noise in the average (the plus-minus reference, Schimmel 1967); None for one average, one
        sweep or one block.
    """
    match waveforms:
        case Sweeps(sweeps_nv=single) | Blocks(blocks_nv=single) if len(single) < 2:
            return None
        case Sweeps():
            return _alternate_difference(waveforms.sweeps_nv, (1,) * waveforms.n_sweeps)
        case Blocks():
            counts = waveforms.n_per_block or (1,) * len(waveforms.blocks_nv)
            return _alternate_difference(waveforms.blocks_nv, counts)
        case Buffers():
            return scaled_difference(waveforms.a_nv, waveforms.b_nv, *waveforms.counts)
        case Average():
            return None


def noise_only_traces(recordings: Sequence[Recording]) -> FloatArray:
    """Return as many noise-only traces as recordings hold, at the scale of their average's noise.

    Parameters
    ----------
    recordings : sequence of Recording
        With usable data on one time axis.

    Returns
    -------
    ndarray, shape (n_traces, n_samples)
        Deviations of up to 60 blocks of successive sweeps, or of ten and more stored blocks, from
        their mean; else the difference of A and B of each recording; else half the difference of
        odd and even sweeps or blocks. None at all where nothing tells the noise.
    """
    waveforms = [recording.data for recording in recordings]
    pairs = [w for w in waveforms if isinstance(w, Buffers)]
    if len(pairs) == len(waveforms):
        known = all(pair.n_sweeps is not None for pair in pairs)
        counts = [pair.counts if known else (1, 1) for pair in pairs]
        total = sum(n_a + n_b for n_a, n_b in counts)
        return np.array(
            [
                scaled_difference(pair.a_nv, pair.b_nv, n_a, n_b) * math.sqrt((n_a + n_b) / total)
                for pair, (n_a, n_b) in zip(pairs, counts, strict=True)
            ]
        )
    pooled = pool(recordings)
    blocks = None if pooled is None else _blocks(pooled)
    if blocks is not None:
        return blocks
    difference = None if pooled is None else noise_only_trace(pooled)
    return (
        np.empty((0, waveforms[0].axis.n_samples)) if difference is None else difference[np.newaxis]
    )


def _blocks(waveforms: Waveforms) -> FloatArray | None:
    """Return deviations of blocks from their mean, each at the scale of the noise in the mean."""
    match waveforms:
        case Sweeps(sweeps_nv=sweeps):
            n_blocks = min(_MOST_BLOCKS, len(sweeps) // _FEWEST_IN_BLOCK)
            if n_blocks < _FEWEST_BLOCKS:
                return None
            parts = np.array_split(sweeps, n_blocks)
            blocks = np.array([part.mean(axis=0) for part in parts])
            counts = np.array([len(part) for part in parts], dtype=np.float64)
        case Blocks(blocks_nv=blocks) if len(blocks) >= _FEWEST_BLOCKS:
            counts = np.array(waveforms.n_per_block or [1] * len(blocks), dtype=np.float64)
        case _:
            return None
    shares = counts / counts.sum()
    apart = blocks - shares @ blocks
    # sqrt(share) brings a block's noise to that of the mean of all, which it moved with.
    return np.asarray(apart * np.sqrt(shares * len(blocks) / (len(blocks) - 1))[:, np.newaxis])


def scaled_difference(x: FloatArray, y: FloatArray, n_x: float, n_y: float) -> FloatArray:
    """Return the difference of two averages at the scale of the noise in their combination.

    Parameters
    ----------
    x, y : ndarray, shape (n_samples,)
        The averages in nV.
    n_x, n_y : float
        Sweeps in each.

    Returns
    -------
    ndarray, shape (n_samples,)
        (x - y) / 2 for equal counts.
    """
    return (x - y) * (math.sqrt(n_x * n_y) / (n_x + n_y))


def pool(recordings: Sequence[Recording]) -> Waveforms | None:
    """Put the sweeps, blocks or buffers of several recordings together.

    Parameters
    ----------
    recordings : sequence of Recording
        With usable data on one time axis.

    Returns
    -------
    Sweeps, Blocks, Buffers or None
        All sweeps; all blocks; or the count-weighted A and the count-weighted B. None where the
        recordings hold averages, or not all the same.
    """
    waveforms = [recording.data for recording in recordings]
    axis = waveforms[0].axis
    sweeps = [w for w in waveforms if isinstance(w, Sweeps)]
    blocks = [w for w in waveforms if isinstance(w, Blocks)]
    buffers = [w for w in waveforms if isinstance(w, Buffers)]
    if len(sweeps) == len(waveforms):
        return Sweeps(np.concatenate([w.sweeps_nv for w in sweeps]), axis)
    if len(blocks) == len(waveforms):
        counts = [w.n_per_block for w in blocks]
        known = [count for block_counts in counts if block_counts for count in block_counts]
        values = np.concatenate([w.blocks_nv for w in blocks])
        return Blocks(values, tuple(known) if all(counts) else None, axis)
    if len(buffers) == len(waveforms):
        return _pool_buffers(buffers)
    return None


def without_copies(
    recordings: Sequence[Recording],
) -> tuple[tuple[Recording, ...], tuple[str, ...]]:
    """Leave out recordings that hold the very samples of an earlier one.

    Parameters
    ----------
    recordings : sequence of Recording
        With usable data, in row order.

    Returns
    -------
    recordings : tuple of Recording
        Each set of samples once: counted twice, noise would look like a response.
    notes : tuple of str
        Which were left out, and for what.
    """
    first: dict[tuple[bytes, ...], Recording] = {}
    notes = []
    for recording in recordings:
        samples = tuple(array.tobytes() for array in _arrays(recording.data))
        if samples in first:
            notes.append(
                f"'{recording.name}' holds the same samples as '{first[samples].name}' and is "
                "counted once"
            )
        first.setdefault(samples, recording)
    return tuple(first.values()), tuple(notes)


def _arrays(waveforms: Waveforms) -> tuple[FloatArray, ...]:
    match waveforms:
        case Sweeps():
            return (waveforms.sweeps_nv,)
        case Blocks():
            return (waveforms.blocks_nv,)
        case Buffers():
            return (waveforms.a_nv, waveforms.b_nv)
        case Average():
            return (waveforms.trace_nv,)


def _pool_buffers(buffers: Sequence[Buffers]) -> Buffers:
    known = all(pair.n_sweeps is not None for pair in buffers)
    counts = [pair.counts if known else (1, 1) for pair in buffers]
    n_a, n_b = (sum(side) for side in zip(*counts, strict=True))
    return Buffers(
        combine([pair.a_nv for pair in buffers], n_sweeps=[n for n, _ in counts]).trace_nv,
        combine([pair.b_nv for pair in buffers], n_sweeps=[n for _, n in counts]).trace_nv,
        n_a if known else None,
        n_b if known else None,
        buffers[0].axis,
    )


def _alternate_difference(averages: FloatArray, counts: Sequence[int]) -> FloatArray:
    odd, even = averages[0::2], averages[1::2]
    n_odd, n_even = counts[0::2], counts[1::2]
    return scaled_difference(
        combine(odd, n_sweeps=n_odd).trace_nv,
        combine(even, n_sweeps=n_even).trace_nv,
        sum(n_odd),
        sum(n_even),
    )
