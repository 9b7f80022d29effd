"""What the tables of the page show: one record a quantity, and how its numbers are written."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from markupsafe import Markup, escape

from waveworks.measures.definitions import DEFINITIONS, Definition
from waveworks.report.words import printable
from waveworks.writers.tables import cell_text


@dataclass(frozen=True)
class Quantity:
    """One line of a table of numbers.

    Parameters
    ----------
    column : str
        The column of the CSV file that holds it.
    name : str
        For people.
    form : str
        How the number is written, see `shown`.
    se : str
        Column with its standard error, empty if there is none.
    pvalue : str
        Column with its p, empty if there is none.
    always : bool
        Whether it is shown where it is missing too.
    """

    column: str
    name: str
    form: str
    se: str = ""
    pvalue: str = ""
    always: bool = True

    @property
    def unit(self) -> str:
        """Of the value."""
        return {"nv": "nV", "ms": "ms"}.get(self.form, "")

    @property
    def definition(self) -> Definition | None:
        """What the quantity means, where it is a measure."""
        return next((d for d in DEFINITIONS.values() if self.column in d.columns), None)


@dataclass(frozen=True)
class RecordingLine:
    """One line of the table of recordings.

    Parameters
    ----------
    name, unit : str
        For people.
    pattern : str
        With a place for each value.
    values : tuple of (str, str)
        Column of measures.csv and form of each; the first decides whether there is anything to
        say.
    alone : str
        Pattern where the first value stands without the second; empty is `pattern`.
    """

    name: str
    unit: str
    pattern: str
    values: tuple[tuple[str, str], ...]
    alone: str = ""

    def cell(self, row: Mapping[str, object]) -> Markup:
        """Return what a recording's row says.

        Parameters
        ----------
        row : mapping
            Of measures.csv.

        Returns
        -------
        Markup
        """
        texts = [shown(row[column], form) for column, form in self.values]
        if texts[0] == MISSING:
            return MISSING
        lonely = self.alone and texts[1] == MISSING
        return Markup(self.alone if lonely else self.pattern).format(*texts)


LEVEL_QUANTITIES = (
    Quantity("n_traces", "final traces", "count"),
    Quantity("n_sweeps", "sweeps", "count"),
    Quantity("rn_nv", "residual noise", "nv"),
    Quantity("gap_nv", "average gap", "nv"),
    Quantity("r", "replicate correlation", "ratio", pvalue="r_pvalue"),
    Quantity("lag_ms", "lag of the highest correlation", "ms", always=False),
    Quantity("snr_power", "power signal-to-noise ratio", "ratio", always=False),
    Quantity("shape_statistic", "shape test", "ratio", pvalue="shape_pvalue", always=False),
    Quantity("fmp", "Fmp", "ratio", pvalue="f_pvalue"),
    Quantity("v_ms", "wave V", "ms", se="v_se_ms"),
    Quantity("sn10_ms", "SN10", "ms", se="sn10_se_ms"),
    Quantity("confidence", "confidence of the suggestion", "ratio", always=False),
    Quantity("v_sn10_nv", "amplitude V to SN10", "nv", se="v_sn10_se_nv"),
    Quantity(
        "v_sn10_corrected_nv",
        "amplitude of the fitted shape",
        "nv",
        se="v_sn10_corrected_se_nv",
        always=False,
    ),
    Quantity("v_sn10_gap_ratio", "amplitude over gap", "ratio"),
)
_SUMMARY = [
    "n_sweeps",
    "rn_nv",
    "gap_nv",
    "r",
    "fmp",
    "v_ms",
    "sn10_ms",
    "v_sn10_nv",
    "v_sn10_gap_ratio",
]
SUMMARY_QUANTITIES = tuple(one for one in LEVEL_QUANTITIES if one.column in _SUMMARY)
RECORDING_LINES = (
    RecordingLine("holds", "", "{}", (("layout", "text"),)),
    RecordingLine("sweeps", "", "{}", (("n_sweeps", "count"),)),
    RecordingLine("rejected by the system", "", "{}", (("n_rejected", "count"),)),
    RecordingLine("rejected while reading", "", "{}", (("n_rejected_here", "count"),)),
    RecordingLine("limit of that rejection", "µV", "{}", (("applied_reject_uv", "hz"),)),
    RecordingLine(
        "band-pass while reading",
        "Hz",
        "{} to {}",
        (("bandpass_low_hz", "hz"), ("bandpass_high_hz", "hz")),
    ),
    RecordingLine("sampling rate", "Hz", "{}", (("sfreq_hz", "hz"),)),
    RecordingLine(
        "residual noise",
        "nV",
        "{} (95 % {} to {})",
        (("rn_nv", "nv"), ("rn_low_nv", "nv"), ("rn_high_nv", "nv")),
        alone="{}",
    ),
    RecordingLine(
        "its method, and df", "", "{}, {}", (("rn_method", "text"), ("rn_df", "hz")), alone="{}"
    ),
    RecordingLine(
        "noise window used", "ms", "{} to {}", (("noise_start_ms", "ms"), ("noise_stop_ms", "ms"))
    ),
    RecordingLine("Fmp", "", "{} (p {})", (("fmp", "ratio"), ("f_pvalue", "p"))),
    RecordingLine(
        "null of Fmp, and its method",
        "",
        "{} times F({}, {}), p from {}",
        (("f_null_scale", "ratio"), ("f_df_num", "hz"), ("f_df_den", "hz"), ("f_method", "text")),
    ),
    RecordingLine(
        "Fsp, and its point",
        "",
        "{} (p {}) at {} ms",
        (("fsp", "ratio"), ("fsp_pvalue", "p"), ("fsp_point_ms", "ms")),
    ),
    RecordingLine("A/B ratio", "", "{} (p {})", (("ab_ratio", "ratio"), ("ab_ratio_pvalue", "p"))),
    RecordingLine(
        "response window used",
        "ms",
        "{} to {}",
        (("response_start_ms", "ms"), ("response_stop_ms", "ms")),
    ),
)
TRACE_QUANTITIES = (
    Quantity("members", "recordings", "list"),
    Quantity("weights", "weights", "list"),
    Quantity("n_sweeps", "sweeps", "count"),
    Quantity("rn_nv", "residual noise", "nv"),
    Quantity("rn_method", "noise from", "text"),
    Quantity("v_ms", "wave V", "ms"),
    Quantity("sn10_ms", "SN10", "ms"),
    Quantity("v_sn10_nv", "amplitude", "nv"),
    Quantity("marks_from", "marks", "text"),
)

MISSING = Markup("\N{EN DASH}")
"""Stands where there is no value."""


def shown(value: object, form: str) -> Markup:
    """Return a value as it stands on the page.

    Parameters
    ----------
    value : object
        A number, a text, None or NaN.
    form : {'nv', 'ms', 'hz', 'ratio', 'p', 'count', 'text', 'list'}
        How it is rounded for people.

    Returns
    -------
    Markup
        Numbers carry the text of their CSV cell as the value of a `data` element, so that what is
        rounded for people can be compared by a program. A dash is what is missing.
    """
    exact = cell_text(value)
    if not exact:
        return MISSING
    if form == "text" or not isinstance(value, int | float):
        return escape(printable(exact.replace(";", "; ") if form == "list" else exact))
    return Markup('<data value="{}">{}</data>').format(exact, rounded(float(value), form))


def rounded(value: float, form: str) -> str:
    """Return a number as people read it.

    Parameters
    ----------
    value : float
        Not NaN.
    form : str
        As for `shown`.

    Returns
    -------
    str
    """
    if math.isinf(value):
        return "∞" if value > 0 else "-∞"
    if form == "count":
        return f"{value:.0f}"
    if form == "p":
        return "< 0.0001" if value < 1e-4 else f"{value:.2g}" if value < 0.1 else f"{value:.2f}"
    if form == "nv" and abs(value) < 1e6:
        return f"{value:.1f}"
    if form in ("ms", "ratio") and abs(value) < 1e6:
        return f"{value:.2f}"
    return f"{value:.5g}"
