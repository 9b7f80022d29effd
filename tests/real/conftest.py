import os
from pathlib import Path

import pytest

_PROJECT = Path(__file__).resolve().parents[2]
_VARIABLE = "WAVEWORKS_REAL_RECORDINGS"


@pytest.fixture
def real_recordings():
    """Return a function from the name of a folder of real recordings to its path."""
    root = Path(os.environ.get(_VARIABLE, _PROJECT.parent / "shared" / "real_recordings"))

    def folder(name: str) -> Path:
        path = root / name
        if not path.is_dir():
            pytest.skip(f"no real recordings in {path}; set {_VARIABLE} to the folder above it")
        return path

    return folder
