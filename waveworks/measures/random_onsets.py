"""The test at random onsets, which needs the continuous signal and not only its sweeps."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from waveworks.dsp.random_onsets import random_onset_test
from waveworks.errors import WaveworksError
from waveworks.loaders.continuous import read_continuous
from waveworks.loaders.csv_format import CsvFormat
from waveworks.measures.detection_row import Detection, judged, noted

RANDOM_ONSET = "random-onset"

N_DRAWS = 999
"""How often onsets are drawn: 3 s where there are 4000 sweeps."""

_SEED = 4711


def random_onset_row(
    here: Detection, window: slice, folder: Path, csv_format: CsvFormat | None
) -> Detection:
    """Compare a recording with its own averages at random onsets.

    Parameters
    ----------
    here : Detection
        The row so far, with its alpha.
    window : slice
        Samples of the response window in a sweep.
    folder : Path
        The session folder.
    csv_format : CsvFormat or None
        That the session was read with.

    Returns
    -------
    Detection
        Of one look at all sweeps: no level is lowered for others.
    """
    named = replace(
        here,
        test=RANDOM_ONSET,
        words=f"Fmp among those of {N_DRAWS} draws of random onsets in the same recording",
    )
    try:
        whole = read_continuous(here.recording, folder, csv_format)
        found = random_onset_test(
            whole.signal_nv,
            whole.starts + window.start,
            window.stop - window.start,
            n_draws=N_DRAWS,
            seed=_SEED,
        )
    except WaveworksError as fault:
        return noted(named, f"no test: {fault}")
    n_kept, n_rejected = len(whole.starts), whole.n_rejected
    unlike = (
        f"{n_rejected} of {n_kept + n_rejected} sweeps were rejected, windows at random onsets "
        "are not: p can be too large or too small"
    )
    return judged(
        noted(
            named,
            unlike if n_rejected else "",
            looks=(n_kept,),
            statistic=found.statistic,
        ),
        np.array([found.pvalue]),
        np.array([here.alpha]),
        np.array([1 / (N_DRAWS + 1)]),
    )
