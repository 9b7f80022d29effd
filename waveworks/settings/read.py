"""Settings files: TOML, every key known, every row complete."""

import math
from importlib.resources import files
from pathlib import Path

from waveworks.errors import SettingsError
from waveworks.settings.model import Settings, StimulusWindows
from waveworks.settings.read_expectation import read_expectations
from waveworks.toml_files import Table, TomlFile, quoted

_TOP_KEYS = ("name", "processing", "stimulus", "expectation")
_PROCESSING_KEYS = ("bandpass_hz", "reject_uv")
_ROW_KEYS = (
    "stimulus",
    "frequency_hz",
    "response_window_ms",
    "v_window_ms",
    "noise_window_ms",
    "fsp_point_ms",
    "source",
)


def default_settings() -> Settings:
    """Return the settings that the package ships.

    Returns
    -------
    Settings
    """
    data = files("waveworks.settings").joinpath("default.toml").read_bytes()
    return _parse(TomlFile(data, name="default.toml", error=SettingsError))


def read_settings(path: str | Path, *, name: str | None = None) -> Settings:
    """Return the settings of a file.

    Parameters
    ----------
    path : path
        A TOML file.
    name : str, optional
        What to call it in an error; the path itself by default.

    Returns
    -------
    Settings

    Raises
    ------
    SettingsError
        If the file cannot be read, has an unknown key or an impossible value.
    """
    return _parse(TomlFile.read(Path(path), name=name, error=SettingsError))


def _parse(toml: TomlFile) -> Settings:
    toml.check_keys(toml.root, _TOP_KEYS)
    processing = toml.table(toml.root, "processing")
    toml.check_keys(processing, _PROCESSING_KEYS, place="processing")
    rows = tuple(
        _row(toml, table, place=f"stimulus {number}")
        for number, table in enumerate(toml.tables(toml.root, "stimulus"), start=1)
    )
    if not rows:
        raise toml.fail("no [[stimulus]] row; at least one is needed")
    keys = [(row.stimulus, row.frequency_hz) for row in rows]
    for number, key in enumerate(keys, start=1):
        if key in keys[: number - 1]:
            raise toml.fail(f"stimulus {number}: a second row for {quoted(key[0])}, {key[1]} Hz")
    return Settings(
        name=toml.text(toml.root, "name", default=toml.name),
        sha256=toml.sha256,
        stimuli=rows,
        bandpass_hz=_optional_pair(
            toml, processing, "bandpass_hz", place="processing", above=0.0, unit="Hz"
        ),
        reject_uv=toml.number(processing, "reject_uv", place="processing", above=0.0, unit="uV"),
        expectations=read_expectations(toml),
    )


def _row(toml: TomlFile, table: Table, *, place: str) -> StimulusWindows:
    toml.check_keys(table, _ROW_KEYS, place=place)
    if "stimulus" not in table:
        raise toml.fail(f"'{place}.stimulus' is missing")
    point = toml.number(table, "fsp_point_ms", place=place)
    return StimulusWindows(
        stimulus=toml.text(table, "stimulus", place=place),
        frequency_hz=toml.number(table, "frequency_hz", place=place, above=0.0, unit="Hz"),
        response_ms=toml.pair(table, "response_window_ms", place=place, unit="ms"),
        noise_ms=toml.pair(table, "noise_window_ms", place=place, unit="ms"),
        v_ms=_optional_pair(toml, table, "v_window_ms", place=place, unit="ms"),
        fsp_point_ms=math.nan if point is None else point,
        source=toml.text(table, "source", place=place),
    )


def _optional_pair(
    toml: TomlFile, table: Table, key: str, *, place: str, unit: str, above: float | None = None
) -> tuple[float, float] | None:
    if key not in table:
        return None
    return toml.pair(table, key, place=place, unit=unit, above=above)
