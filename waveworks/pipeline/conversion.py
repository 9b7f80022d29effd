"""A word where writing a session as EDF loses digits that matter."""

import math

from waveworks.measures.noise import own_noise
from waveworks.writers.session_folder import WrittenRecording

# Rounding to whole steps adds noise of a step over the square root of 12; a tenth of the residual
# noise adds half a per cent to it.
_SMALL_SHARE = 0.1
_WHOLE_TRACE = (-math.inf, math.inf)


def coarse(written: WrittenRecording) -> str:
    """Say where the quantisation step of a file is not small against the residual noise.

    Parameters
    ----------
    written : WrittenRecording
        One recording of a conversion.

    Returns
    -------
    str
        A plain line; empty where the step is small, where every digit is kept, or where the
        recording shows no residual noise to compare with.
    """
    if not written.steps_nv:
        return ""
    noise = own_noise(written.recording, _WHOLE_TRACE)
    n_averaged = written.recording.counts.n_sweeps if written.recording.layout == "sweeps" else 1
    rounding_nv = max(written.steps_nv) / math.sqrt(12 * (n_averaged or 1))
    if not noise.known or rounding_nv <= _SMALL_SHARE * noise.rn_nv:
        return ""
    return (
        f"recording '{written.recording.name}': the quantisation step of {written.file}, "
        f"{max(written.steps_nv):.3g} nV, is not small against the residual noise, "
        f"{noise.rn_nv:.3g} nV"
    )
