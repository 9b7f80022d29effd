"""A scenario becomes a session: recordings as a system would export them, and their truth."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import OutputError, ScenarioError
from waveworks.model import (
    Average,
    ClinicianMarks,
    Counts,
    Recording,
    Reported,
    Session,
    SessionInfo,
    TimeAxis,
    Waveforms,
)
from waveworks.simulate.cells import manifest_cells
from waveworks.simulate.layouts import buffers, stored
from waveworks.simulate.plans import DISTURBANCES, RecordingPlan, Scenario
from waveworks.simulate.sweeps import AcceptedSweeps, accepted_sweeps
from waveworks.writers.output import TRUTH
from waveworks.writers.session_folder import write_session
from waveworks.writers.tables import table_text

FloatArray = NDArray[np.float64]

TRUTH_COLUMNS = (
    *("recording", "true_v_ms", "true_sn10_ms", "true_v_sn10_nv", "true_rn_nv"),
    *("noise", "response"),
)

REPORTED_FROM_MS = 1.5
"""The reported residual noise is taken from here to the end of the trace (own choice)."""
MARK_REACH_MS = 0.8
"""A clinician marks the highest point this near to the true wave V, and the lowest this near to
the true SN10 (own choice)."""


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is true of one recording.

    Parameters
    ----------
    recording : str
        Its name.
    v_ms, sn10_ms : float
        True latencies in the noiseless waveform, in ms; NaN where there is no response.
    v_sn10_nv : float
        True amplitude in nV; 0 where there is no response.
    rn_nv : float
        Standard deviation of the noise left in the average of its accepted sweeps, in nV.
    noise, response : str
        What it holds, in words.
    """

    recording: str
    v_ms: float
    sn10_ms: float
    v_sn10_nv: float
    rn_nv: float
    noise: str
    response: str


@dataclass(frozen=True, eq=False, kw_only=True)
class SimulatedSession:
    """A session that was never recorded, and its truth.

    Parameters
    ----------
    scenario : Scenario
        What it was made from.
    session : Session
        What a recording system would have exported.
    truths : tuple of Truth
        One a recording.
    """

    scenario: Scenario
    session: Session
    truths: tuple[Truth, ...]


@dataclass(frozen=True, eq=False)
class _Run:
    """What is left of a recording once its sweeps are forgotten."""

    trace_nv: FloatArray
    n_sweeps: int
    n_rejected: int
    left_nv2: float
    """Power of the noise left in the sum of the sweeps."""
    sd_nv: tuple[float, float]
    """Of the noise in the first and the last sweep that was accepted."""


def simulate_session(scenario: Scenario) -> SimulatedSession:
    """Simulate a session, one recording at a time.

    Parameters
    ----------
    scenario : Scenario
        What it is to hold.

    Returns
    -------
    SimulatedSession
        The same for the same scenario.

    Raises
    ------
    ScenarioError
        If rejection leaves too few sweeps.
    """
    runs: dict[str, _Run] = {}
    recordings, truths = [], []
    own = {plan.name: number for number, plan in enumerate(_of_their_own(scenario))}
    for row, plan in enumerate(scenario.recordings, start=2):
        if plan.parts:
            run = _combined([runs[part] for part in plan.parts])
            waveforms: Waveforms = Average(run.trace_nv, run.n_sweeps, scenario.axis)
            reported = Reported()
        else:
            # A generator a recording: one that is changed leaves the others as they are.
            rng = np.random.default_rng((scenario.seed, row))
            share = own[plan.name] / max(1, len(own) - 1)
            accepted = accepted_sweeps(plan, scenario, session_share=share, rng=rng)
            run = _run(accepted)
            waveforms = stored(plan, accepted, scenario.axis)
            reported = _reported(plan, accepted, scenario.axis)
        runs[plan.name] = run
        recordings.append(
            Recording(
                name=plan.name,
                kind=plan.kind,
                layout=plan.layout,
                condition=plan.condition,
                waveforms=waveforms,
                counts=Counts(run.n_sweeps, None if plan.reject_uv is None else run.n_rejected),
                marks=_marks(plan, run.trace_nv, scenario.axis),
                reported=reported,
                buffer_split=plan.buffer_split if plan.layout == "buffers" else None,
                parts=plan.parts,
                rate_hz=plan.rate_hz,
                row=row,
                cells=manifest_cells(plan, waveforms, reported),
            )
        )
        truths.append(_truth(plan, run))
    return SimulatedSession(
        scenario=scenario,
        session=Session(folder=Path(), info=_info(scenario.session), recordings=tuple(recordings)),
        truths=tuple(truths),
    )


