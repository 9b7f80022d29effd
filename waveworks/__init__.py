"""waveworks: re-analyse exported averaged evoked-potential waveforms, and prove each number."""

from importlib import import_module
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from waveworks.criteria import default_criteria, read_criteria
    from waveworks.loaders.mne_bridge import from_mne_epochs, to_mne_epochs, to_mne_evoked
    from waveworks.loaders.session import read_session
    from waveworks.pipeline import Analysis, analyse
    from waveworks.report import write_report
    from waveworks.settings import default_settings, read_settings

__version__ = version("waveworks")

__all__ = [
    "Analysis",
    "__version__",
    "analyse",
    "default_criteria",
    "default_settings",
    "from_mne_epochs",
    "read_criteria",
    "read_session",
    "read_settings",
    "to_mne_epochs",
    "to_mne_evoked",
    "write_report",
]

# Loaded when first asked for, so that importing the package does not load numerical libraries.
_HOMES = {
    "Analysis": "waveworks.pipeline",
    "analyse": "waveworks.pipeline",
    "default_criteria": "waveworks.criteria",
    "default_settings": "waveworks.settings",
    "from_mne_epochs": "waveworks.loaders.mne_bridge",
    "read_criteria": "waveworks.criteria",
    "read_session": "waveworks.loaders.session",
    "read_settings": "waveworks.settings",
    "to_mne_epochs": "waveworks.loaders.mne_bridge",
    "to_mne_evoked": "waveworks.loaders.mne_bridge",
    "write_report": "waveworks.report",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'waveworks' has no attribute '{name}'")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
