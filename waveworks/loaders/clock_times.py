"""Clock times with a fraction of a second of any length, as milliseconds after the first."""

import re
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_FRACTION = "%f"


def clock_format_fault(clock_format: str) -> str:
    """Return why a format of clock times cannot be used, empty where it can.

    Parameters
    ----------
    clock_format : str
        As `datetime.strptime` reads it, except that ``%f`` stands for any number of digits.

    Returns
    -------
    str
    """
    if clock_format.count(_FRACTION) > 1:
        return "holds %f twice"
    before, fraction, after = clock_format.partition(_FRACTION)
    if fraction and (not before or before[-1].isalnum()):
        return "needs a sign such as '.' before %f"
    try:
        whole = before[:-1] + after if fraction else before
        datetime.strptime(datetime(2001, 2, 3, 4, 5, 6, tzinfo=UTC).strftime(whole), whole)
    except (ValueError, re.error) as fault:
        # A directive that is there twice is an error of the regular expression behind it.
        return f"is not a format of clock times: {fault}"
    if not any(directive in clock_format for directive in ("%S", "%T", "%X", "%c", "%s")):
        return "holds no seconds, %S"
    return ""


def clock_ms(text: str, clock_format: str) -> tuple[datetime, float]:
    """Return a clock time as whole seconds and the milliseconds beyond them.

    Parameters
    ----------
    text : str
        The clock time.
    clock_format : str
        Its format.

    Returns
    -------
    moment : datetime
        To the whole second.
    fraction_ms : float
        From 0 to below 1000.

    Raises
    ------
    ValueError
        If the text is not of that format.
    """
    before, fraction, after = clock_format.partition(_FRACTION)
    if not fraction:
        return datetime.strptime(text, clock_format), 0.0
    # datetime keeps six digits only, so the digits are taken out: they follow the sign before %f,
    # counted because a date may use the same sign.
    sign = before[-1]
    parts = text.split(sign, before.count(sign))
    tail = parts[-1]
    digits = tail[: len(tail) - len(tail.lstrip("0123456789"))]
    if len(parts) <= before.count(sign) or not digits:
        raise ValueError(f"no fraction of a second after '{sign}'")
    whole = sign.join(parts[:-1]) + tail[len(digits) :]
    return datetime.strptime(whole, before[:-1] + after), float(f"0.{digits}") * 1e3


def since_first_ms(moments: list[tuple[datetime, float]]) -> FloatArray:
    """Return clock times as milliseconds after the first of them.

    Parameters
    ----------
    moments : list of (datetime, float)
        From `clock_ms`.

    Returns
    -------
    ndarray, shape (n_moments,)
        In ms.
    """
    first, first_ms = moments[0]
    return np.array(
        [(moment - first).total_seconds() * 1e3 + (ms - first_ms) for moment, ms in moments]
    )