def write_simulated(simulated: SimulatedSession, folder: Path) -> None:
    """Write a simulated session as a session folder, with its truth.

    Parameters
    ----------
    simulated : SimulatedSession
        The session.
    folder : Path
        An empty folder. It gets recordings.csv, session.toml, the data files and truth.csv.

    Raises
    ------
    OutputError
        If an EDF file cannot hold a recording.
    OSError
        If a file cannot be written.
    """
    import tomli_w

    kinds = [plan.file for plan in simulated.scenario.recordings]
    for one in write_session(simulated.session, folder, to=kinds):
        if one.problem:
            raise OutputError(f"recording '{one.recording.name}': {one.problem}")
    with (folder / "session.toml").open("wb") as file:
        tomli_w.dump(simulated.scenario.session, file)
    rows = (
        [
            *(truth.recording, truth.v_ms, truth.sn10_ms, truth.v_sn10_nv, truth.rn_nv),
            *(truth.noise, truth.response),
        ]
        for truth in simulated.truths
    )
    (folder / TRUTH).write_text(table_text(TRUTH_COLUMNS, rows), encoding="utf-8", newline="")


def _of_their_own(scenario: Scenario) -> Iterator[RecordingPlan]:
    return (plan for plan in scenario.recordings if not plan.parts)


def _info(table: Mapping[str, Any]) -> SessionInfo:
    """Return what `session.toml` says, but for the thresholds that the tester stated."""
    return SessionInfo(
        session=table["session"],
        corrected_age_weeks=_or_none(table.get("corrected_age_weeks")),
        test_date=str(table.get("test_date", "")),
        other_ear_threshold_db_nhl=_or_none(table.get("other_ear_threshold_db_nhl")),
        notes=table.get("notes", ""),
        tester_conclusion=table.get("tester_conclusion", ""),
    )


def _or_none(number: float | None) -> float | None:
    return None if number is None else float(number)


def _run(accepted: AcceptedSweeps) -> _Run:
    return _Run(
        accepted.sweeps_nv.mean(axis=0),
        accepted.n_sweeps,
        accepted.n_rejected,
        accepted.left_nv2,
        (float(accepted.sd_nv[0]), float(accepted.sd_nv[-1])),
    )


def _combined(parts: Sequence[_Run]) -> _Run:
    """Combine averages by their counts of sweeps, as a recording system does."""
    n_sweeps = sum(part.n_sweeps for part in parts)
    return _Run(
        np.sum([part.n_sweeps * part.trace_nv for part in parts], axis=0) / n_sweeps,
        n_sweeps,
        sum(part.n_rejected for part in parts),
        sum(part.left_nv2 for part in parts),
        (parts[0].sd_nv[0], parts[-1].sd_nv[1]),
    )


def _reported(plan: RecordingPlan, accepted: AcceptedSweeps, axis: TimeAxis) -> Reported:
    """Return the residual noise that a system states: RMS of half of A minus B, to 0.1 nV."""
    if not plan.report_noise:
        return Reported()
    a, b = buffers(plan, accepted)
    half_nv = (a.mean(axis=0) - b.mean(axis=0))[axis.times_ms >= REPORTED_FROM_MS] / 2
    if not half_nv.size:
        raise ScenarioError(
            f"recording '{plan.name}': report_noise needs data after {REPORTED_FROM_MS:g} ms; they "
            f"end at {axis.stop_ms:g} ms"
        )
    return Reported(rn_nv=f"{math.sqrt(np.mean(half_nv**2)):.1f}")


def _marks(plan: RecordingPlan, trace_nv: FloatArray, axis: TimeAxis) -> ClinicianMarks:
    if not plan.marks or math.isnan(plan.truth.v_ms):
        return ClinicianMarks()
    return ClinicianMarks(
        v_ms=_highest(trace_nv, axis, plan.truth.v_ms),
        sn10_ms=_highest(-trace_nv, axis, plan.sn10_ms),
    )


def _highest(trace_nv: FloatArray, axis: TimeAxis, near_ms: float) -> float:
    """Return where the trace is highest near a time, to 0.01 ms; NaN where there are no data."""
    near = np.flatnonzero(np.abs(axis.times_ms - near_ms) <= MARK_REACH_MS)
    if not near.size:
        return math.nan
    return round(axis.time_ms(int(near[np.argmax(trace_nv[near])])), 2)


def _truth(plan: RecordingPlan, run: _Run) -> Truth:
    first_nv, last_nv = run.sd_nv
    held = [name for name in DISTURBANCES if name in plan.disturbances]
    if plan.truth.v_sn10_nv > 0:
        response = f"R({plan.latency_ms:.3f} ms; {plan.truth.v_sn10_nv:.3f} nV)"
    else:
        response = "none"
    return Truth(
        recording=plan.name,
        v_ms=plan.truth.v_ms,
        sn10_ms=plan.sn10_ms,
        v_sn10_nv=plan.truth.v_sn10_nv,
        rn_nv=math.sqrt(run.left_nv2) / run.n_sweeps,
        noise=f"{plan.noise_kind}, SD {first_nv:.0f} to {last_nv:.0f} nV in a sweep",
        response=", ".join([response, *held]),
    )
