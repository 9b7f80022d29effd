"""Options of commands that look at a recording more than once."""

import itertools
from collections.abc import Callable, Iterable
from typing import Any

import click

from waveworks.cli.options import finite


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


class NameOf(click.ParamType[str]):
    """One of several names that are loaded when one was given: help does not wait for them.

    Parameters
    ----------
    name : str
        What is named.
    load : callable
        Returns the names.
    """

    def __init__(self, name: str, load: Callable[[], Iterable[str]]) -> None:
        self.name = name
        self._load = load

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the name, if there is such a one.

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
        names = tuple(self._load())
        if value not in names:
            self.fail(f"{value!r} is none of {', '.join(names)}", param, ctx)
        return str(value)


def _detectors() -> Iterable[str]:
    from waveworks.dsp.detectors import DETECTORS

    return DETECTORS


def _tests() -> Iterable[str]:
    from waveworks.measures.detect import TESTS

    return TESTS


def _boundaries() -> Iterable[str]:
    from waveworks.dsp.looks import KINDS

    return KINDS


def _tests_option(load: Callable[[], Iterable[str]], default: str) -> Callable[[Any], Any]:
    return click.option(
        "--test",
        "tests",
        metavar="NAME",
        type=NameOf("test", load),
        multiple=True,
        help=f"Only this test; may be given again. Default: {default}.",
    )


tests_option = _tests_option(_detectors, "all")
all_tests_option = _tests_option(_tests, "all that a recording allows")
looks_option = click.option(
    "--looks",
    metavar="SWEEPS",
    type=Looks(),
    default="",
    help="Look after so many sweeps: 200,400,1000 or 200:4000:200. Default: once, at the end.",
)
bins_option = click.option(
    "--bins",
    "n_bins",
    type=click.IntRange(min=2),
    help="Equal slices of the window whose means hotelling-t2 takes. Default: 12.",
)
alpha_option = click.option(
    "--alpha",
    metavar="P",
    type=click.FloatRange(0, 1, min_open=True, max_open=True),
    callback=finite,
    default=0.01,
    show_default=True,
    help="Overall rate of false positives of each test.",
)
boundary_option = click.option(
    "--boundary",
    metavar="NAME",
    type=NameOf("boundary", _boundaries),
    default="constant",
    show_default=True,
    help="How the rate is shared out over the looks: constant, obrien-fleming, "
    "spending-obrien-fleming or spending-pocock.",
)
