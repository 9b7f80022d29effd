"""Is there a response? Every detection test on every recording that holds sweeps."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.detectors import DETECTORS, N_BINS, detector
from waveworks.dsp.multiple_tests import holm
from waveworks.errors import DataError
from waveworks.loaders.continuous import is_continuous
from waveworks.loaders.csv_format import CsvFormat
from waveworks.measures.buffer_tests import SHAPE, ab_ratio_of_buffers, shape_of_buffers
from waveworks.measures.detection_row import Detection, judged, noted
from waveworks.measures.least_p import least_p
from waveworks.measures.noise import used_ms
from waveworks.measures.random_onsets import RANDOM_ONSET, random_onset_row
from waveworks.measures.recordings import windows_of
from waveworks.model import Blocks, Buffers, Recording, Session, Sweeps
from waveworks.settings import Settings, StimulusWindows

TESTS = (*DETECTORS, RANDOM_ONSET)
"""Names of the tests that can be asked for."""

NO_SWEEPS = "an average holds no sweeps: no test"


@dataclass(frozen=True, kw_only=True)
class DetectionPlan:
    """What is asked of every recording.

    Parameters
    ----------
    tests : tuple of str
        Names out of `TESTS`, each counted once; empty is every test that a recording allows.
    alpha : float
        Overall rate of false positives of each test.
    looks : tuple of int
        Sweeps at each look; empty is one look at all of them.
    kind : str
        Of the boundary, see `levels_from_paths`.
    n_bins : int
        Time-voltage means of T2.
    """

    tests: tuple[str, ...] = ()
    alpha: float = 0.01
    looks: tuple[int, ...] = ()
    kind: str = "constant"
    n_bins: int = N_BINS

    def __post_init__(self) -> None:
        object.__setattr__(self, "tests", tuple(dict.fromkeys(self.tests)))


def detect_recordings(
    session: Session,
    settings: Settings,
    plan: DetectionPlan,
    *,
    csv_format: CsvFormat | None = None,
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
    csv_format : CsvFormat, optional
        That the session was read with; the signals of continuous recordings are read once more.
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
    for test in plan.tests:
        if test not in TESTS:
            raise DataError(f"test is {test!r}; it must be one of {', '.join(TESTS)}")
    tests = _Tests(plan, session.folder, csv_format)
    return tuple(
        found
        for recording in track(session.recordings)
        for found in _with_holm(tests.of(recording, settings))
    )


def _with_holm(found: Sequence[Detection]) -> list[Detection]:
    corrected = [
        one.pvalue if one.test not in DETECTORS or DETECTORS[one.test].corrected else math.nan
        for one in found
    ]
    return [
        replace(one, pvalue_holm=float(p)) for one, p in zip(found, holm(corrected), strict=True)
    ]


@dataclass(frozen=True)
class _Tests:
    """The tests of a plan, on one recording after the other."""

    plan: DetectionPlan
    folder: Path
    csv_format: CsvFormat | None

    def of(self, recording: Recording, settings: Settings) -> list[Detection]:
        nothing = Detection(recording=recording)
        try:
            windows = windows_of(recording, settings)
            waveforms = recording.data
            window = waveforms.axis.window(*windows.response_ms, name="response window")
        except DataError as fault:
            return [replace(nothing, fault=str(fault))]
        start_ms, stop_ms = used_ms(waveforms.axis, window)
        here = noted(
            nothing,
            *recording.notes,
            start_ms=start_ms,
            stop_ms=stop_ms,
            alpha=self.plan.alpha,
        )
        match waveforms:
            case Sweeps(sweeps_nv=epochs):
                return self._of_epochs(here, epochs, 1, window)
            case Blocks(blocks_nv=epochs, n_per_block=counts):
                if counts is None or len(set(counts)) > 1:
                    return [noted(here, "blocks of unequal or unknown size: no test")]
                return self._of_epochs(here, epochs, int(counts[0]), window)
            case Buffers():
                return self._of_buffers(here, waveforms, window, windows)
            case _:
                return [noted(here, NO_SWEEPS)]

    def _of_buffers(
        self, here: Detection, buffers: Buffers, window: slice, windows: StimulusWindows
    ) -> list[Detection]:
        found = [ab_ratio_of_buffers(here, buffers, window)]
        if not self.plan.tests or SHAPE in self.plan.tests:
            shape = shape_of_buffers(here, buffers, windows)
            found += [] if shape is None else [shape]
        if RANDOM_ONSET in self.plan.tests:
            found.append(self._random_onset(here, window))
        return found

    def _of_epochs(
        self, here: Detection, epochs: NDArray[np.float64], size: int, window: slice
    ) -> list[Detection]:
        """Make every test on epochs that each hold so many sweeps."""
        asked = self.plan.looks
        there_are = len(epochs) * size
        blocks = f" in blocks of {size}" if size > 1 else ""
        looks = tuple(n for n in asked or (there_are,) if n <= there_are and n % size == 0)
        if not looks:
            fault = f"no look is possible: {there_are} sweeps{blocks}, the first look is at "
            return [replace(here, fault=f"{fault}{asked[0]}")]
        left_out = len(asked) - len(looks) if asked else 0
        fewer = f"{left_out} of {len(asked)} looks left out: {there_are} sweeps{blocks}"
        looked = noted(here, fewer if left_out else "", looks=looks)
        return [
            self._random_onset(here, window)
            if name == RANDOM_ONSET
            else self._detector(looked, name, epochs[:, window], size)
            for name in self._names(here.recording)
        ]

    def _names(self, recording: Recording) -> tuple[str, ...]:
        if self.plan.tests:
            return self.plan.tests
        whole = is_continuous(recording, self.folder, self.csv_format)
        return TESTS if whole else tuple(DETECTORS)

    def _detector(
        self, here: Detection, name: str, epochs: NDArray[np.float64], size: int
    ) -> Detection:
        plan = self.plan
        test = detector(name, n_bins=plan.n_bins)
        named = replace(here, test=name, words=test.words)
        counts = np.array(here.looks) // size
        step_ms = here.recording.data.axis.step_ms
        try:
            at_looks = test.looks(epochs, counts, step_ms=step_ms)
            levels = test.levels(epochs, counts, plan.alpha, plan.kind, step_ms=step_ms)
        except DataError as fault:
            return noted(named, f"no test: {fault}")
        least = np.array([least_p(name, int(count)) for count in counts])
        named = noted(named, at_looks.note, statistic=float(at_looks.statistic[-1]))
        return judged(named, at_looks.pvalue, levels, least)

    def _random_onset(self, here: Detection, window: slice) -> Detection:
        found = random_onset_row(here, window, self.folder, self.csv_format)
        if not self.plan.looks or not found.looks:
            return found
        return noted(found, f"made once, on all {found.looks[0]} sweeps, not at the looks")
