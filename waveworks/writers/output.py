"""An output folder that is written whole or not at all."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from waveworks.errors import OutputError
from waveworks.model.session import MANIFEST

PROVENANCE = "provenance.json"
TRUTH = "truth.csv"
"""Beside the tables, a converted session and a simulated one."""


@contextmanager
def output_folder(
    folder: Path, *, force: bool = False, source: Path | None = None
) -> Iterator[Path]:
    """Give a place to write to, and put it at `folder` once everything has been written.

    Parameters
    ----------
    folder : Path
        Where the output shall be.
    force : bool
        Allow `folder` to exist: files of the same name are replaced, others stay. A folder that
        holds a session is refused all the same, unless it was simulated or converted here.
    source : Path, optional
        The folder that is read from, which is never written to.

    Yields
    ------
    Path
        An empty folder beside `folder`. It is removed if the caller fails or is interrupted.

    Raises
    ------
    OutputError
        If `folder` is `source` or inside it, holds a session, exists without `force`, is no folder,
        holds a folder where a file shall be or the reverse, or cannot be written.
    """
    with _plain_errors(folder):
        target = Path(os.path.realpath(folder))  # '.' and 'a/..' get a name
        _refuse_unusable(folder, target, source, force=force)
        # Near the target, so that the final move stays within one file system.
        nearest = next((one for one in target.parents if os.path.lexists(one)), target)
        if not nearest.is_dir():
            raise OutputError(f"{folder}: cannot be written: {nearest.name} is not a folder")
        workshop = Path(tempfile.mkdtemp(prefix=".waveworks-", dir=nearest))
    try:
        with _plain_errors(folder):
            draft = workshop / "draft"
            draft.mkdir()
            yield draft
            _put(draft, target, shown=folder)
    finally:
        shutil.rmtree(workshop, ignore_errors=True)


def _refuse_unusable(folder: Path, target: Path, source: Path | None, *, force: bool) -> None:
    read = None if source is None else Path(os.path.realpath(source))
    if read is not None and target.is_relative_to(read):
        place = "the session itself" if target == read else "in the session"
        raise OutputError(
            f"{folder}: is {place}, which is never written to; choose another -o FOLDER"
        )
    if target.is_dir() and not force:
        raise OutputError(f"{folder}: exists already; choose another -o FOLDER or add --force")
    if not target.is_dir() and (os.path.lexists(target) or folder.is_symlink()):
        raise OutputError(f"{folder}: exists and is not a folder")
    _refuse_session(folder, target)


def _refuse_session(shown: Path, target: Path) -> None:
    """Refuse to write over a session, unless it is an output of this program itself."""
    ours = any((target / name).exists() for name in (TRUTH, PROVENANCE))
    if (target / MANIFEST).exists() and not ours:
        raise OutputError(
            f"{shown}: holds {MANIFEST}, so it is a session, which is never written over; choose "
            "another -o FOLDER"
        )


def _put(draft: Path, folder: Path, *, shown: Path) -> None:
    if not folder.exists():
        folder.parent.mkdir(parents=True, exist_ok=True)
        draft.rename(folder)
        return
    moves = [(source, source.relative_to(draft)) for source in sorted(draft.rglob("*"))]
    for source, name in moves:
        # Looked at before anything moves, so that an output is never half replaced.
        target = folder / name
        if target.exists() and target.is_dir() != source.is_dir():
            kind = "a folder" if target.is_dir() else "not a folder"
            raise OutputError(f"{shown / name}: exists and is {kind}")
        if target.is_dir():
            _refuse_session(shown / name, target)
    for source, name in moves:
        if source.is_dir():
            (folder / name).mkdir(exist_ok=True)
        else:
            source.replace(folder / name)


@contextmanager
def _plain_errors(folder: Path) -> Iterator[None]:
    try:
        yield
    except OutputError:
        raise
    except OSError as fault:
        raise OutputError(f"{folder}: cannot be written: {fault.strerror or fault}") from None
