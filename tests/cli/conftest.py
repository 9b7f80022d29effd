"""Run the command line as a user does."""

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from waveworks.cli.app import commands


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    """`run("measure", folder, ...)` in an empty folder."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments: Sequence[object]) -> Result:
        return CliRunner().invoke(commands, [str(a) for a in arguments], catch_exceptions=True)

    return run
