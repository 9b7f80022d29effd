"""The series of a scenario and their rows: each row becomes the plans of its runs."""

import math
from collections.abc import Iterator
from dataclasses import replace

from waveworks.errors import DataError
from waveworks.model import BUFFER_SPLITS, KINDS, LAYOUTS, Condition
from waveworks.model.condition import EARS, POLARITIES, STIMULI, TRANSDUCERS
from waveworks.simulate.expectation import NO_RESPONSE, Expectation, expected_response
from waveworks.simulate.plans import DISTURBANCES, RecordingPlan
from waveworks.simulate.scenario_keys import Keys
from waveworks.simulate.spectra import NOISE_KINDS
from waveworks.toml_files import Table, TomlFile
from waveworks.units import NV_PER_UNIT
from waveworks.writers.session_folder import DataFile

SERIES_KEYS = (
    *("ear", "transducer", "stimulus", "frequency_hz", "true_threshold_db_nhl", "channel"),
    *("highpass_hz", "lowpass_hz", "masking_db", "rate_hz", "mains_hz", "system", "recording"),
)
"""Keys of a series alone."""
SHARED_KEYS = (
    *("runs", "layout", "n_sweeps", "n_per_block", "buffer_split", "polarity", "condition"),
    *("data", "unit", "noise_kind", "noise_scale", "disturbances", "reject_uv", "marks"),
    "report_noise",
)
"""Keys of a row, which a series may give for all its rows."""
ROW_KEYS = (
    *("name", "level_db_nhl", "kind", "true_v_ms", "true_v_sn10_nv", "store_combination"),
    "comment",
)
"""Keys of a row alone."""

_NEED_FREQUENCY = ("tone-burst", "narrowband-chirp")
_LEVEL_DB_NHL = (-30.0, 140.0)
_HZ = (0.001, 1e6)
_MOST_RUNS = 100
_MOST_SWEEPS = 10_000_000
_MOST_NV = 1e6
_MOST_SCALE = 1000.0


def series_plans(
    toml: TomlFile, table: Table, *, place: str, noise_kind: str, age_weeks: float | None
) -> Iterator[RecordingPlan]:
    """Return the plans of a series, row by row and run by run.

    Parameters
    ----------
    toml : TomlFile
        The scenario.
    table : mapping
        Of the series.
    place : str
        Of the table in the file.
    noise_kind : str
        Noise of the session.
    age_weeks : float or None
        Corrected age of the infant.

    Yields
    ------
    RecordingPlan
        A stored combination follows the runs of its row.

    Raises
    ------
    ScenarioError
        If a key is unknown or missing, or a value is impossible.
    """
    toml.check_keys(table, (*SERIES_KEYS, *SHARED_KEYS), place=place)
    for number, row in enumerate(toml.tables(table, "recording"), start=1):
        row_place = f"{place}.recording {number}"
        toml.check_keys(row, (*ROW_KEYS, *SHARED_KEYS), place=row_place)
        keys = Keys(toml, (row, row_place), (table, place))
        plan = _plan(keys, noise_kind, age_weeks)
        n_runs = keys.whole("runs", 1, _MOST_RUNS, default=1)
        runs = [replace(plan, name=f"{plan.name}-{run}") for run in range(1, n_runs + 1)]
        yield from runs
        if keys.has("store_combination"):
            yield _combination(keys, plan, [run.name for run in runs])


def _plan(keys: Keys, noise_kind: str, age_weeks: float | None) -> RecordingPlan:
    """Return the plan of a row, its name still without the run."""
    kind = keys.choice("kind", KINDS, default="test")
    condition = _condition(keys, kind)
    threshold = keys.number_or_none("true_threshold_db_nhl", *_LEVEL_DB_NHL, unit="dB nHL")
    if threshold is None:
        raise keys.fault("true_threshold_db_nhl", "is missing; a number, or 'none' for no response")
    threshold_db_nhl = math.inf if isinstance(threshold, str) else threshold
    layout = keys.choice("layout", LAYOUTS)
    n_sweeps = keys.whole("n_sweeps", 2, _MOST_SWEEPS)
    return RecordingPlan(
        name=_name(keys, condition, kind),
        layout=layout,
        condition=condition,
        n_sweeps=n_sweeps,
        kind=kind,
        truth=_truth(keys, condition, kind, threshold_db_nhl, age_weeks),
        threshold_db_nhl=threshold_db_nhl,
        n_per_block=_block(keys, n_sweeps) if layout == "blocks" else 0,
        buffer_split=_split(keys, condition, layout),
        file=DataFile(
            keys.choice("data", ("csv", "edf"), default="csv"),
            keys.choice("unit", tuple(NV_PER_UNIT), default="nV"),
        ),
        noise_kind=keys.choice("noise_kind", tuple(NOISE_KINDS), default=noise_kind),
        noise_scale=keys.number("noise_scale", 0.0, _MOST_SCALE, default=1.0),
        disturbances=keys.choices("disturbances", DISTURBANCES),
        reject_uv=keys.optional_number("reject_uv", 0.001, 1e6, unit="uV"),
        marks=keys.flag("marks"),
        report_noise=keys.flag("report_noise"),
        rate_hz=keys.optional_number("rate_hz", *_HZ, unit="Hz"),
        mains_hz=keys.optional_number("mains_hz", *_HZ, unit="Hz"),
        system=keys.text("system"),
        comment=keys.text("comment"),
    )


