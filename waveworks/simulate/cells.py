"""The cells of a simulated recording in `recordings.csv`."""

from waveworks.model import Buffers, Reported, Waveforms
from waveworks.simulate.plans import RecordingPlan


def manifest_cells(
    plan: RecordingPlan, waveforms: Waveforms, reported: Reported
) -> tuple[tuple[str, str], ...]:
    """Return column and text of what the writer of a session does not know by itself.

    Parameters
    ----------
    plan : RecordingPlan
        The recording.
    waveforms : Sweeps, Blocks, Buffers or Average
        What is stored of it.
    reported : Reported
        What the recording system states.

    Returns
    -------
    tuple of (str, str)
        In the order of the columns; the same columns for every recording.
    """
    in_buffers = isinstance(waveforms, Buffers)
    cells = {
        "recording": plan.name,
        "file": "",
        "layout": plan.layout,
        "kind": plan.kind,
        **plan.condition.cells(),
        "unit": "",
        "epoch_start_ms": "",
        "n_sweeps": "",
        "n_a": waveforms.n_a if isinstance(waveforms, Buffers) else None,
        "n_b": waveforms.n_b if isinstance(waveforms, Buffers) else None,
        "n_per_block": "",
        "n_rejected": "",
        "buffer_split": plan.buffer_split if in_buffers else "",
        "parts": "",
        "rate_hz": plan.rate_hz,
        "reject_uv": plan.reject_uv,
        "mains_hz": plan.mains_hz,
        "system": plan.system,
        "comment": plan.comment,
        "reported_rn_nv": reported.rn_nv,
        "v_ms": "",
        "sn10_ms": "",
    }
    return tuple((column, _text(value)) for column, value in cells.items())


def _text(value: object) -> str:
    """Return a cell as a person would write it: whole numbers without a point, no missing word."""
    if value is None:
        return ""
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    return str(value)
