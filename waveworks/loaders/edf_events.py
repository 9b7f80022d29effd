"""Stimuli in a continuous EDF or BDF recording: from its annotations or its trigger line."""

import re
from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from waveworks.errors import LoadError
from waveworks.loaders.edf_annotations import Annotations, read_annotations
from waveworks.loaders.edf_header import EdfHeader, one_line, plain_text
from waveworks.loaders.edf_samples import trigger_codes
from waveworks.loaders.raw import listed

# A stimulus nearer than this share of a sample step to its sample is as good as on it.
_JITTER_TOLERANCE = 0.01
_EVENTS_LISTED = 10
_TEXT_LISTED = 30
# A stimulus is marked many times; what somebody typed about the person is not.
_LEAST_REPEATS = 10
_IDENTIFICATION = slice(8, 168)


@dataclass(frozen=True, eq=False)
class Onsets:
    """The stimuli that were asked for.

    Parameters
    ----------
    samples : ndarray of int, shape (n_stimuli,)
        Index of the nearest sample, in the order of time; an annotation may lie outside the data.
    notes : tuple of str
        What was found while reading.
    """

    samples: NDArray[np.int64]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _TriggerLine:
    label: str
    rises: NDArray[np.int64]
    falls: NDArray[np.int64]
    codes: NDArray[np.int64]
    notes: tuple[str, ...]

    def samples_of(self, code: int) -> NDArray[np.int64]:
        samples: NDArray[np.int64] = self.rises[self.codes[self.rises] == code]
        return samples


def is_trigger(label: str) -> bool:
    """Tell whether a signal is a trigger line by its label.

    Parameters
    ----------
    label : str
        As the file gives it.

    Returns
    -------
    bool
        True for ``Status``, the trigger line of BDF, and for labels that hold ``trig``, in upper
        or lower case.
    """
    folded = label.casefold()
    return folded == "status" or "trig" in folded


def find_onsets(
    data: bytes, header: EdfHeader, event: str, samples_per_record: int, *, name: str
) -> Onsets:
    """Return the samples at which a stimulus began.

    Annotations of that text are used where there are any. Otherwise, if `event` is a whole
    number, each sample is used at which the trigger line rises to that code from a lower one, as
    `mne.find_events` counts by default. A change down to it, when a second code goes off, is none.

    Parameters
    ----------
    data : bytes
        The whole file.
    header : EdfHeader
        Of the file.
    event : str
        Text of an EDF+ annotation, or a trigger code.
    samples_per_record : int
        Of the signals that are to be cut.
    name : str
        The file to name in an error or a note.

    Returns
    -------
    Onsets

    Raises
    ------
    LoadError
        If there is no such event, more than one trigger line, or a trigger line of another rate.
        Annotation texts are listed only if they occur ten times and share no word with the
        patient and recording identification, because an annotation is free text.
    """
    annotations = read_annotations(data, header)
    if event in annotations.texts:
        return _annotated(annotations, header, event, samples_per_record, name)
    line = _trigger_line(data, header, samples_per_record, name)
    if line is not None and re.fullmatch(r"[0-9]+", event):
        samples = line.samples_of(int(event))
        if samples.size:
            return Onsets(samples, line.notes + _trigger_notes(line, int(event), name))
    raise LoadError(
        f"{name}: no event '{event}'; the file holds "
        f"{_what_there_is(annotations, line, _identity_words(data))}"
    )


