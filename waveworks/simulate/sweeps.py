"""The sweeps that a recording system would have seen, and the ones that it would have accepted."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import ScenarioError
from waveworks.simulate.disturbances import polarity_signs
from waveworks.simulate.noise import draw_noise
from waveworks.simulate.plans import RecordingPlan, Scenario
from waveworks.simulate.response import response
from waveworks.units import NV_PER_UNIT

FloatArray = NDArray[np.float64]

FEWEST_ACCEPTED = 2


@dataclass(frozen=True, eq=False)
class AcceptedSweeps:
    """The accepted sweeps of one recording, and what the generator knows of each.

    Parameters
    ----------
    sweeps_nv : ndarray, shape (n_sweeps, n_samples)
        In nV.
    signs : ndarray, shape (n_sweeps,)
        1 for a rarefaction stimulus, -1 for condensation.
    sd_nv : ndarray, shape (n_sweeps,)
        Standard deviation of the noise in each, in nV.
    mains_nv : ndarray of complex, shape (n_sweeps,)
        Amplitude and phase of the mains sine in each, in nV.
    n_rejected : int
        Sweeps that were not accepted.
    """

    sweeps_nv: FloatArray
    signs: FloatArray
    sd_nv: FloatArray
    mains_nv: NDArray[np.complex128]
    n_rejected: int

    @property
    def n_sweeps(self) -> int:
        """Number of accepted sweeps."""
        return len(self.sweeps_nv)

    @property
    def left_nv2(self) -> float:
        """Power of the noise left in their sum, in nV^2: what recordings add up to."""
        # Sweeps count as independent. A sine does not: its sweeps add up by their phases.
        return float(np.sum(self.sd_nv**2) + abs(np.sum(self.mains_nv)) ** 2 / 2)


def accepted_sweeps(
    plan: RecordingPlan, scenario: Scenario, *, session_share: float, rng: np.random.Generator
) -> AcceptedSweeps:
    """Simulate the sweeps of one recording, and reject those that are too large.

    Parameters
    ----------
    plan : RecordingPlan
        The recording.
    scenario : Scenario
        The session.
    session_share : float
        How far the session has come: 0 in its first recording, 1 in its last.
    rng : numpy.random.Generator
        Moves on.

    Returns
    -------
    AcceptedSweeps

    Raises
    ------
    ScenarioError
        If fewer than 2 sweeps are accepted.
    """
    axis, noise = scenario.axis, scenario.noise
    drawn = draw_noise(
        plan.noise_kind, plan.n_sweeps, n_samples=axis.n_samples, sfreq_hz=axis.sfreq_hz, seed=rng
    )
    first, last = noise.session_scale
    factors = np.linspace(*noise.scale, plan.n_sweeps)
    factors *= plan.noise_scale * (first + (last - first) * session_share)
    if "bursts" in plan.disturbances:
        factors *= scenario.disturbances.bursts.factors(plan.n_sweeps, rng)
    signs = polarity_signs(plan.condition.polarity, plan.n_sweeps)
    sweeps = drawn.sweeps_nv
    sweeps *= factors[:, np.newaxis]
    steady, turning = evoked(plan, scenario)
    sweeps += steady
    if turning.any():
        sweeps += signs[:, np.newaxis] * turning
    kept = np.ones(plan.n_sweeps, dtype=bool)
    if plan.reject_uv is not None:
        largest = np.maximum(sweeps.max(axis=1), -sweeps.min(axis=1))
        kept = largest <= plan.reject_uv * NV_PER_UNIT["uV"]
    n_kept = int(kept.sum())
    if n_kept < FEWEST_ACCEPTED:
        raise ScenarioError(
            f"recording '{plan.name}': {n_kept} of {plan.n_sweeps} sweeps lie within reject_uv, "
            f"{plan.reject_uv:g} uV; at least {FEWEST_ACCEPTED} are needed"
        )
    mains = drawn.mains_peak_nv * factors * np.exp(2j * math.pi * drawn.mains_turns)
    return AcceptedSweeps(
        sweeps if n_kept == plan.n_sweeps else sweeps[kept],
        signs[kept],
        (drawn.sd_nv * factors)[kept],
        mains[kept],
        plan.n_sweeps - n_kept,
    )


def evoked(plan: RecordingPlan, scenario: Scenario) -> tuple[FloatArray, FloatArray]:
    """Return what the stimulus adds to every sweep of a recording.

    Parameters
    ----------
    plan : RecordingPlan
        The recording.
    scenario : Scenario
        The session.

    Returns
    -------
    steady : ndarray, shape (n_samples,)
        Response and muscle, the same in every sweep, in nV.
    turning : ndarray, shape (n_samples,)
        Artefact and microphonic as with a rarefaction stimulus, in nV.
    """
    times_ms, sizes = scenario.axis.times_ms, scenario.disturbances
    steady = response(times_ms, plan.latency_ms, plan.truth.v_sn10_nv, early_waves=True)
    turning = np.zeros_like(times_ms)
    if "muscle" in plan.disturbances:
        steady += sizes.muscle.trace(times_ms)
    if "artefact" in plan.disturbances:
        turning += sizes.artefact.trace(times_ms, plan.stimulus_hz)
    if "microphonic" in plan.disturbances:
        turning += sizes.microphonic.trace(times_ms, plan.stimulus_hz)
    return steady, turning
