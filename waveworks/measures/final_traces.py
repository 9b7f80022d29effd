"""The one or two traces that a level is judged on, and the two of them combined."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.averaging import Combination, combine
from waveworks.errors import DataError
from waveworks.measures.noise import (
    NoiseMeasure,
    ReplicateNoise,
    Window,
    combined_noise,
    known_counts,
    noise_among,
    noise_in,
    own_noise,
    shared_counts,
)
from waveworks.measures.pooling import mean_trace, noise_only_trace, pool, scaled_difference
from waveworks.model import Recording, TimeAxis, Waveforms

FloatArray = NDArray[np.float64]

COMBINED = "combined"


@dataclass(frozen=True, eq=False, kw_only=True)
class FinalTrace:
    """One trace that a level is judged on.

    Parameters
    ----------
    label : {'1', '2', 'combined'}
        Which it is.
    members : tuple of Recording
        The recordings averaged into it.
    weights : tuple of float
        Of each member; they sum to 1.
    weighting : {'counts', 'inverse-variance', 'equal'}
        Where the weights come from.
    trace_nv : ndarray, shape (n_samples,)
        In nV.
    axis : TimeAxis
        Of the trace.
    n_sweeps : int or None
        In all members; None where not known.
    noise : NoiseMeasure
        Left in the trace.
    """

    label: str
    members: tuple[Recording, ...]
    weights: tuple[float, ...]
    weighting: str
    trace_nv: FloatArray
    axis: TimeAxis
    n_sweeps: int | None
    noise: NoiseMeasure


def group_members(recordings: Sequence[Recording]) -> dict[str, tuple[Recording, ...]]:
    """Say which replicates belong to which final trace.

    Parameters
    ----------
    recordings : sequence of Recording
        The replicates of one condition, in row order.

    Returns
    -------
    dict of str to tuple of Recording
        One alone is trace 1; otherwise odd ones are pooled in trace 1 and even ones in trace 2
        (common practice, no source: four runs are kept apart as 1st with 3rd, 2nd with 4th),
        unless a recording's `group` says otherwise. Traces without a member are left out.
    """
    groups: dict[str, list[Recording]] = {"1": [], "2": []}
    for position, recording in enumerate(recordings):
        default = 1 + position % 2
        groups[str(recording.group or default)].append(recording)
    return {label: tuple(members) for label, members in groups.items() if members}


def final_traces(recordings: Sequence[Recording], window_ms: Window) -> tuple[FinalTrace, ...]:
    """Return the final traces of one condition, and the average of them all.

    Parameters
    ----------
    recordings : sequence of Recording
        The usable replicates of one condition, in row order.
    window_ms : tuple of float
        The noise window in ms.

    Returns
    -------
    tuple of FinalTrace
        Labelled '1', '2' where there is a second one, and 'combined'.

    Raises
    ------
    DataError
        If the recordings differ in rate, start or length.
    """
    check_axes(recordings)
    # The counts are settled once for the condition, so that weights and noise fit each other.
    counts, count_note = shared_counts(recordings)
    by_name = dict(zip((r.name for r in recordings), counts, strict=True))
    among = _among(recordings, window_ms)
    groups = {**group_members(recordings), COMBINED: tuple(recordings)}
    return tuple(
        _trace(
            label, members, tuple(by_name[m.name] for m in members), among, window_ms, count_note
        )
        for label, members in groups.items()
    )


def check_axes(recordings: Sequence[Recording]) -> None:
    """Refuse replicates that differ in rate, start or length.

    Parameters
    ----------
    recordings : sequence of Recording
        With usable data.

    Raises
    ------
    DataError
        Naming the two that differ.
    """
    first = recordings[0]
    for other in recordings[1:]:
        if not first.data.axis.agrees_with(other.data.axis):
            raise DataError(
                f"replicates '{first.name}' and '{other.name}' differ in time: "
                f"{first.data.axis} against {other.data.axis}"
            )


def noise_only(combined: FinalTrace, traces: Sequence[FinalTrace]) -> FloatArray | None:
    """Return noise at the scale of the combined trace.

    Parameters
    ----------
    combined : FinalTrace
        Whose noise is wanted.
    traces : sequence of FinalTrace
        All of its level.

    Returns
    -------
    ndarray, shape (n_samples,), or None
        From the pooled data, else from the difference of the two final traces; None without both.
    """
    pooled = pool(combined.members)
    difference = None if pooled is None else noise_only_trace(pooled)
    if difference is not None:
        return difference
    pair = [trace for trace in traces if trace is not combined]
    if len(pair) < 2:
        return None
    first, second = pair
    counts = (first.n_sweeps or 1, second.n_sweeps or 1)
    return scaled_difference(first.trace_nv, second.trace_nv, *counts)


def _among(recordings: Sequence[Recording], window_ms: Window) -> ReplicateNoise | None:
    if len(recordings) < 2:
        return None
    try:
        return noise_among(recordings, window_ms)
    except DataError:
        # The window's fault is told by the noise of each recording itself.
        return None


def _trace(
    label: str,
    members: tuple[Recording, ...],
    counts: tuple[int, ...],
    among: ReplicateNoise | None,
    window_ms: Window,
    count_note: str,
) -> FinalTrace:
    own = [own_noise(member, window_ms) for member in members]
    evident = all(noise.known for noise in own)
    # Data without any noise, such as zeros, would claim an infinite weight.
    weighable = all(noise.rn_nv > 0 for noise in own)
    combination = combine(
        [mean_trace(member.data) for member in members],
        [noise.rn_nv for noise in own] if weighable else None,
        n_sweeps=None if count_note else counts,
        df=[noise.df for noise in own] if weighable else None,
    )
    if evident:
        pooled = None if combination.method == "inverse-variance" or count_note else pool(members)
        noise = _evident_noise(own, combination, pooled, window_ms, count_note)
    else:
        noise = own[0] if among is None else among.left_in(members)
    n_sweeps = known_counts(members)
    return FinalTrace(
        label=label,
        members=members,
        weights=tuple(float(weight) for weight in combination.weights),
        weighting=combination.method,
        trace_nv=combination.trace_nv,
        axis=members[0].data.axis,
        n_sweeps=None if n_sweeps is None else sum(n_sweeps),
        noise=noise,
    )


def _evident_noise(
    own: list[NoiseMeasure],
    combination: Combination,
    pooled: Waveforms | None,
    window_ms: Window,
    count_note: str,
) -> NoiseMeasure:
    """Return the noise of members of which each shows its own."""
    if len(own) == 1:
        return own[0]
    notes = dict.fromkeys((*(noise.note for noise in own), count_note))
    note = "; ".join(note for note in notes if note)
    if pooled is None:
        return combined_noise(own, combination.weights.tolist(), note=note)
    return noise_in(pooled, window_ms, note=note)
