"""From signals to waveforms: what the layout of a row makes of the signals of its files."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from waveworks.errors import LoadError
from waveworks.loaders.cutting import within_limit
from waveworks.loaders.manifest import ManifestRow
from waveworks.loaders.raw import FloatArray, Signals, listed
from waveworks.model import Average, Blocks, Buffers, Counts, Sweeps, Waveforms

# Plausible RMS in nV (common practice, no source); a wrong unit is a factor of a thousand, so the
# limits can be wide.
_PLAUSIBLE_SWEEP_NV = (5.0, 2e5)
_PLAUSIBLE_AVERAGE_NV = (1.0, 2e4)
_POSSIBLE_NV = (1e-6, 1e12)


@dataclass(frozen=True, eq=False)
class Assembled:
    """The waveforms of a recording.

    Parameters
    ----------
    waveforms : Sweeps, Blocks, Buffers or Average
        As the layout says.
    counts : Counts
        Of sweeps.
    notes : tuple of str
        What a reader of the numbers should know.
    """

    waveforms: Waveforms
    counts: Counts
    notes: tuple[str, ...] = ()


def assemble(row: ManifestRow, contents: list[Signals], *, reject_uv: float | None) -> Assembled:
    """Make the waveforms of a recording.

    Parameters
    ----------
    row : ManifestRow
        What the signals are.
    contents : list of Signals
        Of each file of the row.
    reject_uv : float or None
        Rejection limit of sweeps in microvolt.

    Returns
    -------
    Assembled

    Raises
    ------
    LoadError
        If the signals are not what the layout needs, or contradict the counts of the row.
    """
    signals = _one_set(row, contents)
    signals = replace(
        signals,
        axis=replace(signals.axis, start_ms=signals.axis.start_ms - row.earphone_delay_ms),
    )
    _refuse_absurd(row, signals.values_nv)
    made = _LAYOUTS[row.layout](row, signals, reject_uv)
    return replace(made, notes=signals.notes + made.notes + _plausibility(made.waveforms))


def _refuse_absurd(row: ManifestRow, values_nv: FloatArray) -> None:
    """Refuse amplitudes that no amplifier gives and no arithmetic survives."""
    largest = float(np.abs(values_nv).max())
    low, high = _POSSIBLE_NV
    if largest > 0 and not low <= largest <= high:
        raise LoadError(
            f"{row.files[0]}: the largest amplitude is {largest:.3g} nV; it must lie between "
            f"{low:g} and {high:g} nV: is the unit right?"
        )


def _one_set(row: ManifestRow, contents: list[Signals]) -> Signals:
    """Join the signals of A's file and B's."""
    if len(contents) == 1:
        return contents[0]
    first, second = contents
    for name, content in zip(row.files, contents, strict=True):
        if len(content.labels) != 1:
            raise LoadError(f"{name}: {len(content.labels)} signals; a file of A or B holds one")
    if not first.axis.agrees_with(second.axis):
        raise LoadError(
            f"{' and '.join(row.files)}: A and B differ in time: {first.axis} against {second.axis}"
        )
    return Signals(
        labels=("a", "b"),
        values_nv=np.concatenate([first.values_nv, second.values_nv]),
        axis=first.axis,
        notes=first.notes + second.notes,
    )


def _sweeps(row: ManifestRow, signals: Signals, reject_uv: float | None) -> Assembled:
    sweeps = _accepted(signals)
    _check_count(row, "n_sweeps", row.n_sweeps, len(sweeps), "accepted sweeps")
    n_flagged = len(signals.values_nv) - len(sweeps)
    n_total = len(sweeps)
    if reject_uv is not None:
        sweeps = sweeps[within_limit(sweeps, reject_uv)]
    if len(sweeps) < 2:
        limit = "" if reject_uv is None else f" within {reject_uv:g} uV"
        raise LoadError(
            f"{row.files[0]}: {len(sweeps)} of {n_total} accepted sweeps{limit}; at least 2 are "
            "needed"
        )
    return Assembled(
        Sweeps(sweeps, signals.axis),
        Counts(len(sweeps), _rejected(row, n_flagged, signals), n_total - len(sweeps)),
    )


def _blocks(row: ManifestRow, signals: Signals, _: float | None) -> Assembled:
    blocks = _accepted(signals)
    if len(blocks) < 2:
        raise LoadError(f"{row.files[0]}: {len(blocks)} block; at least 2 are needed")
    counts = row.n_per_block * len(blocks) if len(row.n_per_block) == 1 else row.n_per_block
    if counts and len(counts) != len(blocks):
        raise LoadError(
            f"{row.where}: n_per_block lists {len(counts)} counts, the file holds "
            f"{len(blocks)} accepted blocks"
        )
    notes: tuple[str, ...] = ()
    if counts:
        _check_count(row, "n_sweeps", row.n_sweeps, sum(counts), "sweeps by n_per_block")
    else:
        notes = ("n_per_block is not given: blocks are taken as equally large",)
    waveforms = Blocks(blocks, counts or None, signals.axis)
    n_flagged = len(signals.values_nv) - len(blocks)
    if n_flagged:
        notes += (f"{n_flagged} blocks are flagged out",)
    return Assembled(waveforms, Counts(waveforms.n_sweeps or row.n_sweeps, row.n_rejected), notes)


def _buffers(row: ManifestRow, signals: Signals, _: float | None) -> Assembled:
    if len(signals.labels) == 1:
        raise LoadError(
            f"{row.files[0]}: only '{signals.labels[0]}'; A without B is no buffer pair"
        )
    order = _buffer_order(row, signals)
    n_a, n_b, notes = _buffer_counts(row)
    a, b = signals.values_nv[order[0]], signals.values_nv[order[1]]
    if np.array_equal(a, b):
        notes += ("A and B are identical: their difference holds no noise at all",)
    waveforms = Buffers(a, b, n_a, n_b, signals.axis)
    return Assembled(waveforms, Counts(waveforms.n_sweeps, row.n_rejected), notes)


def _buffer_order(row: ManifestRow, signals: Signals) -> tuple[int, int]:
    if len(signals.labels) == 2 and (row.signals or len(row.files) == 2):
        return 0, 1
    lower = [label.lower() for label in signals.labels]
    if sorted(lower) == ["a", "b"]:
        return lower.index("a"), lower.index("b")
    raise LoadError(
        f"{row.files[0]}: holds {listed(signals.labels)}; name A and B in the column signals, "
        "as 'first;second'"
    )


def _buffer_counts(row: ManifestRow) -> tuple[int | None, int | None, tuple[str, ...]]:
    if row.n_a is not None and row.n_b is not None:
        _check_count(row, "n_sweeps", row.n_sweeps, row.n_a + row.n_b, "sweeps by n_a and n_b")
        return row.n_a, row.n_b, ()
    if (row.n_a is None) != (row.n_b is None):
        raise LoadError(f"{row.where}: n_a and n_b belong together; only one is given")
    if row.n_sweeps is None:
        return None, None, ("n_a and n_b are not given: A and B are taken as equally large",)
    half = row.n_sweeps // 2
    if half == 0:
        raise LoadError(f"{row.where}: n_sweeps is 1; two buffers need at least 2")
    return row.n_sweeps - half, half, ("n_a and n_b are taken as the halves of n_sweeps",)


def _average(row: ManifestRow, signals: Signals, _: float | None) -> Assembled:
    position = 0
    if len(signals.labels) > 1:
        if "average" not in signals.labels or row.signals:
            raise LoadError(
                f"{row.files[0]}: holds {listed(signals.labels)}; the layout 'average' needs "
                "one, named in the column signals"
            )
        position = signals.labels.index("average")
    waveforms = Average(signals.values_nv[position], row.n_sweeps, signals.axis)
    return Assembled(waveforms, Counts(row.n_sweeps, row.n_rejected))


_LAYOUTS: dict[str, Callable[[ManifestRow, Signals, float | None], Assembled]] = {
    "sweeps": _sweeps,
    "blocks": _blocks,
    "buffers": _buffers,
    "average": _average,
}


def _accepted(signals: Signals) -> FloatArray:
    return signals.values_nv if signals.accepted is None else signals.values_nv[signals.accepted]


def _rejected(row: ManifestRow, n_flagged: int, signals: Signals) -> int | None:
    if signals.accepted is None:
        return row.n_rejected
    return (row.n_rejected or 0) + n_flagged


def _check_count(row: ManifestRow, column: str, stated: int | None, found: int, what: str) -> None:
    if stated is not None and stated != found:
        raise LoadError(f"{row.where}: {column} is {stated}, but there are {found} {what}")


def _plausibility(waveforms: Waveforms) -> tuple[str, ...]:
    values, (low, high) = _samples(waveforms)
    rms = float(np.sqrt(np.mean(values**2)))
    if rms == 0:
        return ("every sample is zero",)
    if not low <= rms <= high:
        return (
            f"amplitude is implausible, RMS {rms:.3g} nV where {low:g} to {high:g} nV is usual; "
            "check the unit",
        )
    return ()


def _samples(waveforms: Waveforms) -> tuple[FloatArray, tuple[float, float]]:
    match waveforms:
        case Sweeps():
            return waveforms.sweeps_nv, _PLAUSIBLE_SWEEP_NV
        case Blocks():
            return waveforms.blocks_nv, _PLAUSIBLE_AVERAGE_NV
        case Buffers():
            return np.concatenate([waveforms.a_nv, waveforms.b_nv]), _PLAUSIBLE_AVERAGE_NV
        case Average():
            return waveforms.trace_nv, _PLAUSIBLE_AVERAGE_NV
