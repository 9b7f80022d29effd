"""What a suggestion is: marks, their errors, and the candidates that lost."""

import math
from dataclasses import dataclass, field

from waveworks.dsp.evidence import Evidence


@dataclass(frozen=True)
class Candidate:
    """A place where wave V could be.

    Parameters
    ----------
    v_ms, sn10_ms : float
        Latencies in ms.
    v_sn10_nv : float
        Amplitude from one to the other in nV: of the fitted shape, or by a plain maximum the drop
        in the smoothed trace.
    lost : str
        Why it was not marked; empty for the one that was.
    share : float
        Of the likelihood of all candidates, from 0 to 1; NaN for a plain maximum.
    """

    v_ms: float
    sn10_ms: float
    v_sn10_nv: float
    lost: str = ""
    share: float = math.nan


@dataclass(frozen=True)
class Marks:
    """Suggested marks.

    Parameters
    ----------
    v_ms, v_se_ms : float
        Latency of wave V and its standard error in ms; NaN is no mark.
    sn10_ms, sn10_se_ms : float
        Latency of SN10 and its standard error in ms.
    v_sn10_nv, v_sn10_se_nv : float
        Amplitude read on the trace at the marks, and its standard error in nV.
    v_sn10_corrected_nv, v_sn10_corrected_se_nv : float
        Amplitude of the fitted shape, over everything that the shape and its place could be, so
        without what choosing the best place adds; and its standard error in nV.
    confidence : float
        Chance that there is a wave V within half its width (0.3 ms of 0.6 ms) of the mark, if a
        response was as likely as none before looking. NaN without a mark.
    pvalue : float
        Share of noise alone that looks at least as much like a response.
    method : str
        How the suggestion was made, and what the noise rests on.
    others : tuple of Candidate
        All candidates, the best first, marked or not.
    note : str
        Why there is no mark, or what to know about it.
    evidence : Evidence or None
        What a joint choice over levels needs; None for a plain maximum.
    """

    v_ms: float = math.nan
    v_se_ms: float = math.nan
    sn10_ms: float = math.nan
    sn10_se_ms: float = math.nan
    v_sn10_nv: float = math.nan
    v_sn10_se_nv: float = math.nan
    v_sn10_corrected_nv: float = math.nan
    v_sn10_corrected_se_nv: float = math.nan
    confidence: float = math.nan
    pvalue: float = math.nan
    method: str = ""
    others: tuple[Candidate, ...] = ()
    note: str = ""
    evidence: Evidence | None = field(default=None, compare=False, repr=False)

    @property
    def marked(self) -> bool:
        """Whether there is a mark."""
        return not math.isnan(self.v_ms)
