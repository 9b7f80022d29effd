"""The files of one session folder: found inside it, read once, hashed."""

import hashlib
from functools import lru_cache
from pathlib import Path

from waveworks.errors import LoadError
from waveworks.toml_files import quoted

# Rows that share a file stand together, so a few files are enough to read each once.
_FILES_KEPT = 4


class DataFiles:
    """Access to the files of a session folder, and to nothing outside it.

    Parameters
    ----------
    folder : Path
        The session folder.
    """

    def __init__(self, folder: Path) -> None:
        self._root = folder.resolve()
        self._bytes = lru_cache(maxsize=_FILES_KEPT)(_read)

    def path(self, name: str) -> Path:
        """Return the path of a file inside the folder.

        Parameters
        ----------
        name : str
            Path relative to the folder, with forward slashes.

        Returns
        -------
        Path

        Raises
        ------
        LoadError
            If the file does not exist, is a folder, or it or a link of it leaves the folder.
        """
        try:
            path = (self._root / name).resolve()
            exists = path.exists()
        except (OSError, ValueError):
            raise LoadError(f"{quoted(name)}: cannot be the name of a file") from None
        if not path.is_relative_to(self._root):
            raise LoadError(f"{name}: leaves the session folder; data files must be inside it")
        if not exists:
            raise LoadError(f"{name}: no such file in the session folder")
        if not path.is_file():
            raise LoadError(f"{name}: is not a file")
        return path

    def read(self, name: str) -> tuple[bytes, str]:
        """Return a file's bytes and their SHA-256.

        Parameters
        ----------
        name : str
            Path relative to the folder.

        Returns
        -------
        data : bytes
        sha256 : str
            In hexadecimal.

        Raises
        ------
        LoadError
            As `path`, or if the file cannot be read.
        """
        path = self.path(name)
        try:
            return self._bytes(path)
        except OSError as fault:
            raise LoadError(f"{name}: cannot be read: {fault.strerror}") from None


def _read(path: Path) -> tuple[bytes, str]:
    data = path.read_bytes()
    return data, hashlib.sha256(data).hexdigest()
