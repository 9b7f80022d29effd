"""One recording: its waveforms, and beside them what the file said about it."""

import math
from dataclasses import dataclass, field

from waveworks.errors import DataError
from waveworks.model.condition import Condition
from waveworks.model.waveforms import Waveforms

LAYOUTS = ("sweeps", "blocks", "buffers", "average")
KINDS = ("test", "control")
BUFFER_SPLITS = ("alternate", "halves", "polarity")


@dataclass(frozen=True)
class SourceFile:
    """A file that numbers came from.

    Parameters
    ----------
    name : str
        Path relative to the session folder, with forward slashes.
    sha256 : str
        Of its bytes, in hexadecimal; empty where it could not be read.
    header_text : str
        Its raw header. The fields that can identify a person are blanked.
    """

    name: str
    sha256: str
    header_text: str = field(default="", repr=False)


@dataclass(frozen=True)
class Counts:
    """Sweeps that went in and sweeps that did not.

    Parameters
    ----------
    n_sweeps : int or None
        Accepted sweeps in the data that are used; None where nobody said.
    n_rejected : int or None
        Rejected by the recording system, plus sweeps flagged out in the file.
    n_rejected_here : int
        Rejected while reading, by `Processing.reject_uv` or because they left the recording.
    """

    n_sweeps: int | None = None
    n_rejected: int | None = None
    n_rejected_here: int = 0


@dataclass(frozen=True)
class Processing:
    """What was done to the samples while reading.

    Parameters
    ----------
    bandpass_hz : tuple of float or None
        Corners of the zero-phase band-pass in Hz; None is not filtered.
    reject_uv : float or None
        Sweeps with a larger absolute value, in microvolt, were rejected; None is no rejection.
    description : str
        The filter in words.
    """

    bandpass_hz: tuple[float, float] | None = None
    reject_uv: float | None = None
    description: str = ""


@dataclass(frozen=True)
class Reported:
    """What the recording system or the tester stated, as text, never overwritten.

    Parameters
    ----------
    rn_nv, fsp, fmp, n_sweeps, grade : str
        The cells of the `reported_...` columns; empty where nothing was stated.
    """

    rn_nv: str = ""
    fsp: str = ""
    fmp: str = ""
    n_sweeps: str = ""
    grade: str = ""


@dataclass(frozen=True)
class ClinicianMarks:
    """Marks that a clinician placed, with the earphone delay taken off.

    Parameters
    ----------
    v_ms, sn10_ms : float
        Latency in ms; NaN is not placed.
    """

    v_ms: float = math.nan
    sn10_ms: float = math.nan

    @property
    def placed(self) -> bool:
        """Whether a wave V mark was placed."""
        return not math.isnan(self.v_ms)

    @property
    def anywhere(self) -> bool:
        """Whether any mark was placed."""
        return self.placed or not math.isnan(self.sn10_ms)


@dataclass(frozen=True, eq=False, kw_only=True)
class Recording:
    """One run at one condition.

    Parameters
    ----------
    name : str
        Unique in its session.
    kind : {'test', 'control'}
        A control is measured, never graded.
    layout : {'sweeps', 'blocks', 'buffers', 'average'}
        What the file holds.
    condition : Condition
        What it was recorded at.
    waveforms : Sweeps, Blocks, Buffers, Average or None
        None where the data could not be used; `problem` says why.
    problem : str
        The reason in words; empty where the data are usable.
    notes : tuple of str
        What a reader of the numbers should know about the data.
    files : tuple of SourceFile
        One, or two that hold A and B.
    counts : Counts
        Of sweeps.
    processing : Processing
        Done while reading.
    marks : ClinicianMarks
        Placed by a clinician.
    reported : Reported
        Stated by the system or the tester.
    buffer_split : {'alternate', 'halves', 'polarity'} or None
        How A and B were filled; None is unknown.
    parts : tuple of str
        Recordings that this stored average already combines.
    group : {1, 2} or None
        The final trace that it belongs to, over the default pooling.
    rate_hz : float or None
        Stimulus rate in Hz.
    row : int
        Row of `recordings.csv`, the header being row 1.
    cells : tuple of (str, str)
        Column and text of the row as the file said it, unknown columns included.
    """

    name: str
    kind: str
    layout: str
    condition: Condition
    waveforms: Waveforms | None
    problem: str = ""
    notes: tuple[str, ...] = ()
    files: tuple[SourceFile, ...] = ()
    counts: Counts = Counts()
    processing: Processing = Processing()
    marks: ClinicianMarks = ClinicianMarks()
    reported: Reported = Reported()
    buffer_split: str | None = None
    parts: tuple[str, ...] = ()
    group: int | None = None
    rate_hz: float | None = None
    row: int = 0
    cells: tuple[tuple[str, str], ...] = ()

    @property
    def data(self) -> Waveforms:
        """The waveforms.

        Raises
        ------
        DataError
            With the reason, where the data could not be used.
        """
        if self.waveforms is None:
            raise DataError(self.problem)
        return self.waveforms

    @property
    def is_replicate(self) -> bool:
        """Whether it counts among the replicates of its condition."""
        return self.kind == "test" and not self.parts
