"""The measures as tidy tables; their columns are promises."""

import math
from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from waveworks.measures.final_traces import COMBINED
from waveworks.measures.levels import LevelMeasures
from waveworks.measures.marks import MarkMeasure
from waveworks.measures.recordings import RecordingMeasures
from waveworks.model import CONDITION_COLUMNS

MEASURES_COLUMNS = (
    "recording",
    "file",
    "sha256",
    "kind",
    *CONDITION_COLUMNS,
    "layout",
    "n_sweeps",
    "n_rejected",
    "n_rejected_here",
    "applied_reject_uv",
    "bandpass_low_hz",
    "bandpass_high_hz",
    "sfreq_hz",
    "noise_start_ms",
    "noise_stop_ms",
    "rn_nv",
    "rn_low_nv",
    "rn_high_nv",
    "rn_df",
    "rn_method",
    "response_start_ms",
    "response_stop_ms",
    "fmp",
    "f_df_num",
    "f_df_den",
    "f_null_scale",
    "f_method",
    "f_pvalue",
    "fsp",
    "fsp_point_ms",
    "fsp_pvalue",
    "ab_ratio",
    "ab_ratio_pvalue",
    "note",
)
LEVELS_COLUMNS = (
    *CONDITION_COLUMNS,
    "recordings",
    "n_traces",
    "n_sweeps",
    "rn_nv",
    "rn_method",
    "gap_nv",
    "r",
    "r_pvalue",
    "lag_ms",
    "snr_power",
    "shape_statistic",
    "shape_pvalue",
    "v_ms",
    "v_se_ms",
    "sn10_ms",
    "sn10_se_ms",
    "marks_from",
    "confidence",
    "v_sn10_nv",
    "v_sn10_se_nv",
    "v_sn10_corrected_nv",
    "v_sn10_corrected_se_nv",
    "v_sn10_gap_ratio",
    "fmp",
    "f_pvalue",
    "grade",
    "reasons",
    "note",
)
TRACES_COLUMNS = (
    *CONDITION_COLUMNS,
    "trace",
    "members",
    "weights",
    "n_sweeps",
    "rn_nv",
    "rn_method",
    "v_ms",
    "sn10_ms",
    "v_sn10_nv",
    "marks_from",
)


def measures_table(measured: Sequence[RecordingMeasures]) -> pd.DataFrame:
    """Return a row a recording.

    Parameters
    ----------
    measured : sequence of RecordingMeasures
        All recordings of a session.

    Returns
    -------
    pandas.DataFrame
        With the columns `MEASURES_COLUMNS`; what could not be measured is missing.
    """
    return _table((_measures_row(one) for one in measured), MEASURES_COLUMNS)


def levels_table(measured: Sequence[LevelMeasures]) -> pd.DataFrame:
    """Return a row a condition.

    Parameters
    ----------
    measured : sequence of LevelMeasures
        All tested conditions of a session.

    Returns
    -------
    pandas.DataFrame
        With the columns `LEVELS_COLUMNS`; what could not be measured is missing.
    """
    return _table((_levels_row(one) for one in measured), LEVELS_COLUMNS)


def traces_table(measured: Sequence[LevelMeasures]) -> pd.DataFrame:
    """Return a row a final trace.

    Parameters
    ----------
    measured : sequence of LevelMeasures
        All tested conditions of a session.

    Returns
    -------
    pandas.DataFrame
        With the columns `TRACES_COLUMNS`.
    """
    return _table((row for one in measured for row in _traces_rows(one)), TRACES_COLUMNS)


