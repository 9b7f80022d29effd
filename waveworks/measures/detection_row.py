"""One test of one recording, and what its p says against the level of each look."""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.looks import first_look
from waveworks.measures.least_p import least_p_note
from waveworks.model import Recording

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Detection:
    """One test of one recording.

    Parameters
    ----------
    recording : Recording
        That was tested.
    test : str
        Name of the test; empty where none could be made.
    words : str
        What the test is.
    start_ms, stop_ms : float
        Samples of the response window that were used, first and last.
    noise_ms : tuple of float or None
        Window in which noise was learned; None where that is the response window.
    statistic, pvalue : float
        At the last look; NaN where the test could not be made.
    pvalue_holm : float
        For all corrected tests of the recording together.
    alpha : float
        Overall rate of false positives.
    looks : tuple of int
        Sweeps at each look.
    levels, pvalues : tuple of float
        Nominal level and p at each look.
    detected : bool or None
        Whether p was at most its level at a look; None without a p.
    sweeps : int or None
        At the first such look.
    seconds : float
        These sweeps at the stimulus rate, rejected ones not counted; NaN if either is unknown.
    note : str
        What to know about it.
    fault : str
        Why what was asked for could not be done.
    """

    recording: Recording
    test: str = ""
    words: str = ""
    start_ms: float = math.nan
    stop_ms: float = math.nan
    noise_ms: tuple[float, float] | None = None
    statistic: float = math.nan
    pvalue: float = math.nan
    pvalue_holm: float = math.nan
    alpha: float = math.nan
    looks: tuple[int, ...] = ()
    levels: tuple[float, ...] = ()
    pvalues: tuple[float, ...] = ()
    detected: bool | None = None
    sweeps: int | None = None
    seconds: float = math.nan
    note: str = ""
    fault: str = ""


def noted(one: Detection, *notes: str, **changes: Any) -> Detection:
    """Return a row that says more.

    Parameters
    ----------
    one : Detection
        The row.
    *notes : str
        To be added to its note; empty ones are not.
    **changes : object
        Other fields.

    Returns
    -------
    Detection
    """
    return replace(one, note="; ".join(note for note in (one.note, *notes) if note), **changes)


def judged(one: Detection, pvalues: FloatArray, levels: FloatArray, least: FloatArray) -> Detection:
    """Return a row with its p at each look and what follows from them.

    Parameters
    ----------
    one : Detection
        The row, with its looks.
    pvalues : ndarray, shape (n_looks,)
        NaN where the test could not be made.
    levels : ndarray, shape (n_looks,)
        Nominal level.
    least : ndarray, shape (n_looks,)
        The least p that the test can show.

    Returns
    -------
    Detection
    """
    unknown = bool(np.isnan(pvalues).all())
    index = int(first_look(pvalues, levels))
    sweeps = one.looks[index] if index >= 0 else None
    rate_hz = one.recording.rate_hz
    return noted(
        one,
        "no test: its p is not a number" if unknown else least_p_note(least, levels),
        "no seconds: rate_hz is not given" if sweeps is not None and not rate_hz else "",
        pvalue=float(pvalues[-1]),
        levels=tuple(levels.tolist()),
        pvalues=tuple(pvalues.tolist()),
        detected=None if unknown else sweeps is not None,
        sweeps=sweeps,
        seconds=math.nan if sweeps is None or not rate_hz else sweeps / rate_hz,
    )
