"""Which texts are numbers: the same answer for every file that is read or written."""

import re

# Python also reads '1_000', 'nan', 'inf' and digits of other scripts; a measurement must not.
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def is_plain_number(text: str) -> bool:
    """Tell whether a text is a number in decimal or exponent form, with a point.

    Parameters
    ----------
    text : str
        Without outer white space.

    Returns
    -------
    bool
        False for 'nan', 'inf', '1_000', '1,5' and the like.
    """
    return _NUMBER.fullmatch(text) is not None