def rows_of(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table.

    Parameters
    ----------
    table : pandas.DataFrame
        Such as the functions above return.

    Returns
    -------
    list of dict
        Cell by column.
    """
    return [
        dict(zip(table.columns.tolist(), row, strict=True))
        for row in table.itertuples(index=False, name=None)
    ]


def _table(rows: Iterable[dict[str, Any]], columns: Sequence[str]) -> pd.DataFrame:
    # Object columns keep whole numbers whole beside missing ones.
    return pd.DataFrame(list(rows), columns=list(columns), dtype=object)


def _measures_row(measured: RecordingMeasures) -> dict[str, Any]:
    recording = measured.recording
    noise, detected = measured.noise, measured.detection
    waveforms, processing = recording.waveforms, recording.processing
    low_hz, high_hz = processing.bandpass_hz or (None, None)
    return {
        "recording": recording.name,
        "file": ";".join(file.name for file in recording.files),
        "sha256": ";".join(file.sha256 for file in recording.files),
        "kind": recording.kind,
        **recording.condition.cells(),
        "layout": recording.layout,
        "n_sweeps": recording.counts.n_sweeps,
        "n_rejected": recording.counts.n_rejected,
        "n_rejected_here": recording.counts.n_rejected_here,
        "applied_reject_uv": processing.reject_uv,
        "bandpass_low_hz": low_hz,
        "bandpass_high_hz": high_hz,
        "sfreq_hz": None if waveforms is None else waveforms.axis.sfreq_hz,
        "noise_start_ms": noise.start_ms,
        "noise_stop_ms": noise.stop_ms,
        "rn_nv": noise.rn_nv,
        "rn_low_nv": noise.low_nv,
        "rn_high_nv": noise.high_nv,
        "rn_df": noise.df,
        "rn_method": noise.method,
        "response_start_ms": detected.start_ms,
        "response_stop_ms": detected.stop_ms,
        "fmp": detected.fmp,
        "f_df_num": detected.df_num,
        "f_df_den": detected.df_den,
        "f_null_scale": detected.null_scale,
        "f_method": detected.method,
        "f_pvalue": detected.pvalue,
        "fsp": detected.fsp,
        "fsp_point_ms": detected.fsp_point_ms,
        "fsp_pvalue": detected.fsp_pvalue,
        "ab_ratio": detected.ab_ratio,
        "ab_ratio_pvalue": detected.ab_ratio_pvalue,
        "note": "; ".join((*measured.faults, *measured.notes)),
    }


def _levels_row(measured: LevelMeasures) -> dict[str, Any]:
    combined, pair, detected = measured.combined, measured.pair, measured.detection
    marks = measured.marks.get(COMBINED, MarkMeasure())
    return {
        **measured.condition.cells(),
        "recordings": ";".join(recording.name for recording in measured.recordings),
        "n_traces": max(len(measured.traces) - 1, 0),
        "n_sweeps": None if combined is None else combined.n_sweeps,
        "rn_nv": math.nan if combined is None else combined.noise.rn_nv,
        "rn_method": "" if combined is None else combined.noise.method,
        "gap_nv": pair.gap_nv,
        "r": pair.r,
        "r_pvalue": pair.r_pvalue,
        "lag_ms": pair.lag_ms,
        "snr_power": pair.snr_power,
        "shape_statistic": measured.shape.statistic,
        "shape_pvalue": measured.shape.pvalue,
        "v_ms": marks.v_ms,
        "v_se_ms": marks.v_se_ms,
        "sn10_ms": marks.sn10_ms,
        "sn10_se_ms": marks.sn10_se_ms,
        "marks_from": marks.marks_from,
        "confidence": marks.confidence,
        "v_sn10_nv": marks.v_sn10_nv,
        "v_sn10_se_nv": marks.v_sn10_se_nv,
        "v_sn10_corrected_nv": marks.v_sn10_corrected_nv,
        "v_sn10_corrected_se_nv": marks.v_sn10_corrected_se_nv,
        "v_sn10_gap_ratio": _ratio(marks.v_sn10_nv, pair.gap_nv),
        "fmp": detected.fmp,
        "f_pvalue": detected.pvalue,
        "note": "; ".join((*measured.faults, *measured.notes)),
    }


def _traces_rows(measured: LevelMeasures) -> Iterable[dict[str, Any]]:
    for trace in measured.traces:
        marks = measured.marks[trace.label]
        yield {
            **measured.condition.cells(),
            "trace": trace.label,
            "members": ";".join(member.name for member in trace.members),
            "weights": ";".join(f"{weight:.6g}" for weight in trace.weights),
            "n_sweeps": trace.n_sweeps,
            "rn_nv": trace.noise.rn_nv,
            "rn_method": trace.noise.method,
            "v_ms": marks.v_ms,
            "sn10_ms": marks.sn10_ms,
            "v_sn10_nv": marks.v_sn10_nv,
            "marks_from": marks.marks_from,
        }


def _ratio(amplitude_nv: float, gap_nv: float) -> float:
    return amplitude_nv / gap_nv if gap_nv > 0 else math.nan
