"""What every measure means: one record a measure, read by the documentation and the provenance."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Definition:
    """The definition of one measure.

    Parameters
    ----------
    name : str
        Short name.
    meaning : str
        One line.
    unit : str
        Of the value; empty for a pure number.
    formula : str
        How it is computed.
    window : {'noise window', 'response window', 'V window', 'whole trace'}
        Where it is computed.
    source : str
        What it rests on.
    columns : tuple of str
        Output columns that hold it; none for what only a picture shows.
    """

    name: str
    meaning: str
    unit: str
    formula: str
    window: str
    source: str
    columns: tuple[str, ...]


_ALL = (
    Definition(
        name="residual noise from sweeps",
        meaning="standard deviation of the noise left in the average",
        unit="nV",
        formula="sqrt(mean over samples of the unbiased variance across sweeps / n)",
        window="noise window",
        source="Elberling and Don 1984, Scand Audiol 13:187-197 (formula from memory)",
        columns=("rn_nv", "rn_low_nv", "rn_high_nv", "rn_df", "rn_method"),
    ),
    Definition(
        name="residual noise from blocks",
        meaning="standard deviation of the noise left in the average of the blocks",
        unit="nV",
        formula="sqrt(mean over samples of sum n_i (x_i - mean)^2 / (k - 1) / sum n_i)",
        window="noise window",
        source="one-way analysis of variance with unequal counts",
        columns=("rn_nv", "rn_low_nv", "rn_high_nv", "rn_df", "rn_method"),
    ),
    Definition(
        name="residual noise from buffers",
        meaning="standard deviation of the noise left in the average of A and B",
        unit="nV",
        formula="RMS(A - B) sqrt(n_a n_b) / (n_a + n_b), no mean removed",
        window="noise window",
        source="the plus-minus reference, Schimmel 1967, Science 157:92-94; unequal counts derived",
        columns=("rn_nv", "rn_low_nv", "rn_high_nv", "rn_df", "rn_method"),
    ),
    Definition(
        name="residual noise from replicates",
        meaning="standard deviation of the noise left in an average, from how replicates differ",
        unit="nV",
        formula="as from blocks, a replicate for a block; scaled by sqrt(all sweeps / its sweeps)",
        window="noise window",
        source="one-way analysis of variance with unequal counts",
        columns=("rn_nv", "rn_low_nv", "rn_high_nv", "rn_df", "rn_method"),
    ),
    Definition(
        name="Fmp",
        meaning="multiple-point F: variance of the average over that of its noise",
        unit="",
        formula="n var(average over the window) / mean over samples of the variance across sweeps; "
        "n sweeps, or n equal blocks in place of sweeps",
        window="response window",
        source="Martin et al. 1994 and Don and Elberling 1994 (from memory); equals the one-way "
        "analysis-of-variance F with samples as groups",
        columns=("fmp", "f_pvalue", "f_df_num", "f_df_den", "f_null_scale", "f_method"),
    ),
    Definition(
        name="Fsp",
        meaning="single-point F: variance of the average over that of its noise at one sample",
        unit="",
        formula="n var(average over the window) / variance across sweeps at the point; "
        "n as for Fmp",
        window="response window",
        source="Elberling and Don 1984, Scand Audiol 13:187-197 (formula from memory)",
        columns=("fsp", "fsp_pvalue", "fsp_point_ms"),
    ),
    Definition(
        name="A/B ratio",
        meaning="variance of the average of two buffers over that of their half difference; "
        "neither Fsp nor comparable with 2.25 or 3.1",
        unit="",
        formula="var((A + B) / 2) / var((A - B) / 2), weighted where counts differ",
        window="response window",
        source="Wong and Bickford 1980 (from memory)",
        columns=("ab_ratio", "ab_ratio_pvalue"),
    ),
    Definition(
        name="average gap",
        meaning="mean absolute difference of the two final traces",
        unit="nV",
        formula="mean |d - median(d)|, d the difference; no time shift",
        window="noise window",
        source="wording of the UK newborn programme, read second-hand",
        columns=("gap_nv",),
    ),
    Definition(
        name="replicate correlation",
        meaning="Pearson correlation of the two final traces at lag 0, one-sided p",
        unit="",
        formula="p from Student's t with the effective number of independent samples",
        window="response window",
        source="effective sample size after Bartlett (see the explanation page)",
        columns=("r", "r_pvalue", "lag_ms"),
    ),
    Definition(
        name="power signal-to-noise ratio",
        meaning="of the average of the two final traces",
        unit="",
        formula="4 cov / (var x + var y - 2 cov); 2r / (1 - r) only for equal variances",
        window="response window",
        source="model of equal noise in both (from memory: Bershad and Rockmore 1974)",
        columns=("snr_power",),
    ),
    Definition(
        name="shape test",
        meaning="how much the combined trace looks like V and SN10, and how often noise does as "
        "much",
        unit="",
        formula="largest fitted amplitude over its standard error, over all shapes and latencies; "
        "p from draws of noise like this recording's own, learned in the noise window",
        window="response window",
        source="own method; see the page on detection",
        columns=("shape_statistic", "shape_pvalue"),
    ),
    Definition(
        name="marks",
        meaning="wave V and SN10 of the combined trace, and the amplitude between them",
        unit="ms, nV",
        formula="a clinician's where placed (sweep-weighted mean over members), else suggested: "
        "mean over shapes and latencies, weighed by their likelihood in this recording's own "
        "noise, all levels of a series together; the V window is narrowed to what is expected",
        window="V window",
        source="own method; see the page on suggestions",
        columns=(
            "v_ms",
            "v_se_ms",
            "sn10_ms",
            "sn10_se_ms",
            "v_sn10_nv",
            "v_sn10_se_nv",
            "v_sn10_corrected_nv",
            "v_sn10_corrected_se_nv",
            "confidence",
            "marks_from",
        ),
    ),
    Definition(
        name="amplitude over gap",
        meaning="amplitude from V to SN10 of the combined trace over the average gap",
        unit="",
        formula="v_sn10_nv / gap_nv",
        window="noise window",
        source="wording of the UK newborn programme, read second-hand",
        columns=("v_sn10_gap_ratio",),
    ),
    Definition(
        name="settling",
        meaning="how far the running average moved in the last step of sweeps, and how far noise "
        "alone would move it",
        unit="nV",
        formula="RMS of the average of n minus that of n - step; noise alone: s sqrt(step / (n (n"
        " - step))), s the SD across sweeps; range of 95 % by chi-square with the degrees"
        " of freedom of one sweep",
        window="response window",
        source="variance of a mean of independent sweeps; derived here",
        columns=(),
    ),
    Definition(
        name="course of the marks",
        meaning="wave V and SN10 in the running average",
        unit="ms, nV",
        formula="highest and lowest point within 1 ms of the final marks, between samples by a "
        "parabola; favours the final place",
        window="whole trace",
        source="own choice",
        columns=(),
    ),
    Definition(
        name="block weights",
        meaning="weight of each block of sweeps in a weighted average",
        unit="",
        formula="inverse of the block's noise variance; they sum to 1",
        window="whole trace",
        source="Elberling and Wahlgreen 1985, Scand Audiol 14:89-96 (abstract read)",
        columns=(),
    ),
    Definition(
        name="noise density",
        meaning="amplitude spectrum of the noise left in the average",
        unit="nV/sqrt(Hz)",
        formula="root of the mean periodogram of the deviations from the average, or of half "
        "differences (Hann window); 95 % interval by chi-square, two "
        "degrees of freedom an independent trace",
        window="noise window",
        source="periodogram (scipy.signal); interval from memory",
        columns=(),
    ),
    Definition(
        name="cross-correlation",
        meaning="Pearson correlation of the two final traces at lags of up to 2 ms",
        unit="",
        formula="of the samples that overlap at the lag; the 5 % limit holds at lag 0 only",
        window="response window",
        source="as for replicate correlation",
        columns=(),
    ),
)

DEFINITIONS = {definition.name: definition for definition in _ALL}
"""Every measure by its name."""
