"""Words on the page: what a user wrote, made fit to print, and windows in words."""

import math
import re

LONGEST = 400
"""More of one text than this is not printed; the files hold the whole of it."""

LONGEST_NAME = 80
"""As much of a name is printed where it stands among others."""


def printable(text: object, longest: int = LONGEST) -> str:
    """Return a text without what a page cannot show, shortened where it is very long.

    Parameters
    ----------
    text : object
        Anything a user wrote.
    longest : int
        Number of characters that are kept.

    Returns
    -------
    str
        Line breaks are kept; control and direction-changing characters become visible.
    """
    clean = "".join(
        character if character.isprintable() or character == "\n" else "\N{REPLACEMENT CHARACTER}"
        for character in str(text).replace("\r\n", "\n").replace("\t", " ")
    )
    if len(clean) <= longest:
        return clean
    return f"{clean[:longest].rstrip()}… ({len(clean)} characters, shortened)"


def anchor(name: str) -> str:
    """Return the id under which the page defines a measure.

    Parameters
    ----------
    name : str
        Of the measure.

    Returns
    -------
    str
    """
    return "measure-" + re.sub(r"[^a-z0-9]+", "-", name.lower())


def number_words(value: float, form: str, unit: str = "") -> str:
    """Return a number in a sentence.

    Parameters
    ----------
    value : float
        NaN is not known.
    form : str
        Format specification.
    unit : str
        Of the value.

    Returns
    -------
    str
    """
    return "not known" if math.isnan(value) else f"{value:{form}} {unit}".rstrip()


def window_words(start_ms: float, stop_ms: float) -> str:
    """Return a window in words.

    Parameters
    ----------
    start_ms, stop_ms : float
        In ms; infinity is an end of the data, NaN is no window.

    Returns
    -------
    str
    """
    if math.isnan(start_ms) or math.isnan(stop_ms):
        return ""
    start = "start of the data" if math.isinf(start_ms) else f"{start_ms:.4g}"
    stop = "end of the data" if math.isinf(stop_ms) else f"{stop_ms:.4g} ms"
    return f"{start} to {stop}"
