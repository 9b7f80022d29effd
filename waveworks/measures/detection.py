"""F statistics of one recording, from the best evidence that it holds."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from waveworks.dsp.ab_ratio import ab_ratio
from waveworks.dsp.fstats import f_statistic
from waveworks.errors import DataError
from waveworks.measures.noise import used_ms
from waveworks.model import Average, Blocks, Buffers, Sweeps, TimeAxis, Waveforms
from waveworks.settings import StimulusWindows

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class DetectionMeasure:
    """F statistics and what they refer to.

    Parameters
    ----------
    start_ms, stop_ms : float
        The samples of the response window that were used, first and last, in ms.
    fmp : float
        Multiple-point F; NaN where the export holds neither sweeps nor equal blocks.
    df_num, df_den, null_scale : float
        Moment fit of its null.
    method : str
        How `pvalue` was calibrated.
    pvalue : float
        Of `fmp`.
    fsp : float
        Single-point F.
    fsp_point_ms : float
        The sample of its point, in ms.
    fsp_pvalue : float
        Of `fsp`.
    ab_ratio, ab_ratio_pvalue : float
        Variance ratio of average and half difference of two buffers; no F of sweeps.
    note : str
        Why something is missing.
    fault : str
        What was wrong with the window or point that was asked for; empty if nothing was.
    """

    start_ms: float = math.nan
    stop_ms: float = math.nan
    fmp: float = math.nan
    df_num: float = math.nan
    df_den: float = math.nan
    null_scale: float = math.nan
    method: str = ""
    pvalue: float = math.nan
    fsp: float = math.nan
    fsp_point_ms: float = math.nan
    fsp_pvalue: float = math.nan
    ab_ratio: float = math.nan
    ab_ratio_pvalue: float = math.nan
    note: str = ""
    fault: str = ""


def detection(waveforms: Waveforms, windows: StimulusWindows) -> DetectionMeasure:
    """Return the F statistics of one recording, or of the pooled data of several.

    Parameters
    ----------
    waveforms : Sweeps, Blocks, Buffers or Average
        The data.
    windows : StimulusWindows
        Response window and Fsp point.

    Returns
    -------
    DetectionMeasure
        Values that the data cannot give are NaN, and `note` says why.
    """
    try:
        window = waveforms.axis.window(*windows.response_ms, name="response window")
        start_ms, stop_ms = used_ms(waveforms.axis, window)
        return replace(_by_layout(waveforms, window, windows), start_ms=start_ms, stop_ms=stop_ms)
    except DataError as fault:
        return DetectionMeasure(fault=f"no F statistic: {fault}")


def _by_layout(waveforms: Waveforms, window: slice, windows: StimulusWindows) -> DetectionMeasure:
    match waveforms:
        case Sweeps():
            return _f_measure(waveforms.sweeps_nv, waveforms.axis, window, windows)
        case Blocks():
            if len(set(waveforms.n_per_block or ())) > 1:
                return DetectionMeasure(note="no F statistic: blocks of unequal size")
            return _f_measure(waveforms.blocks_nv, waveforms.axis, window, windows)
        case Buffers():
            ratio = ab_ratio(waveforms.a_nv[window], waveforms.b_nv[window], *waveforms.counts)
            return DetectionMeasure(
                ab_ratio=ratio.ratio,
                ab_ratio_pvalue=ratio.pvalue,
                note="no F statistic: buffers hold no sweeps; see ab_ratio",
            )
        case Average():
            return DetectionMeasure(note="no F statistic: an average holds no sweeps")


def _f_measure(
    epochs: FloatArray, axis: TimeAxis, window: slice, windows: StimulusWindows
) -> DetectionMeasure:
    point_ms = windows.fsp_point_ms
    if math.isnan(point_ms):
        point_ms = (axis.time_ms(window.start) + axis.time_ms(window.stop - 1)) / 2
    point = axis.nearest(point_ms, name="Fsp point")
    if not window.start <= point < window.stop:
        raise DataError(f"Fsp point {point_ms:g} ms is not inside the response window")
    inside = epochs[:, window]
    fmp = f_statistic(inside)
    fsp = f_statistic(inside, point=point - window.start)
    return DetectionMeasure(
        fmp=fmp.statistic,
        df_num=fmp.df_num,
        df_den=fmp.df_den,
        null_scale=fmp.null_scale,
        method=fmp.method,
        pvalue=fmp.pvalue,
        fsp=fsp.statistic,
        fsp_point_ms=axis.time_ms(point),
        fsp_pvalue=fsp.pvalue,
    )
