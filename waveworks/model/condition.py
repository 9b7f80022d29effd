"""The condition that a recording was made at."""

import math
from dataclasses import astuple, dataclass, fields, replace

EARS = ("left", "right", "other")
TRANSDUCERS = ("insert", "headphone", "bone", "other")
STIMULI = ("click", "tone-burst", "narrowband-chirp", "broadband-chirp", "other")
POLARITIES = ("rarefaction", "condensation", "alternating")
UNMASKED = "none"


@dataclass(frozen=True)
class Condition:
    """Everything that two recordings must share to be replicates of one another.

    Parameters
    ----------
    ear : {'left', 'right', 'other'}
        The ear, or what `condition` says.
    transducer : {'insert', 'headphone', 'bone', 'other'}
        What made the sound.
    stimulus : {'click', 'tone-burst', 'narrowband-chirp', 'broadband-chirp', 'other'}
        The sound.
    frequency_hz : float or None
        Nominal frequency, where the stimulus has one.
    level_db_nhl, level_db_ehl : float or None
        Level; exactly one is given, or none for a control or another stimulus.
    masking_db : float, 'none' or None
        Level of the masking noise; 'none' is unmasked, None is not recorded.
    channel : str
        Name of the recording channel, empty where not recorded.
    polarity : {'rarefaction', 'condensation', 'alternating'} or None
        None is not recorded.
    highpass_hz, lowpass_hz : float or None
        Filter corners of the recording system.
    condition : str
        Free text that tells conditions apart beyond the columns.
    """

    ear: str
    transducer: str
    stimulus: str
    frequency_hz: float | None = None
    level_db_nhl: float | None = None
    level_db_ehl: float | None = None
    masking_db: float | str | None = None
    channel: str = ""
    polarity: str | None = None
    highpass_hz: float | None = None
    lowpass_hz: float | None = None
    condition: str = ""

    def __str__(self) -> str:
        return ", ".join(text for text in self.words().values() if text)

    def words(self) -> dict[str, str]:
        """Return what there is to say about the condition, for people.

        Returns
        -------
        dict of str to str
            By subject, in the order in which it is said; empty where there is nothing to say.
        """
        level = ""
        if self.level_db_nhl is not None:
            level = f"{self.level_db_nhl:g} dB nHL"
        elif self.level_db_ehl is not None:
            level = f"{self.level_db_ehl:g} dB eHL"
        return {
            "ear": self.ear,
            "transducer": self.transducer,
            "stimulus": self.stimulus,
            "frequency": "" if self.frequency_hz is None else f"{self.frequency_hz:g} Hz",
            "level": level,
            "masking": self._masking(),
            "channel": self.channel,
            "polarity": self.polarity or "",
            "filter": self._corners(),
            "condition": self.condition,
        }

    @property
    def level_db(self) -> float:
        """Level in dB nHL, or in dB eHL where that is what is known; NaN for none."""
        known = (self.level_db_nhl, self.level_db_ehl)
        return next((level for level in known if level is not None), math.nan)

    def cells(self) -> dict[str, object]:
        """Return the condition columns of a table, in order."""
        return dict(zip(CONDITION_COLUMNS, astuple(self), strict=True))

    @property
    def series(self) -> "Condition":
        """The level series that it belongs to: the condition without level and masking."""
        return replace(self, level_db_nhl=None, level_db_ehl=None, masking_db=None)

    def _masking(self) -> str:
        if self.masking_db is None:
            return ""
        if self.masking_db == UNMASKED:
            return "unmasked"
        return f"masking {self.masking_db:g} dB"

    def _corners(self) -> str:
        if self.highpass_hz is None and self.lowpass_hz is None:
            return ""
        ends = ("?" if x is None else f"{x:g}" for x in (self.highpass_hz, self.lowpass_hz))
        return "-".join(ends) + " Hz"


CONDITION_COLUMNS: tuple[str, ...] = tuple(field.name for field in fields(Condition))
"""The columns that make the key of a condition, in the order of every table."""
