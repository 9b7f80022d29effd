"""What a simulated session is to hold, as frozen records: complete, nothing left to be guessed."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from waveworks.model import Condition, TimeAxis
from waveworks.simulate.disturbances import Artefact, Bursts, Microphonic, Muscle
from waveworks.simulate.expectation import NO_RESPONSE, Expectation
from waveworks.simulate.response import true_sn10_ms, true_v_ms
from waveworks.writers.session_folder import DataFile

DISTURBANCES = ("bursts", "artefact", "microphonic", "muscle")
"""What a recording can be told to hold beside noise and response."""

WIDEBAND_HZ = 2000.0
"""Frequency of artefact and microphonic where the stimulus has none (own choice)."""


@dataclass(frozen=True)
class NoisePlan:
    """The noise of a session.

    Parameters
    ----------
    kind : str
        One of `NOISE_KINDS`.
    scale : tuple of float
        Factor on the noise of the first and the last sweep of each recording.
    session_scale : tuple of float
        Factor on the noise of the first and the last recording of the session.
    """

    kind: str = "Q33"
    scale: tuple[float, float] = (1.0, 1.0)
    session_scale: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True)
class Disturbances:
    """How large the disturbances are where a recording holds them.

    Parameters
    ----------
    bursts : Bursts
        Movement.
    artefact : Artefact
        Of the stimulus.
    microphonic : Microphonic
        Of the cochlea.
    muscle : Muscle
        Post-auricular.
    """

    bursts: Bursts = field(default_factory=Bursts)
    artefact: Artefact = field(default_factory=Artefact)
    microphonic: Microphonic = field(default_factory=Microphonic)
    muscle: Muscle = field(default_factory=Muscle)


@dataclass(frozen=True, kw_only=True)
class RecordingPlan:
    """What one recording is to hold.

    Parameters
    ----------
    name : str
        Unique in the session.
    layout : {'sweeps', 'blocks', 'buffers', 'average'}
        What is left of the sweeps.
    condition : Condition
        What it is recorded at.
    n_sweeps : int
        Sweeps presented; 0 for a stored combination, which has those of its parts.
    kind : {'test', 'control'}
        A control holds no response.
    truth : Expectation
        The response that it holds.
    threshold_db_nhl : float
        True threshold of its series in dB nHL; infinite for no response at any level.
    n_per_block : int
        Accepted sweeps in each block but the last, which may hold fewer.
    buffer_split : {'alternate', 'halves', 'polarity'}
        How A and B are filled with accepted sweeps.
    file : DataFile
        How its data are written.
    noise_kind : str
        One of `NOISE_KINDS`.
    noise_scale : float
        Factor on its noise, over those of the session.
    disturbances : tuple of str
        Which of `DISTURBANCES` it holds.
    reject_uv : float or None
        The recording system rejects sweeps with a larger absolute value; None is no rejection.
    marks : bool
        A clinician marks wave V and SN10 in it, where there is a response.
    report_noise : bool
        The recording system reports a residual noise.
    parts : tuple of str
        Recordings that this stored average combines; empty for a run of its own.
    rate_hz, mains_hz : float or None
        Written down as they are.
    system, comment : str
        Written down as they are.
    """

    name: str
    layout: str
    condition: Condition
    n_sweeps: int
    kind: str = "test"
    truth: Expectation = NO_RESPONSE
    threshold_db_nhl: float = math.inf
    n_per_block: int = 0
    buffer_split: str = "alternate"
    file: DataFile = field(default_factory=DataFile)
    noise_kind: str = "Q33"
    noise_scale: float = 1.0
    disturbances: tuple[str, ...] = ()
    reject_uv: float | None = None
    marks: bool = False
    report_noise: bool = False
    parts: tuple[str, ...] = ()
    rate_hz: float | None = None
    mains_hz: float | None = None
    system: str = ""
    comment: str = ""

    @property
    def latency_ms(self) -> float:
        """L of the response in ms; NaN where there is none."""
        # R(L, a) has wave V a fixed lag before L.
        return self.truth.v_ms - true_v_ms(0.0)

    @property
    def sn10_ms(self) -> float:
        """True latency of SN10 in ms; NaN where there is no response."""
        return self.latency_ms + true_sn10_ms(0.0)

    @property
    def stimulus_hz(self) -> float:
        """Frequency that artefact and microphonic have, in Hz."""
        return self.condition.frequency_hz or WIDEBAND_HZ


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """A session to be simulated.

    Parameters
    ----------
    name : str
        What the scenario calls itself.
    seed : int
        Decides every number.
    axis : TimeAxis
        Of every recording.
    recordings : tuple of RecordingPlan
        In the order of the rows.
    noise : NoisePlan
        Of the session.
    disturbances : Disturbances
        Their sizes.
    session : mapping
        Keys and values of `session.toml`.
    """

    name: str
    seed: int
    axis: TimeAxis
    recordings: tuple[RecordingPlan, ...]
    noise: NoisePlan = NoisePlan()
    disturbances: Disturbances = field(default_factory=Disturbances)
    session: Mapping[str, Any] = field(default_factory=dict)
