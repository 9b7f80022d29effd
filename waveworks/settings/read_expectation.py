"""The [[expectation]] rows of a settings file: every key known, a value for each level."""

import math
from itertools import pairwise
from typing import Any

from waveworks.model.condition import STIMULI, TRANSDUCERS
from waveworks.settings.expectation import ExpectedWave, Span
from waveworks.toml_files import Table, TomlFile, quoted

EXPECTATION_KEYS = (
    "stimulus",
    "frequency_hz",
    "transducer",
    "age_weeks",
    "level_db_nhl",
    "v_ms",
    "v_sd_ms",
    "slope_ms_per_db",
    "v_sn10_nv",
    "v_sn10_sd_nv",
    "step_ms_per_10_db",
    "v_width_ms",
    "sn10_width_ms",
    "sn10_lag_ms",
    "spread_ms",
    "source",
)
_REQUIRED = ("stimulus", "level_db_nhl", "v_ms", "source")
_LENGTHS_OF_TIME = ("v_width_ms", "sn10_width_ms", "sn10_lag_ms", "spread_ms")


def read_expectations(toml: TomlFile) -> tuple[ExpectedWave, ...]:
    """Return the expected waves of a settings file.

    Parameters
    ----------
    toml : TomlFile
        The parsed file.

    Returns
    -------
    tuple of ExpectedWave
        In the order of the file; empty where it has none.

    Raises
    ------
    SettingsError
        If a row has an unknown key or an impossible value, or if two rows serve one case and
        neither is more specific.
    """
    rows = tuple(
        _row(toml, table, place=f"expectation {number}")
        for number, table in enumerate(toml.tables(toml.root, "expectation"), start=1)
    )
    for number, row in enumerate(rows, start=1):
        for earlier, other in enumerate(rows[: number - 1], start=1):
            if _serve_one_case(row, other):
                raise toml.fail(
                    f"expectation {number}: serves recordings that expectation {earlier} serves "
                    f"as closely ({_served(row)}); give them different frequencies, transducers "
                    "or ages"
                )
    return rows


def _row(toml: TomlFile, table: Table, *, place: str) -> ExpectedWave:
    toml.check_keys(table, EXPECTATION_KEYS, place=place)
    for key in _REQUIRED:
        if key not in table:
            raise toml.fail(f"'{place}.{key}' is missing")
    source = toml.text(table, "source", place=place)
    if not source.strip():
        raise toml.fail(f"'{place}.source' is empty; it says what the values rest on")
    levels = _levels(toml, table, place=place)
    optional: dict[str, Any] = {
        key: value
        for key in _LENGTHS_OF_TIME
        if (value := toml.number(table, key, place=place, above=0.0, unit="ms")) is not None
    }
    if "step_ms_per_10_db" in table:
        optional["step_ms_per_10_db"] = _step(toml, table, place=place)
    if "age_weeks" in table:
        optional["age_weeks"] = toml.pair(table, "age_weeks", place=place, unit="weeks")
    if "v_sn10_sd_nv" in table and "v_sn10_nv" not in table:
        raise toml.fail(f"'{place}.v_sn10_sd_nv' is given without v_sn10_nv")
    return ExpectedWave(
        stimulus=toml.choice(table, "stimulus", STIMULI, place=place),
        frequency_hz=toml.number(table, "frequency_hz", place=place, above=0.0, unit="Hz"),
        transducer=toml.choice(table, "transducer", TRANSDUCERS, place=place) or None,
        level_db_nhl=levels,
        v_ms=_latencies(toml, table, levels, place=place),
        v_sd_ms=_a_level(toml, table, "v_sd_ms", levels, place=place, unit="ms"),
        slope_ms_per_db=_slope(toml, table, levels, place=place),
        v_sn10_nv=_a_level(toml, table, "v_sn10_nv", levels, place=place, unit="nV"),
        v_sn10_sd_nv=_a_level(toml, table, "v_sn10_sd_nv", levels, place=place, unit="nV"),
        source=source,
        **optional,
    )


def _levels(toml: TomlFile, table: Table, *, place: str) -> tuple[float, ...]:
    levels = toml.numbers(table, "level_db_nhl", place=place, unit="dB nHL")
    assert levels is not None  # the key is there
    if any(high <= low for low, high in pairwise(levels)):
        raise toml.fail(
            f"'{place}.level_db_nhl' is {quoted(list(levels))}; each level must be above the one "
            "before it"
        )
    return levels


def _latencies(
    toml: TomlFile, table: Table, levels: tuple[float, ...], *, place: str
) -> tuple[float, ...]:
    latencies = _a_level(toml, table, "v_ms", levels, place=place, unit="ms")
    assert latencies is not None  # the key is there
    if any(later > earlier for earlier, later in pairwise(latencies)):
        raise toml.fail(
            f"'{place}.v_ms' is {quoted(list(latencies))}; wave V must not come later at a higher "
            "level"
        )
    return latencies


def _a_level(
    toml: TomlFile, table: Table, key: str, levels: tuple[float, ...], *, place: str, unit: str
) -> tuple[float, ...] | None:
    """Return the positive values of a key, one for each level."""
    values = toml.numbers(table, key, place=place, above=0.0, unit=unit)
    if values is not None and len(values) != len(levels):
        raise toml.fail(
            f"'{place}.{key}' has length {len(values)} and level_db_nhl has length {len(levels)}; "
            "there must be one value for each level"
        )
    return values


def _slope(toml: TomlFile, table: Table, levels: tuple[float, ...], *, place: str) -> float:
    slope = toml.number(table, "slope_ms_per_db", place=place)
    if len(levels) > 1:
        if slope is not None:
            raise toml.fail(
                f"'{place}.slope_ms_per_db' is {slope:g}; with {len(levels)} levels the slope is "
                "that between them: leave it out"
            )
        return math.nan
    if slope is None:
        raise toml.fail(f"'{place}.slope_ms_per_db' is missing; a single level needs it")
    if slope > 0:
        raise toml.fail(
            f"'{place}.slope_ms_per_db' is {slope:g} ms per dB; it must be negative or 0, since "
            "wave V comes earlier at a higher level"
        )
    return slope


def _step(toml: TomlFile, table: Table, *, place: str) -> Span:
    least, most = toml.pair(table, "step_ms_per_10_db", place=place, unit="ms")
    if least < 0 or math.isinf(most):
        raise toml.fail(
            f"'{place}.step_ms_per_10_db' is [{least:g}, {most:g}]; it must be two rising finite "
            "numbers, none below 0, in ms"
        )
    return least, most


def _serve_one_case(one: ExpectedWave, other: ExpectedWave) -> bool:
    """Tell whether two rows serve one case, and neither is more specific."""
    same = (one.stimulus, one.frequency_hz, one.transducer) == (
        other.stimulus,
        other.frequency_hz,
        other.transducer,
    )
    if one.age_weeks is None or other.age_weeks is None:
        return same and one.age_weeks is other.age_weeks
    return same and one.age_weeks[0] < other.age_weeks[1] and other.age_weeks[0] < one.age_weeks[1]


def _served(row: ExpectedWave) -> str:
    frequency = "any frequency" if row.frequency_hz is None else f"{row.frequency_hz:g} Hz"
    ages = "any age"
    if row.age_weeks is not None:
        ages = f"{row.age_weeks[0]:g} to {row.age_weeks[1]:g} weeks"
    return f"{row.stimulus}, {frequency}, {row.transducer or 'any transducer'}, {ages}"
