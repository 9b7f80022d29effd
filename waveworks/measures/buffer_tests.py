"""The detection tests that A and B buffers allow; both are weaker than those of sweeps."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.ab_ratio import ab_ratio
from waveworks.dsp.detection import shape_test
from waveworks.dsp.detectors import DETECTORS
from waveworks.errors import DataError
from waveworks.measures.detection_row import Detection, noted
from waveworks.measures.least_p import least_p_note, least_p_of_shape
from waveworks.measures.pooling import mean_trace, noise_only_trace
from waveworks.model import Buffers
from waveworks.settings import StimulusWindows

FloatArray = NDArray[np.float64]

AB_RATIO, SHAPE = "ab-ratio", "shape"

ONLY_BUFFERS = "A and B hold no sweeps: the A/B ratio is weaker than a test of sweeps"


def ab_ratio_of_buffers(here: Detection, buffers: Buffers, window: slice) -> Detection:
    """Compare the average with half the difference.

    Parameters
    ----------
    here : Detection
        The row so far, with its alpha.
    buffers : Buffers
        A and B.
    window : slice
        Samples of the response window.

    Returns
    -------
    Detection
    """
    ratio = ab_ratio(buffers.a_nv[window], buffers.b_nv[window], *buffers.counts)
    return noted(
        here,
        ONLY_BUFFERS,
        test=AB_RATIO,
        words="variance of the average over that of the half difference",
        statistic=ratio.ratio,
        pvalue=ratio.pvalue,
        detected=None if math.isnan(ratio.pvalue) else ratio.pvalue <= here.alpha,
    )


def shape_of_buffers(
    here: Detection, buffers: Buffers, windows: StimulusWindows
) -> Detection | None:
    """Look for a shape in the noise of half the difference.

    Parameters
    ----------
    here : Detection
        The row so far, with its alpha.
    buffers : Buffers
        A and B.
    windows : StimulusWindows
        Response and noise window.

    Returns
    -------
    Detection or None
        None where the half difference is no noise alone.
    """
    half = noise_only_trace(buffers)
    if half is None:
        return None
    one = replace(here, test=SHAPE, words=DETECTORS[SHAPE].words, noise_ms=windows.noise_ms)
    try:
        shape = shape_test(
            mean_trace(buffers),
            buffers.axis.times_ms,
            windows.response_ms,
            [half],
            clean_ms=windows.noise_ms,
        )
    except DataError as fault:
        return noted(one, f"no test: {fault}")
    return noted(
        one,
        "noise from half the difference of A and B alone: weaker than from sweeps",
        least_p_note(np.array([least_p_of_shape(1)]), np.array([here.alpha])),
        statistic=shape.statistic,
        pvalue=shape.pvalue,
        detected=shape.pvalue <= here.alpha,
    )
