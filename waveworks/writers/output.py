"""An output folder that is written whole or not at all."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from waveworks.errors import OutputError


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
        Allow `folder` to exist: files of the same name are replaced, others stay.
    source : Path, optional
        The folder that is read from, which is never written to.

    Yields
    ------
    Path
        An empty folder beside `folder`. It is removed if the caller fails or is interrupted.

    Raises
    ------
    OutputError
        If `folder` is `source` or inside it, exists without `force`, is no folder, holds a folder
        where a file shall be or the reverse, or cannot be written.
    """
    if source is not None and folder.resolve().is_relative_to(source.resolve()):
        place = "the session itself" if folder.resolve() == source.resolve() else "in the session"
        raise OutputError(f"{folder}: is {place}, which is never written to")
    _refuse_unusable(folder, force=force)
    with _plain_errors(folder):
        # Near the target, so that the final move stays within one file system.
        nearest = next(parent for parent in folder.absolute().parents if parent.is_dir())
        workshop = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=nearest))
    try:
        with _plain_errors(folder):
            draft = workshop / folder.name
            draft.mkdir()
            yield draft
            _put(draft, folder)
    finally:
        shutil.rmtree(workshop, ignore_errors=True)


def _refuse_unusable(folder: Path, *, force: bool) -> None:
    if folder.is_dir() and force:
        return
    if folder.is_dir():
        raise OutputError(f"{folder}: exists already; choose another -o FOLDER or add --force")
    if folder.exists() or folder.is_symlink():
        raise OutputError(f"{folder}: exists and is not a folder")


def _put(draft: Path, folder: Path) -> None:
    if not folder.exists():
        folder.parent.mkdir(parents=True, exist_ok=True)
        draft.rename(folder)
        return
    moves = [(source, folder / source.relative_to(draft)) for source in sorted(draft.rglob("*"))]
    for source, target in moves:
        # Looked at before anything moves, so that an output is never half replaced.
        if target.exists() and target.is_dir() != source.is_dir():
            kind = "a folder" if target.is_dir() else "not a folder"
            raise OutputError(f"{target}: exists and is {kind}")
    for source, target in moves:
        if source.is_dir():
            target.mkdir(exist_ok=True)
        else:
            source.replace(target)


@contextmanager
def _plain_errors(folder: Path) -> Iterator[None]:
    try:
        yield
    except OutputError:
        raise
    except OSError as fault:
        raise OutputError(f"{folder}: cannot be written: {fault.strerror or fault}") from None
