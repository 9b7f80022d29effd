"""Options of commands that look at a recording more than once."""

import itertools
from collections.abc import Callable
from typing import Any, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., Any])

_KINDS = ("constant", "obrien-fleming", "spending-obrien-fleming", "spending-pocock")


class Looks(click.ParamType[tuple[int, ...]]):
    """Numbers of sweeps: `200,400,1000`, or `200:4000:200` from, to and every so many."""

    name = "looks"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, ...]:
        """Return the counts.

        Parameters
        ----------
        value : str
            As it was typed.
        param : click.Parameter or None
            The option.
        ctx : click.Context or None
            Of the call.

        Returns
        -------
        tuple of int
            Rising, each at least 1.
        """
        if isinstance(value, tuple) or not value:
            return tuple(value)
        try:
            if ":" in value:
                start, stop, step = (int(part) for part in value.split(":"))
                counts = tuple(range(start, stop + 1, step))
            else:
                counts = tuple(int(part) for part in value.split(","))
        except ValueError:
            self.fail(f"{value!r} is neither 200,400,1000 nor 200:4000:200", param, ctx)
        if (
            not counts
            or counts[0] < 1
            or any(later <= earlier for earlier, later in itertools.pairwise(counts))
        ):
            self.fail(
                f"{value!r}: numbers of sweeps of at least 1 that rise are needed", param, ctx
            )
        return counts


class TestName(click.ParamType[str]):
    """The name of a detection test."""

    name = "test"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the name, if there is such a test.

        Parameters
        ----------
        value : str
            As it was typed.
        param : click.Parameter or None
            The option.
        ctx : click.Context or None
            Of the call.

        Returns
        -------
        str
        """
        from waveworks.dsp.detectors import DETECTORS

        if value not in DETECTORS:
            self.fail(f"{value!r} is none of {', '.join(DETECTORS)}", param, ctx)
        return str(value)


def tests_option(command: Command) -> Command:
    """Add --test.

    Parameters
    ----------
    command : callable
        To be decorated.

    Returns
    -------
    callable
    """
    return click.option(
        "--test",
        "tests",
        metavar="NAME",
        type=TestName(),
        multiple=True,
        help="Only this test; may be given again. Default: all.",
    )(command)


def looks_option(command: Command) -> Command:
    """Add --looks.

    Parameters
    ----------
    command : callable
        To be decorated.

    Returns
    -------
    callable
    """
    return click.option(
        "--looks",
        metavar="SWEEPS",
        type=Looks(),
        default="",
        help="Look after so many sweeps: 200,400,1000 or 200:4000:200. Default: once, at the end.",
    )(command)


def alpha_option(command: Command) -> Command:
    """Add --alpha.

    Parameters
    ----------
    command : callable
        To be decorated.

    Returns
    -------
    callable
    """
    return click.option(
        "--alpha",
        metavar="P",
        type=click.FloatRange(0, 1, min_open=True, max_open=True),
        default=0.01,
        show_default=True,
        help="Overall rate of false positives of each test.",
    )(command)


def boundary_option(command: Command) -> Command:
    """Add --boundary.

    Parameters
    ----------
    command : callable
        To be decorated.

    Returns
    -------
    callable
    """
    return click.option(
        "--boundary",
        type=click.Choice(_KINDS),
        default="constant",
        show_default=True,
        help="How the rate is shared out over the looks.",
    )(command)
