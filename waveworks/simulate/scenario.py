"""Scenario files: TOML, every key known, every impossible value refused before anything is made."""

import math
from importlib.resources import files
from pathlib import Path

from waveworks.errors import DataError, ScenarioError
from waveworks.model import TimeAxis
from waveworks.simulate.disturbances import Artefact, Bursts, Microphonic, Muscle
from waveworks.simulate.plans import Disturbances, NoisePlan, RecordingPlan, Scenario
from waveworks.simulate.scenario_keys import Keys
from waveworks.simulate.scenario_rows import series_plans
from waveworks.simulate.scenario_session import session_table
from waveworks.simulate.spectra import NOISE_KINDS, known_kind
from waveworks.toml_files import TomlFile

__all__ = ["Scenario", "demo_scenario", "read_scenario"]

TOP_KEYS = (
    *("name", "seed", "session", "sampling", "noise"),
    *("bursts", "artefact", "microphonic", "muscle", "series"),
)
SAMPLING_KEYS = ("sfreq_hz", "start_ms", "stop_ms")
NOISE_KEYS = ("kind", "scale", "session_scale")
BURSTS_KEYS = ("chance", "length_sweeps", "factor")
ARTEFACT_KEYS = ("peak_nv", "decay_ms")
MICROPHONIC_KEYS = ("peak_nv",)
MUSCLE_KEYS = ("swing_nv",)

MOST_SAMPLES = 10_000_000
"""In the sweeps of one recording: some 0.5 GB while it is made."""
MOST_SAMPLES_IN_ALL = 100_000_000
"""In the sweeps of a scenario: up to 0.8 GB where all of them are kept."""

_LARGEST_SEED = 2**63 - 1
_LARGEST_NV = 1e9
_SFREQ_HZ = (100.0, 200_000.0)
_TIME_MS = (-1000.0, 10_000.0)
_MOST_SCALE = 1000.0


def read_scenario(path: Path) -> Scenario:
    """Return the scenario of a file.

    Parameters
    ----------
    path : Path
        A TOML file.

    Returns
    -------
    Scenario

    Raises
    ------
    ScenarioError
        If the file cannot be read, has an unknown key or asks for what is impossible.
    """
    try:
        data = Path(path).read_bytes()
    except OSError as fault:
        raise ScenarioError(f"{path}: cannot be read: {fault.strerror}") from None
    return _parse(data, name=str(path))


def demo_scenario() -> Scenario:
    """Return the invented infant and department that the package ships.

    Returns
    -------
    Scenario
    """
    return _parse(files("waveworks.simulate").joinpath("demo.toml").read_bytes(), name="demo.toml")


def _parse(data: bytes, *, name: str) -> Scenario:
    toml = TomlFile(data, name=name, error=ScenarioError)
    toml.check_keys(toml.root, TOP_KEYS)
    keys = Keys(toml, (toml.root, ""))
    session = session_table(toml)
    noise = _noise(toml)
    axis = _axis(toml)
    age_weeks = session.get("corrected_age_weeks")
    recordings = tuple(
        plan
        for number, table in enumerate(toml.tables(toml.root, "series"), start=1)
        for plan in series_plans(
            toml, table, place=f"series {number}", noise_kind=noise.kind, age_weeks=age_weeks
        )
    )
    if not recordings:
        raise toml.fail("no [[series]] with a [[series.recording]]; at least one is needed")
    for plan in recordings:
        _check(toml, plan, axis)
    _check_across(toml, recordings, axis)
    title = keys.text("name") or Path(name).stem
    return Scenario(
        name=title,
        seed=keys.whole("seed", 0, _LARGEST_SEED, default=0),
        axis=axis,
        recordings=recordings,
        noise=noise,
        disturbances=_disturbances(toml),
        session={"session": title, **session},
    )


def _section(toml: TomlFile, name: str, known: tuple[str, ...]) -> Keys:
    table = toml.table(toml.root, name)
    toml.check_keys(table, known, place=name)
    return Keys(toml, (table, name))


def _axis(toml: TomlFile) -> TimeAxis:
    keys = _section(toml, "sampling", SAMPLING_KEYS)
    sfreq_hz = keys.number("sfreq_hz", *_SFREQ_HZ, unit="Hz", default=12_000.0)
    start_ms = keys.number("start_ms", *_TIME_MS, unit="ms", default=0.0)
    stop_ms = keys.number("stop_ms", *_TIME_MS, unit="ms", default=25.0)
    exact = (stop_ms - start_ms) * 1e-3 * sfreq_hz
    n_samples = round(exact)
    if n_samples < 2:
        raise keys.fault(
            "stop_ms", f"is {stop_ms:g} ms; a sweep from {start_ms:g} ms needs at least 2 samples"
        )
    if abs(exact - n_samples) > 1e-6 * n_samples:
        raise keys.fault(
            "stop_ms",
            f"is {stop_ms:g} ms; a sweep from {start_ms:g} ms at {sfreq_hz:g} Hz would hold "
            f"{exact:.6g} samples, which must be a whole number",
        )
    return TimeAxis(sfreq_hz, start_ms, n_samples)


