"""Residual noise from the best evidence that an export holds."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from waveworks.dsp.residual_noise import (
    ResidualNoise,
    noise_from_buffers,
    noise_from_replicates,
    noise_from_sweeps,
)
from waveworks.errors import DataError
from waveworks.measures.pooling import mean_trace
from waveworks.model import Average, Blocks, Buffers, Recording, Sweeps, TimeAxis, Waveforms

Window = tuple[float, float]

EVIDENCE = ("sweeps", "blocks", "buffers", "replicates")
"""What residual noise can rest on, the best first."""

NO_EVIDENCE = "no residual noise: one average without sweeps, buffers or replicates"

POLARITY_NOTE = (
    "A and B {how}: their difference holds more than noise (microphonic, artefact), so this "
    "residual noise is no evidence of absence"
)


@dataclass(frozen=True, kw_only=True)
class NoiseMeasure:
    """The noise left in one trace.

    Parameters
    ----------
    rn_nv : float
        Standard deviation of the noise in nV; NaN where there is no evidence.
    low_nv, high_nv : float
        Its 95 % interval in nV.
    df : float
        Degrees of freedom behind it.
    method : {'sweeps', 'blocks', 'buffers', 'replicates', ''}
        The evidence that was used.
    start_ms, stop_ms : float
        The samples that were used, first and last, in ms.
    note : str
        Why it is missing, or what to know about it.
    fault : str
        What was wrong with the window that was asked for; empty if nothing was.
    """

    rn_nv: float = math.nan
    low_nv: float = math.nan
    high_nv: float = math.nan
    df: float = math.nan
    method: str = ""
    start_ms: float = math.nan
    stop_ms: float = math.nan
    note: str = ""
    fault: str = ""

    @classmethod
    def of(cls, noise: ResidualNoise, used_ms: Window, *, note: str = "") -> "NoiseMeasure":
        """Return the measure with its interval.

        Parameters
        ----------
        noise : ResidualNoise
            From the arithmetic.
        used_ms : tuple of float
            The samples that were used, first and last, in ms.
        note : str
            What to know about it.

        Returns
        -------
        NoiseMeasure
        """
        low, high = noise.interval(0.95)
        return cls(
            rn_nv=noise.rn_nv,
            low_nv=low,
            high_nv=high,
            df=noise.df,
            method=noise.method,
            start_ms=used_ms[0],
            stop_ms=used_ms[1],
            note=note,
        )

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return not math.isnan(self.rn_nv)


def noise_in(waveforms: Waveforms, window_ms: Window, *, note: str = "") -> NoiseMeasure:
    """Return the residual noise that the data show by themselves.

    Parameters
    ----------
    waveforms : Sweeps, Blocks, Buffers or Average
        Of one recording, or pooled over several.
    window_ms : tuple of float
        The noise window in ms.
    note : str
        What to know about the evidence.

    Returns
    -------
    NoiseMeasure
        Empty, with the reason, for one average or a window outside the data.
    """
    try:
        window = waveforms.axis.window(*window_ms, name="noise window")
        noise = _noise(waveforms, window)
    except DataError as fault:
        return NoiseMeasure(fault=f"no residual noise: {fault}")
    if noise is None:
        return NoiseMeasure(note=NO_EVIDENCE)
    return NoiseMeasure.of(noise, used_ms(waveforms.axis, window), note=note)


def own_noise(recording: Recording, window_ms: Window) -> NoiseMeasure:
    """Return the residual noise that a recording shows by itself.

    Parameters
    ----------
    recording : Recording
        With usable data.
    window_ms : tuple of float
        The noise window in ms.

    Returns
    -------
    NoiseMeasure
        As `noise_in`, with a note where A and B differ by more than noise.
    """
    return noise_in(recording.data, window_ms, note=_split_note(recording))


def used_ms(axis: TimeAxis, window: slice) -> Window:
    """Return the times of the first and the last sample of a window.

    Parameters
    ----------
    axis : TimeAxis
        That was cut.
    window : slice
        Of its samples.

    Returns
    -------
    tuple of float
        In ms.
    """
    return axis.time_ms(window.start), axis.time_ms(window.stop - 1)


@dataclass(frozen=True)
class ReplicateNoise:
    """The noise of replicates, from how they differ from one another.

    Parameters
    ----------
    whole : ResidualNoise
        Left in the average of them all.
    counts : dict of str to int
        Sweeps of each recording, ones where they are not all known.
    used_ms : tuple of float
        The samples that were used, first and last, in ms.
    note : str
        What to know about it.
    """

    whole: ResidualNoise
    counts: dict[str, int]
    used_ms: Window
    note: str

    def left_in(self, members: Sequence[Recording]) -> NoiseMeasure:
        """Return the noise left in the average of some of the replicates.

        Parameters
        ----------
        members : sequence of Recording
            One, several or all of them.

        Returns
        -------
        NoiseMeasure
            Noise falls with the square root of the sweeps.
        """
        share = sum(self.counts[m.name] for m in members) / sum(self.counts.values())
        noise = replace(self.whole, rn_nv=self.whole.rn_nv / math.sqrt(share))
        return NoiseMeasure.of(noise, self.used_ms, note=self.note)


def noise_among(recordings: Sequence[Recording], window_ms: Window) -> ReplicateNoise:
    """Return the noise of replicates, from how they differ.

    Parameters
    ----------
    recordings : sequence of Recording
        At least two replicates with usable data on one time axis.
    window_ms : tuple of float
        The noise window in ms.

    Returns
    -------
    ReplicateNoise

    Raises
    ------
    DataError
        If the window is outside the data.
    """
    axis = recordings[0].data.axis
    window = axis.window(*window_ms, name="noise window")
    counts, note = shared_counts(recordings)
    traces = [mean_trace(recording.data)[window] for recording in recordings]
    names = [recording.name for recording in recordings]
    return ReplicateNoise(
        whole=noise_from_replicates(traces, counts),
        counts=dict(zip(names, counts, strict=True)),
        used_ms=used_ms(axis, window),
        note=note,
    )


def known_counts(recordings: Sequence[Recording]) -> tuple[int, ...] | None:
    """Return the sweeps of each recording.

    Parameters
    ----------
    recordings : sequence of Recording
        To be averaged.

    Returns
    -------
    tuple of int or None
        None where one of them is not known.
    """
    counts = [recording.counts.n_sweeps for recording in recordings]
    known = tuple(count for count in counts if count is not None)
    return known if len(known) == len(counts) else None


def shared_counts(recordings: Sequence[Recording]) -> tuple[tuple[int, ...], str]:
    """Return the sweeps of each recording as weights.

    Parameters
    ----------
    recordings : sequence of Recording
        To be averaged.

    Returns
    -------
    counts : tuple of int
        Ones where they are not all known.
    note : str
        Says so.
    """
    counts = known_counts(recordings)
    if counts is not None:
        return counts, ""
    return (1,) * len(recordings), "sweep counts are not all known: recordings count equally"


def combined_noise(
    parts: Sequence[NoiseMeasure], weights: Sequence[float], *, note: str = ""
) -> NoiseMeasure:
    """Return the noise of a weighted average of traces whose noise is known and independent.

    Parameters
    ----------
    parts : sequence of NoiseMeasure
        Of each trace.
    weights : sequence of float
        Of each trace, summing to 1.
    note : str
        What to know about it.

    Returns
    -------
    NoiseMeasure
        Its degrees of freedom by Satterthwaite's formula; its method is the weakest of the parts'.
    """
    powers = [(w * part.rn_nv) ** 2 for w, part in zip(weights, parts, strict=True)]
    total = sum(powers)
    spread = sum(power**2 / part.df for power, part in zip(powers, parts, strict=True))
    noise = ResidualNoise(
        rn_nv=math.sqrt(total),
        df=total**2 / spread if spread > 0 else math.nan,
        method=max((part.method for part in parts), key=EVIDENCE.index),
    )
    return NoiseMeasure.of(noise, (parts[0].start_ms, parts[0].stop_ms), note=note)


def _noise(waveforms: Waveforms, window: slice) -> ResidualNoise | None:
    match waveforms:
        case Sweeps():
            return noise_from_sweeps(waveforms.sweeps_nv[:, window])
        case Blocks():
            return noise_from_replicates(
                waveforms.blocks_nv[:, window], waveforms.n_per_block, method="blocks"
            )
        case Buffers():
            return noise_from_buffers(
                waveforms.a_nv[window], waveforms.b_nv[window], *waveforms.counts
            )
        case Average():
            return None


def perhaps_split_by_polarity(recording: Recording) -> bool:
    """Tell whether the difference of A and B may hold what changes with polarity.

    Parameters
    ----------
    recording : Recording
        Any.

    Returns
    -------
    bool
        Also where nobody said how A and B were filled under alternating polarity.
    """
    if not isinstance(recording.waveforms, Buffers):
        return False
    unknown = recording.buffer_split is None and recording.condition.polarity == "alternating"
    return recording.buffer_split == "polarity" or unknown


def _split_note(recording: Recording) -> str:
    if perhaps_split_by_polarity(recording):
        return POLARITY_NOTE.format(
            how="hold opposite polarities"
            if recording.buffer_split
            else "were filled in an unknown way under alternating polarity, perhaps by polarity"
        )
    if isinstance(recording.waveforms, Buffers) and recording.buffer_split == "halves":
        return "A and B are the first and second half: their difference also holds slow change"
    return ""
