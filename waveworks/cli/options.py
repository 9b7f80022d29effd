"""Options that several commands share."""

import math
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., Any])
Pair = tuple[float, float]

existing_file = click.Path(path_type=Path, exists=True, dir_okay=False)


def session_argument(command: Command) -> Command:
    """Add the argument SESSION, a folder.

    Parameters
    ----------
    command : callable
        To be decorated.

    Returns
    -------
    callable
    """
    return click.argument("session", metavar="SESSION", type=click.Path(path_type=Path))(command)


def output_options(command: Command) -> Command:
    """Add -o and --force.

    Parameters
    ----------
    command : callable
        To be decorated.

    Returns
    -------
    callable
    """
    folder = click.option(
        "-o",
        "--output",
        metavar="FOLDER",
        type=click.Path(path_type=Path),
        default=Path("waveworks-out"),
        show_default=True,
        help="Where the output goes.",
    )
    force = click.option("--force", is_flag=True, help="Replace files in an existing FOLDER.")
    return folder(force(command))


def reading_options(command: Command) -> Command:
    """Add the options that decide how files are read and where they are measured.

    Parameters
    ----------
    command : callable
        To be decorated.

    Returns
    -------
    callable
    """
    return _decorated(command, _READING)


def detection_options(command: Command) -> Command:
    """Add those of `reading_options` that matter to tests for a response.

    Parameters
    ----------
    command : callable
        To be decorated.

    Returns
    -------
    callable
    """
    kept = {name: one for name, one in _READING.items() if name not in NO_DETECTION}
    return _decorated(command, kept)


def criteria_option(command: Command) -> Command:
    """Add --criteria.

    Parameters
    ----------
    command : callable
        To be decorated.

    Returns
    -------
    callable
    """
    return click.option("--criteria", type=existing_file, help="Criteria file (TOML).")(command)


def json_option(command: Command) -> Command:
    """Add --json.

    Parameters
    ----------
    command : callable
        To be decorated.

    Returns
    -------
    callable
    """
    return click.option(
        "--json", "as_json", is_flag=True, help="Print the table as JSON instead of text."
    )(command)


def progress(label: str) -> Callable[[Sequence[Any]], Iterable[Any]]:
    """Return what walks through a sequence behind a progress bar, where somebody can see it.

    Parameters
    ----------
    label : str
        What is being done.

    Returns
    -------
    callable
    """

    def track(items: Sequence[Any]) -> Iterable[Any]:
        with click.progressbar(
            items, label=label, file=sys.stderr, hidden=not sys.stderr.isatty()
        ) as bar:
            yield from bar

    return track


def _pair(
    name: str, metavar: str, meaning: str, *, low: float = -math.inf
) -> Callable[[Command], Command]:
    def rising(_: click.Context, option: click.Parameter, value: Pair | None) -> Pair | None:
        if value is None:
            return None
        if not (value[0] < value[1] and (math.isinf(low) or low < value[0])):
            above = "" if math.isinf(low) else f" above {low:g}"
            raise click.BadParameter(
                f"{value[0]:g} {value[1]:g} must be two rising numbers{above}", param=option
            )
        return value

    return click.option(name, nargs=2, type=float, metavar=metavar, callback=rising, help=meaning)


def finite(_: click.Context, option: click.Parameter, value: float | None) -> float | None:
    """Refuse what click takes for a number inside any range.

    Parameters
    ----------
    _ : click.Context
        Of the call.
    option : click.Parameter
        The option.
    value : float or None
        Its value; None is not given.

    Returns
    -------
    float or None
        `value` itself.

    Raises
    ------
    click.BadParameter
        If it is NaN or infinite.
    """
    if value is not None and not math.isfinite(value):
        raise click.BadParameter(f"{value} is not a finite number", param=option)
    return value


def _decorated(command: Command, options: dict[str, Callable[[Command], Command]]) -> Command:
    for option in reversed(options.values()):
        command = option(command)
    return command


_READING: dict[str, Callable[[Any], Any]] = {
    "settings": click.option("--settings", type=existing_file, help="Settings file (TOML)."),
    "csv_format": click.option(
        "--csv-format", type=existing_file, help="Description of CSV files of another make (TOML)."
    ),
    "response_window": _pair(
        "--response-window", "START STOP", "Window of F statistics and agreement, ms."
    ),
    "v_window": _pair("--v-window", "START STOP", "Window in which wave V is looked for, ms."),
    "noise_window": _pair("--noise-window", "START STOP", "Window of residual noise and gap, ms."),
    "fsp_point": click.option(
        "--fsp-point",
        metavar="MS",
        type=float,
        callback=finite,
        help="Single point of Fsp, ms.",
    ),
    "bandpass": _pair(
        "--bandpass", "LOW HIGH", "Band-pass of continuous data before cutting, Hz.", low=0
    ),
    "reject_uv": click.option(
        "--reject-uv",
        metavar="X",
        type=click.FloatRange(min=0, min_open=True),
        callback=finite,
        help="Reject sweeps with a larger absolute value, uV.",
    ),
}

NO_DETECTION = ("v_window", "fsp_point")
"""Names of the options of `reading_options` that decide nothing about a test for a response."""