def _condition(keys: Keys, kind: str) -> Condition:
    stimulus = keys.choice("stimulus", STIMULI)
    level = keys.optional_number("level_db_nhl", *_LEVEL_DB_NHL, unit="dB nHL")
    if level is None and kind == "test":
        raise keys.fault("level_db_nhl", "is missing; only a control may go without")
    frequency = keys.optional_number("frequency_hz", *_HZ, unit="Hz")
    if frequency is None and stimulus in _NEED_FREQUENCY:
        raise keys.fault("frequency_hz", f"is missing; a {stimulus} needs it")
    return Condition(
        ear=keys.choice("ear", EARS),
        transducer=keys.choice("transducer", TRANSDUCERS, default="insert"),
        stimulus=stimulus,
        frequency_hz=frequency,
        level_db_nhl=level,
        masking_db=keys.number_or_none("masking_db", *_LEVEL_DB_NHL, unit="dB"),
        channel=keys.text("channel"),
        polarity=keys.choice("polarity", POLARITIES, default="") or None,
        highpass_hz=keys.optional_number("highpass_hz", *_HZ, unit="Hz"),
        lowpass_hz=keys.optional_number("lowpass_hz", *_HZ, unit="Hz"),
        condition=keys.text("condition"),
    )


def _truth(
    keys: Keys, condition: Condition, kind: str, threshold_db_nhl: float, age_weeks: float | None
) -> Expectation:
    own_v_ms = keys.optional_number("true_v_ms", -1000.0, 10_000.0, unit="ms")
    own_nv = keys.optional_number("true_v_sn10_nv", 0.001, _MOST_NV, unit="nV")
    level = condition.level_db_nhl
    if kind == "control" or level is None or level < threshold_db_nhl:
        for key, own in (("true_v_ms", own_v_ms), ("true_v_sn10_nv", own_nv)):
            if own is not None:
                why = "a control" if kind == "control" else "a level below true_threshold_db_nhl"
                raise keys.fault(key, f"is {own:g}; {why} holds no response")
        return NO_RESPONSE
    if own_v_ms is not None and own_nv is not None:
        return Expectation(own_v_ms, own_nv, "given by the scenario")
    try:
        expected = expected_response(
            condition.stimulus,
            condition.frequency_hz,
            level,
            threshold_db_nhl=threshold_db_nhl,
            corrected_age_weeks=age_weeks,
        )
    except DataError as fault:
        raise keys.fault(
            "stimulus", f"is '{condition.stimulus}': {fault}; give true_v_ms and true_v_sn10_nv"
        ) from None
    return Expectation(
        expected.v_ms if own_v_ms is None else own_v_ms,
        expected.v_sn10_nv if own_nv is None else own_nv,
        expected.source,
    )


def _block(keys: Keys, n_sweeps: int) -> int:
    n_per_block = keys.whole("n_per_block", 1, _MOST_SWEEPS)
    if 2 * n_per_block > n_sweeps:
        raise keys.fault(
            "n_per_block", f"is {n_per_block}; {n_sweeps} sweeps must give at least 2 blocks"
        )
    return n_per_block


def _split(keys: Keys, condition: Condition, layout: str) -> str:
    split = keys.choice("buffer_split", BUFFER_SPLITS, default="alternate")
    if layout == "buffers" and split == "polarity" and condition.polarity != "alternating":
        raise keys.fault("buffer_split", "is 'polarity'; it needs polarity 'alternating'")
    return split


def _name(keys: Keys, condition: Condition, kind: str) -> str:
    """Return the name that was given, or one made of ear, frequency or stimulus, and level."""
    if keys.has("name"):
        name = keys.text("name").strip()
        if not name or not name.isprintable() or ";" in name:
            raise keys.fault("name", f"is {name!r}; it must be printable text without ';'")
        return name
    sound = condition.stimulus
    if condition.frequency_hz is not None:
        sound = f"{condition.frequency_hz:g}"
    level = "" if condition.level_db_nhl is None else f"-{condition.level_db_nhl:g}"
    return f"{condition.ear}-{sound}{level}" + ("-control" if kind == "control" else "")


def _combination(keys: Keys, plan: RecordingPlan, runs: list[str]) -> RecordingPlan:
    """Return the plan of an average, stored by the recording system, of some runs of a row."""
    chosen = keys.whole_numbers("store_combination", 1, len(runs))
    if len(chosen) < 2 or len(set(chosen)) < len(chosen):
        raise keys.fault(
            "store_combination", f"is {list(chosen)}; it must name at least two runs, each once"
        )
    return replace(
        plan,
        name=f"{plan.name}-stored",
        layout="average",
        n_sweeps=0,
        n_per_block=0,
        file=DataFile("csv", plan.file.unit),
        report_noise=False,
        parts=tuple(runs[run - 1] for run in chosen),
        comment="combined by the recording system, by sweep counts",
    )
