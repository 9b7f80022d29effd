"""Is there a response? Every detection test on every recording that holds sweeps."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.ab_ratio import ab_ratio
from waveworks.dsp.detection import shape_test
from waveworks.dsp.detectors import DETECTORS, Detector
from waveworks.dsp.looks import first_look
from waveworks.dsp.multiple_tests import holm
from waveworks.errors import DataError
from waveworks.measures.noise import used_ms
from waveworks.measures.pooling import mean_trace, noise_only_trace
from waveworks.measures.recordings import windows_of
from waveworks.model import Blocks, Buffers, Recording, Session, Sweeps
from waveworks.settings import Settings, StimulusWindows

AB_RATIO, SHAPE = "ab-ratio", "shape"

ONLY_BUFFERS = "A and B hold no sweeps: the A/B ratio is weaker than a test of sweeps"
NO_SWEEPS = "an average holds no sweeps: no test"


@dataclass(frozen=True, kw_only=True)
class DetectionPlan:
    """What is asked of every recording.

    Parameters
    ----------
    tests : tuple of str
        Names of detectors.
    alpha : float
        Overall rate of false positives of each test.
    looks : tuple of int
        Sweeps at each look; empty is one look at all of them.
    kind : str
        Of the boundary, see `levels_from_paths`.
    """

    tests: tuple[str, ...] = tuple(DETECTORS)
    alpha: float = 0.01
    looks: tuple[int, ...] = ()
    kind: str = "constant"


@dataclass(frozen=True, kw_only=True)
class Detection:
    """One test of one recording.

    Parameters
    ----------
    recording : Recording
        That was tested.
    test : str
        Name of the test; empty where none could be made.
    words : str
        What the test is.
    start_ms, stop_ms : float
        Samples of the response window that were used, first and last.
    statistic, pvalue : float
        At the last look; NaN where the test could not be made.
    pvalue_holm : float
        For all corrected tests of the recording together.
    alpha : float
        Overall rate of false positives.
    looks : tuple of int
        Sweeps at each look.
    levels, pvalues : tuple of float
        Nominal level and p at each look.
    detected : bool or None
        Whether p was at most its level at a look; None without a test.
    sweeps : int or None
        At the first such look.
    seconds : float
        These sweeps at the stimulus rate, rejected ones not counted; NaN if either is unknown.
    note : str
        What to know about it.
    fault : str
        Why what was asked for could not be done.
    """

    recording: Recording
    test: str = ""
    words: str = ""
    start_ms: float = math.nan
    stop_ms: float = math.nan
    statistic: float = math.nan
    pvalue: float = math.nan
    pvalue_holm: float = math.nan
    alpha: float = math.nan
    looks: tuple[int, ...] = ()
    levels: tuple[float, ...] = ()
    pvalues: tuple[float, ...] = ()
    detected: bool | None = None
    sweeps: int | None = None
    seconds: float = math.nan
    note: str = ""
    fault: str = ""


def detect_recordings(
    session: Session,
    settings: Settings,
    plan: DetectionPlan,
    *,
    track: Callable[[Sequence[Recording]], Iterable[Any]] = iter,
) -> tuple[Detection, ...]:
    """Test every recording of a session.

    Parameters
    ----------
    session : Session
        Its recordings, usable or not.
    settings : Settings
        Windows per stimulus.
    plan : DetectionPlan
        Tests, rate and looks.
    track : callable
        Walks through the recordings, for a progress bar.

    Returns
    -------
    tuple of Detection
        One a recording and test, in the order of the session; a recording that allows none has
        one row that says why.

    Raises
    ------
    DataError
        If the plan itself is impossible.
    """
    if not 0 < plan.alpha < 1:
        raise DataError(f"alpha is {plan.alpha:g}; it must be between 0 and 1")
    return tuple(
        found
        for recording in track(session.recordings)
        for found in _detect(recording, settings, plan)
    )


def _detect(recording: Recording, settings: Settings, plan: DetectionPlan) -> tuple[Detection, ...]:
    nothing = Detection(recording=recording)
    try:
        windows = windows_of(recording, settings)
        waveforms = recording.data
        window = waveforms.axis.window(*windows.response_ms, name="response window")
    except DataError as fault:
        return (replace(nothing, fault=str(fault)),)
    start_ms, stop_ms = used_ms(waveforms.axis, window)
    here = replace(nothing, start_ms=start_ms, stop_ms=stop_ms, alpha=plan.alpha)
    match waveforms:
        case Sweeps(sweeps_nv=epochs):
            return _tests(here, epochs[:, window], 1, plan)
        case Blocks(blocks_nv=epochs, n_per_block=counts):
            if counts is None or len(set(counts)) > 1:
                note = "blocks of unequal or unknown size: no test"
                return (replace(here, note=note),)
            return _tests(here, epochs[:, window], int(counts[0]), plan)
        case Buffers():
            return _tests_of_buffers(here, waveforms, window, windows, plan)
        case _:
            return (replace(here, note=NO_SWEEPS),)


def _tests_of_buffers(
    here: Detection, buffers: Buffers, window: slice, windows: StimulusWindows, plan: DetectionPlan
) -> tuple[Detection, ...]:
    """Make the two tests that A and B allow."""
    ratio = ab_ratio(buffers.a_nv[window], buffers.b_nv[window], *buffers.counts)
    found = [
        replace(
            here,
            test=AB_RATIO,
            words="variance of the average over that of the half difference",
            statistic=ratio.ratio,
            pvalue=ratio.pvalue,
            note=ONLY_BUFFERS,
        )
    ]
    half = noise_only_trace(buffers)
    if SHAPE in plan.tests and half is not None:
        one = replace(here, test=SHAPE, words=DETECTORS[SHAPE].words)
        try:
            shape = shape_test(
                mean_trace(buffers),
                buffers.axis.times_ms,
                windows.response_ms,
                [half],
                clean_ms=windows.noise_ms,
            )
            note = "noise from half the difference of A and B alone: weaker than from sweeps"
            one = replace(one, statistic=shape.statistic, pvalue=shape.pvalue, note=note)
        except DataError as fault:
            one = replace(one, note=f"no test: {fault}")
        found.append(one)
    together = holm([one.pvalue for one in found])
    return tuple(
        replace(
            one,
            pvalue_holm=float(p),
            detected=None if math.isnan(one.pvalue) else one.pvalue <= plan.alpha,
        )
        for one, p in zip(found, together, strict=True)
    )


def _tests(
    here: Detection, epochs: NDArray[np.float64], size: int, plan: DetectionPlan
) -> tuple[Detection, ...]:
    """Make every test on epochs that each hold so many sweeps."""
    there_are = len(epochs) * size
    looks = [n for n in plan.looks or (there_are,) if n <= there_are and n % size == 0]
    blocks = f" in blocks of {size}" if size > 1 else ""
    if not looks:
        first = plan.looks[0]
        fault = f"no look is possible: {there_are} sweeps{blocks}, the first look is at {first}"
        return (replace(here, fault=fault),)
    left_out = len(plan.looks) - len(looks) if plan.looks else 0
    note = ""
    if left_out:
        note = f"{left_out} of {len(plan.looks)} looks left out: {there_are} sweeps{blocks}"
    found = [
        _test(replace(here, note=note), DETECTORS[name], epochs, size, looks, plan)
        for name in plan.tests
    ]
    corrected = [
        one.pvalue if one.test and DETECTORS[one.test].corrected else math.nan for one in found
    ]
    return tuple(
        replace(one, pvalue_holm=float(p)) for one, p in zip(found, holm(corrected), strict=True)
    )


def _test(
    here: Detection,
    detector: Detector,
    epochs: NDArray[np.float64],
    size: int,
    looks: list[int],
    plan: DetectionPlan,
) -> Detection:
    named = replace(here, test=detector.name, words=detector.words, looks=tuple(looks))
    counts = np.array(looks) // size
    step_ms = here.recording.data.axis.step_ms
    try:
        at_looks = detector.looks(epochs, counts, step_ms=step_ms)
        levels = detector.levels(epochs, counts, plan.alpha, plan.kind, step_ms=step_ms)
    except DataError as fault:
        return replace(named, note="; ".join(filter(None, (here.note, f"no test: {fault}"))))
    index = int(first_look(at_looks.pvalue, levels))
    sweeps = looks[index] if index >= 0 else None
    rate_hz = here.recording.rate_hz
    return replace(
        named,
        note="; ".join(filter(None, (here.note, at_looks.note))),
        statistic=float(at_looks.statistic[-1]),
        pvalue=float(at_looks.pvalue[-1]),
        levels=tuple(levels.tolist()),
        pvalues=tuple(at_looks.pvalue.tolist()),
        detected=index >= 0,
        sweeps=sweeps,
        seconds=math.nan if sweeps is None or not rate_hz else sweeps / rate_hz,
    )
