"""The check of counts, before any work is handed out."""

import operator

from waveworks.errors import DataError


def whole(value: int, name: str, *, least: int) -> int:
    """Return a whole number of at least `least`, or say what is wrong with it.

    Parameters
    ----------
    value : int
        The caller's number; numpy integers are fine.
    name : str
        What to call it in an error.
    least : int
        The smallest that it may be.

    Returns
    -------
    int

    Raises
    ------
    DataError
        If it is not a whole number or is smaller.
    """
    try:
        number = operator.index(value)
    except TypeError:
        number = None
    if number is None or number < least:
        raise DataError(f"{name} is {value!r}; it must be a whole number of at least {least}")
    return number
