"""Levels as they are measured, with every number at will."""

import math
from dataclasses import replace

import numpy as np
import pytest

from waveworks.measures.detection import DetectionMeasure
from waveworks.measures.final_traces import COMBINED, FinalTrace
from waveworks.measures.levels import LevelMeasures, PairMeasure
from waveworks.measures.marks import MarkMeasure
from waveworks.measures.noise import NoiseMeasure
from waveworks.measures.shapes import ShapeMeasure
from waveworks.model import Buffers, Condition, TimeAxis
from waveworks.settings import ExpectedWave

AXIS = TimeAxis(12000.0, 0.0, 300)
EXPECTED = ExpectedWave(
    stimulus="click", level_db_nhl=(20.0, 60.0), v_ms=(9.0, 7.0), spread_ms=1.0, source="a test"
)
"""Wave V at 40 dB nHL: 7 to 9 ms."""


@pytest.fixture
def make_level(make_recording):
    """Return a level that is a clear response in every respect, but for what is changed."""

    def make(
        *,
        db=40.0,
        n_traces=2,
        n_sweeps=(2000, 2000),
        rn_nv=(14.0, 14.0),
        df=40.0,
        gap_nv=16.0,
        amplitudes_nv=(80.0, 90.0),
        combined_nv=85.0,
        v_ms=8.0,
        marks_from="clinician",
        shape_pvalue=0.001,
        fmp=5.0,
        f_pvalue=0.0001,
        expected=EXPECTED,
        order_breaks=(),
        split="alternate",
        polarity="rarefaction",
    ):
        condition = Condition(
            ear="left", transducer="insert", stimulus="click", level_db_nhl=db, polarity=polarity
        )
        zeros = np.zeros(300)
        members = [
            replace(
                make_recording(Buffers(zeros, zeros, 1000, 1000, AXIS), name),
                condition=condition,
                buffer_split=split,
            )
            for name in ("r1", "r2")[:n_traces]
        ]

        def trace(label, of, sweeps, noise_nv):
            known = not math.isnan(noise_nv)
            return FinalTrace(
                label=label,
                members=tuple(of),
                weights=(1 / len(of),) * len(of),
                weighting="counts",
                trace_nv=zeros,
                axis=AXIS,
                n_sweeps=sweeps,
                noise=NoiseMeasure(
                    rn_nv=noise_nv,
                    df=df if known else math.nan,
                    method="buffers" if known else "",
                    note="" if known else "no residual noise: one average",
                ),
            )

        total = None if None in n_sweeps else sum(n_sweeps[:n_traces])
        traces = [trace(str(i + 1), [members[i]], n_sweeps[i], rn_nv[i]) for i in range(n_traces)]
        traces.append(trace(COMBINED, members, total, rn_nv[0] / math.sqrt(n_traces)))
        placed = MarkMeasure(
            v_ms=v_ms,
            sn10_ms=v_ms + 3,
            marks_from="none" if math.isnan(v_ms) else marks_from,
        )
        marks = {str(i + 1): replace(placed, v_sn10_nv=amplitudes_nv[i]) for i in range(n_traces)}
        marks[COMBINED] = replace(placed, v_sn10_nv=combined_nv, v_sn10_se_nv=10.0)
        return LevelMeasures(
            condition=condition,
            recordings=tuple(members),
            traces=tuple(traces),
            pair=PairMeasure(gap_nv=gap_nv if n_traces > 1 else math.nan),
            shape=ShapeMeasure(
                statistic=4.0, pvalue=shape_pvalue, note="no shape test" * math.isnan(shape_pvalue)
            ),
            marks=marks,
            detection=DetectionMeasure(
                fmp=fmp, pvalue=f_pvalue, note="no F statistic" * math.isnan(fmp + f_pvalue)
            ),
            expected=expected,
            order_breaks=order_breaks,
        )

    return make


@pytest.fixture
def make_absent(make_level):
    """Return a level that is an absent response in every respect, but for what is changed."""

    def make(**changes):
        absent = {
            "amplitudes_nv": (math.nan, math.nan),
            "combined_nv": math.nan,
            "v_ms": math.nan,
            "marks_from": "none",
            "shape_pvalue": 0.4,
            "fmp": 0.9,
            "f_pvalue": 0.5,
        }
        return make_level(**(absent | changes))

    return make