def _annotated(
    annotations: Annotations, header: EdfHeader, event: str, samples_per_record: int, name: str
) -> Onsets:
    chosen = np.array([text == event for text in annotations.texts])
    start_s = annotations.record_onsets_s[0]
    notes = []
    if np.isnan(start_s):
        start_s = 0.0
        notes.append(f"{name}: the first record does not say when it began; taken as 0 s")
    per_s = samples_per_record / header.record_s
    exact = (annotations.onsets_s[chosen] - start_s) * per_s
    samples = np.rint(exact).astype(np.int64)
    jitter = float(np.abs(exact - samples).max())
    if jitter > _JITTER_TOLERANCE:
        notes.append(
            f"{name}: stimuli lie up to {jitter:.2g} of a sample step "
            f"({1e3 * jitter / per_s:.2g} ms) from the nearest sample"
        )
    n_outside = np.count_nonzero((samples < 0) | (samples >= header.n_records * samples_per_record))
    if n_outside:
        notes.append(f"{name}: {n_outside} of {samples.size} stimuli lie outside the recording")
    if annotations.n_unreadable:
        notes.append(
            f"{name}: {annotations.n_unreadable} annotation lists break the standard; not used"
        )
    return Onsets(samples, tuple(notes))


def _trigger_line(
    data: bytes, header: EdfHeader, samples_per_record: int, name: str
) -> _TriggerLine | None:
    picks = [i for i, signal in enumerate(header.signals) if is_trigger(signal.label)]
    if not picks:
        return None
    if len(picks) > 1:
        labels = tuple(header.signals[i].label for i in picks)
        raise LoadError(f"{name}: {len(picks)} trigger lines, {listed(labels)}; one is needed")
    line = header.signals[picks[0]]
    line.refuse_void_scaling(name=name)
    if line.samples_per_record != samples_per_record:
        raise LoadError(
            f"{name}: trigger line '{line.label}' has {line.samples_per_record} samples a record, "
            f"the signals have {samples_per_record}; nothing is resampled"
        )
    codes, notes = trigger_codes(data, header, picks[0], name=name)
    steps = np.diff(codes)
    return _TriggerLine(
        label=line.label,
        rises=np.flatnonzero(steps > 0) + 1,
        falls=np.flatnonzero(steps < 0) + 1,
        codes=codes,
        notes=notes,
    )


def _trigger_notes(line: _TriggerLine, code: int, name: str) -> tuple[str, ...]:
    notes = []
    if line.codes[0] == code:
        notes.append(
            f"{name}: trigger line '{line.label}' is at {code} when the recording begins; when "
            "that stimulus began is unknown, so it is not used"
        )
    n_falls = np.count_nonzero(line.codes[line.falls] == code)
    if n_falls:
        notes.append(
            f"{name}: {n_falls} changes of trigger line '{line.label}' down to {code} from a "
            "higher code are not taken as stimuli"
        )
    return tuple(notes)


def _what_there_is(
    annotations: Annotations, line: _TriggerLine | None, identity: frozenset[str]
) -> str:
    there = []
    if annotations.texts:
        counts = Counter(annotations.texts)
        shown = [
            (f"'{one_line(text)[:_TEXT_LISTED]}'", n)
            for text, n in counts.most_common()
            if n >= _LEAST_REPEATS and not any(word in text.casefold() for word in identity)
        ]
        there.append(
            f"annotations: {len(annotations.texts)} of {len(counts)} different texts, "
            + (_counted(shown) if shown else "not shown because they can name a person")
        )
    if line is not None:
        codes = Counter(line.codes[line.rises].tolist())
        shown = [(str(code), n) for code, n in codes.most_common()]
        there.append(
            f"trigger line '{line.label}' with "
            + (f"codes {_counted(shown)}" if shown else "no codes")
        )
    return "; ".join(there) or "neither annotations nor a trigger line"


def _counted(events: list[tuple[str, int]]) -> str:
    shown = ", ".join(f"{event} ({n} times)" for event, n in events[:_EVENTS_LISTED])
    hidden = len(events) - _EVENTS_LISTED
    return f"{shown} and {hidden} more" if hidden > 0 else shown


def _identity_words(data: bytes) -> frozenset[str]:
    """Words of the identification fields, long enough to recognise a person by."""
    text = plain_text(data[_IDENTIFICATION]).casefold()
    return frozenset(re.findall(r"[^\W_]{3,}", text)) - {"startdate"}