def _noise(toml: TomlFile) -> NoisePlan:
    keys = _section(toml, "noise", NOISE_KEYS)
    return NoisePlan(
        kind=keys.choice("kind", tuple(NOISE_KINDS), default="Q33"),
        scale=keys.pair("scale", 0.0, _MOST_SCALE, default=(1.0, 1.0)),
        session_scale=keys.pair("session_scale", 0.0, _MOST_SCALE, default=(1.0, 1.0)),
    )


def _disturbances(toml: TomlFile) -> Disturbances:
    bursts = _section(toml, "bursts", BURSTS_KEYS)
    artefact = _section(toml, "artefact", ARTEFACT_KEYS)
    microphonic = _section(toml, "microphonic", MICROPHONIC_KEYS)
    muscle = _section(toml, "muscle", MUSCLE_KEYS)
    usual = Disturbances()
    return Disturbances(
        bursts=Bursts(
            chance=bursts.number("chance", 0.0, 1.0, default=usual.bursts.chance),
            length_sweeps=bursts.whole(
                "length_sweeps", 1, 1_000_000, default=usual.bursts.length_sweeps
            ),
            factor=bursts.number("factor", 0.0, _MOST_SCALE, default=usual.bursts.factor),
        ),
        artefact=Artefact(
            peak_nv=artefact.number(
                "peak_nv", 0.0, _LARGEST_NV, unit="nV", default=usual.artefact.peak_nv
            ),
            decay_ms=artefact.number(
                "decay_ms", 0.001, 1000.0, unit="ms", default=usual.artefact.decay_ms
            ),
        ),
        microphonic=Microphonic(
            peak_nv=microphonic.number(
                "peak_nv", 0.0, _LARGEST_NV, unit="nV", default=usual.microphonic.peak_nv
            )
        ),
        muscle=Muscle(
            swing_nv=muscle.number(
                "swing_nv", 0.0, _LARGEST_NV, unit="nV", default=usual.muscle.swing_nv
            )
        ),
    )


def _check(toml: TomlFile, plan: RecordingPlan, axis: TimeAxis) -> None:
    """Refuse a recording that the sampling cannot hold."""
    where = f"recording '{plan.name}'"
    try:
        known_kind(plan.noise_kind, axis.sfreq_hz)
    except DataError as fault:
        raise toml.fail(f"{where}: {fault}") from None
    turning = {"artefact", "microphonic"} & set(plan.disturbances)
    if turning and plan.stimulus_hz >= axis.sfreq_hz / 2:
        raise toml.fail(
            f"{where}: {' and '.join(sorted(turning))} at {plan.stimulus_hz:g} Hz need a sampling "
            f"rate above {2 * plan.stimulus_hz:g} Hz; sampling.sfreq_hz is {axis.sfreq_hz:g} Hz"
        )
    if not math.isnan(plan.truth.v_ms) and not axis.start_ms <= plan.truth.v_ms <= axis.stop_ms:
        raise toml.fail(
            f"{where}: wave V at {plan.truth.v_ms:g} ms is not inside the data, "
            f"{axis.start_ms:g} to {axis.stop_ms:g} ms"
        )
    n_samples = plan.n_sweeps * axis.n_samples
    if n_samples > MOST_SAMPLES:
        raise toml.fail(
            f"{where}: {plan.n_sweeps} sweeps of {axis.n_samples} samples are {n_samples} samples; "
            f"the limit of a recording is {MOST_SAMPLES}"
        )


def _check_across(toml: TomlFile, recordings: tuple[RecordingPlan, ...], axis: TimeAxis) -> None:
    n_samples = sum(plan.n_sweeps for plan in recordings) * axis.n_samples
    if n_samples > MOST_SAMPLES_IN_ALL:
        raise toml.fail(
            f"all sweeps together are {n_samples} samples; the limit of a scenario is "
            f"{MOST_SAMPLES_IN_ALL}"
        )
    taken = set()
    for plan in recordings:
        if plan.name in taken:
            raise toml.fail(
                f"two recordings are called '{plan.name}'; give one [[series.recording]] a name"
            )
        taken.add(plan.name)
